//! What a check or a level leaves for trends.

use barwright_capture::Peaks;
use barwright_job::{
    Measures, Technique,
    check::ReflectorCheck,
    level::{BeamLevel, Cause, Explanation, Level},
    measures::{ElementSensitivity, Marked, Quantity},
    screened::EchoMark,
    technique::{GateKind, Section},
};
use barwright_wave::water;

use crate::{
    level::SurfacePoint,
    reading::{db, median},
};

/// What of a check its measures are taken from.
pub(crate) struct Checked<'a> {
    pub technique: &'a Technique,
    pub level: &'a Level,
    pub target_fsh: f64,
    /// With coupling judged.
    pub peaks: &'a Peaks,
    pub passes: u32,
    pub reflectors: &'a [ReflectorCheck],
    /// By how much each reflector's echoes may fall until the check fails.
    pub reserves_db: &'a [f64],
    pub noise_fsh: f64,
    pub false_calls: u32,
}

/// Measures of a check.
pub(crate) fn of_check(c: &Checked<'_>) -> Measures {
    let t = c.technique;
    let mut m = Measures { probes: t.beams.iter().map(|b| b.probe).collect(), ..<_>::default() };
    let middle = middles(t, c.peaks);
    // Free of the gains that the level set: what is left is the station's own.
    let freed = |own: &[Option<f64>]| -> Vec<Option<f64>> {
        let added = |i: usize| c.level.beams.get(i).map(|l| l.gain_db - t.beams[i].gain_db);
        own.iter().enumerate().map(|(i, h)| Some(db((*h)?) - added(i)?)).collect()
    };
    m.keep(Quantity::WallHeight, freed(&middle.wall_fsh));
    m.keep(Quantity::SurfaceHeight, freed(&middle.surface_fsh));
    delays(&mut m, t, &middle.delay_s);
    m.reflectors = c.reflectors.iter().map(|r| marked(t, r)).collect();
    m.keep(
        Quantity::ReflectorHeight,
        c.reflectors.iter().map(|r| {
            let seen: Vec<f64> = r.heights_fsh.iter().flatten().copied().collect();
            crate::reading::mean(&seen).map(|h| db(h / c.target_fsh))
        }),
    );
    m.keep(Quantity::ReflectorReserve, c.reserves_db.iter().copied().map(Some));
    m.keep(Quantity::Noise, [(c.noise_fsh > 0.0).then(|| db(c.noise_fsh))]);
    m.keep(Quantity::FalseCalls, [Some(f64::from(c.false_calls))]);
    let asked = f64::from(c.passes) * c.reflectors.len() as f64;
    let found: u32 = c.reflectors.iter().map(|r| r.found).sum();
    m.keep(Quantity::FoundShare, [(asked > 0.0).then(|| f64::from(found) / asked)]);
    m
}

/// Measures of a level, from what it says of every beam and the surfaces it read, `[beam]`.
pub(crate) fn of_level(
    t: &Technique,
    beams: &[BeamLevel],
    explanations: &[Explanation],
    surfaces: &[Vec<SurfacePoint>],
) -> Measures {
    let mut m = Measures { probes: t.beams.iter().map(|b| b.probe).collect(), ..<_>::default() };
    m.keep(
        Quantity::BeamGain,
        beams.iter().zip(&t.beams).map(|(l, b)| Some(l.gain_db - b.gain_db)),
    );
    m.keep(
        Quantity::BeamHeight,
        beams.iter().map(|l| Some(db(l.height_fsh.filter(|h| *h > 0.0)? / l.expected_fsh))),
    );
    let delay = |points: &Vec<SurfacePoint>| {
        let mut own: Vec<f64> = points.iter().filter(|p| p.coupled).map(|p| p.shift_s).collect();
        (!own.is_empty()).then(|| median(&mut own))
    };
    delays(&mut m, t, &surfaces.iter().map(delay).collect::<Vec<_>>());
    m.elements = explanations
        .iter()
        .filter_map(|e| match &e.cause {
            Cause::Elements { probe, elements } => Some((*probe, elements)),
            _ => None,
        })
        .flat_map(|(probe, elements)| {
            elements.iter().map(move |e| ElementSensitivity {
                probe,
                first: e.first,
                last: e.last,
                sensitivity_db: barwright_job::measures::rounded(-e.loss_db, 0.01),
            })
        })
        .collect();
    m
}

/// Keeps the surface delays and the temperature that follows from them.
fn delays(m: &mut Measures, t: &Technique, delay_s: &[Option<f64>]) {
    m.keep(Quantity::SurfaceDelay, delay_s.iter().map(|d| d.map(|d| d * 1e6)));
    m.keep(Quantity::WaterTemperature, [temperature_c(t, delay_s)]);
}

/// Temperature at which pure water has the velocity that the surface times ask for, in °C, between 0
/// and 70; absent in contact and for sections whose surface is not one distance away.
fn temperature_c(t: &Technique, delay_s: &[Option<f64>]) -> Option<f64> {
    let (Section::Round { .. }, Some(fluid)) = (t.section, t.media.water) else { return None };
    let mut shares: Vec<f64> = t
        .beams
        .iter()
        .zip(delay_s)
        .filter_map(|(b, d)| Some(b.surface_time_s / (b.surface_time_s + (*d)?)))
        .collect();
    if shares.is_empty() {
        return None;
    }
    let wanted_m_s = fluid.velocity_m_s * median(&mut shares);
    // The velocity rises with temperature up to 74 °C.
    let (mut low, mut high) = (0.0, 70.0);
    let at = |c: f64| water::sound_velocity_m_s(c).ok();
    if wanted_m_s < at(low)? || wanted_m_s > at(high)? {
        return None;
    }
    // Forty halvings of 70 K are far below the hundredth that is kept.
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if at(middle)? < wanted_m_s { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}

fn marked(t: &Technique, r: &ReflectorCheck) -> Marked {
    let of = |b: &u32| t.beams.get(*b as usize).map(|b| b.probe);
    let mut probes: Vec<u32> = r.beams.iter().filter_map(of).collect();
    probes.sort_unstable();
    probes.dedup();
    Marked { name: r.name.clone(), probes }
}

/// Middle of what each beam read of the echoes that the bar itself gives, where they are sound.
struct Middles {
    wall_fsh: Vec<Option<f64>>,
    surface_fsh: Vec<Option<f64>>,
    delay_s: Vec<Option<f64>>,
}

fn middles(t: &Technique, peaks: &Peaks) -> Middles {
    let none: Vec<Vec<f64>> = vec![Vec::new(); t.beams.len()];
    let (mut wall, mut surface, mut delay) = (none.clone(), none.clone(), none);
    for (line, echoes) in peaks.shots().filter(|(l, _)| l.coupled) {
        let b = line.beam as usize;
        for (e, gate) in echoes.iter().zip(&t.beams[b].gates) {
            if e.mark == EchoMark::CouplingLost {
                continue;
            }
            let (height, whole) = (f64::from(e.height_fsh), e.mark == EchoMark::Sound);
            match gate.kind {
                GateKind::BackWall if whole => wall[b].push(height),
                GateKind::Surface => {
                    delay[b].push(e.after_surface_s - t.beams[b].surface_time_s);
                    // One clipped shot and the middle would lean to the low ones.
                    surface[b].push(if whole { height } else { f64::INFINITY });
                }
                _ => {}
            }
        }
    }
    let of = |lists: Vec<Vec<f64>>| -> Vec<Option<f64>> {
        let middle = |mut own: Vec<f64>| (!own.is_empty()).then(|| median(&mut own));
        lists.into_iter().map(|own| middle(own).filter(|m| m.is_finite())).collect()
    };
    let positive =
        |list: Vec<Option<f64>>| list.into_iter().map(|h| h.filter(|h| *h > 0.0)).collect();
    Middles { wall_fsh: positive(of(wall)), surface_fsh: positive(of(surface)), delay_s: of(delay) }
}

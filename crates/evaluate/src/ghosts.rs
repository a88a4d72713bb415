//! Ghosts: indications that a larger flaw explains by a detour of its sound, told by prediction.
//!
//! From the place of a flaw follows when its sound arrives by another way: as the other kind of wave
//! on the way back, after going twice between flaw and surface, or in the receiver of a beam that fired
//! at the same time. An indication whose echoes all come at such a time, along the flaw's own stretch
//! and at least 6 dB below it, is listed as its ghost and not counted.
//!
//! What that cannot hide: a ghost has the flaw class of what explains it and reads less (or the flaw is
//! clipped, larger than anybody knows), so that by size alone nothing is accepted that was not accepted
//! already, and the stretch is the same. A second surface echo is a ghost of no flaw; where it stands,
//! nothing else can be seen, so that it holds the bar.

use std::collections::BTreeMap;

use barwright_job::{
    Technique,
    judgement::{Ghost, GhostPath},
    screened::Echo,
    technique::{Beam, GateKind},
};
use barwright_wave::{Mode, Point, path::least_time};

use crate::{
    measure::Measured,
    reading::{db, is_flaw_gate},
};

/// A ghost lies at least this far below what explains it, as a ratio of heights (6 dB): half the
/// sound is lost on any detour (common practice, no source).
const BELOW: f64 = 0.5;
/// Share of an indication's echoes (within 6 dB of its highest) that must come as predicted.
const SHARE: f64 = 0.9;
/// Share of the bar over which a second surface echo stands: it does not come and go.
const STANDS: f64 = 0.5;
/// Largest difference from a predicted time that is ever accepted, in seconds.
const MOST_OFF_S: f64 = 1e-6;

/// Marks the ghosts among indications that have their letters.
pub(crate) fn mark(technique: &Technique, echoes: &[Echo], measured: &mut [Measured]) {
    let found: Vec<Option<Ghost>> =
        measured.iter().map(|m| ghost(technique, echoes, measured, m)).collect();
    for (m, ghost) in measured.iter_mut().zip(found) {
        m.indication.ghost = ghost;
    }
}

fn ghost(
    technique: &Technique,
    echoes: &[Echo],
    all: &[Measured],
    here: &Measured,
) -> Option<Ghost> {
    if let Some(off_s) = second_surface(technique, echoes, here) {
        let path = GhostPath::SecondSurface;
        return Some(Ghost { of: String::new(), path, off_s, height_db: None });
    }
    let i = &here.indication;
    let slack = here.margin_m;
    all.iter()
        .filter(|flaw| {
            let f = &flaw.indication;
            f.class == i.class
                // A clipped flaw is larger than it reads, nobody knows by how much.
                && (f.clipped || (!i.clipped && i.height_fsh <= BELOW * f.height_fsh))
                && i.from_m >= f.from_m - slack
                && i.to_m <= f.to_m + slack
        })
        .filter_map(|flaw| {
            let (path, off_s) = explained(technique, echoes, flaw, here)?;
            let height_db = Some(db(i.height_fsh / flaw.indication.height_fsh));
            Some(Ghost { of: flaw.indication.letter.clone(), path, off_s, height_db })
        })
        .min_by(|a, b| a.off_s.total_cmp(&b.off_s))
}

/// The way by which a flaw explains all echoes of an indication, and how well.
fn explained(
    technique: &Technique,
    echoes: &[Echo],
    flaw: &Measured,
    here: &Measured,
) -> Option<(GhostPath, f64)> {
    let tolerance_s = tolerance_s(technique, flaw);
    let direct = Direct::of(technique, echoes, flaw);
    [GhostPath::TwiceBetween, GhostPath::ConvertedLeg, GhostPath::CrossTalk]
        .into_iter()
        .filter_map(|path| {
            let off_s = share_of(echoes, here, tolerance_s, |e| {
                let times = match path {
                    GhostPath::CrossTalk => cross_talk_s(technique, flaw, e),
                    _ => direct.detour_s(technique, e, path).into_iter().collect(),
                };
                times
                    .into_iter()
                    .map(|t: f64| (t - e.after_surface_s).abs())
                    .fold(f64::INFINITY, f64::min)
            })?;
            Some((path, off_s))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

/// When a flaw's own echoes come, beam by beam: place along the bar and time after the surface.
struct Direct(BTreeMap<u32, Vec<(f64, f64)>>);

impl Direct {
    fn of(technique: &Technique, echoes: &[Echo], flaw: &Measured) -> Self {
        let mut times: BTreeMap<u32, Vec<(f64, f64)>> = BTreeMap::new();
        for e in flaw.members.iter().map(|&m| &echoes[m]) {
            if technique.beams.get(e.beam as usize).is_some() {
                times.entry(e.beam).or_default().push((e.z_m, e.after_surface_s));
            }
        }
        Self(times)
    }

    /// When the sound of a detour comes in the beam and shot of an echo. A gate keeps one echo of a
    /// shot: the flaw's own time is that of the beam's other shots, or of the nearest beam that saw it.
    fn detour_s(&self, technique: &Technique, e: &Echo, path: GhostPath) -> Option<f64> {
        let beam = technique.beams.get(e.beam as usize)?;
        let nearest = self
            .0
            .keys()
            .filter_map(|&b| Some((b, technique.beams.get(b as usize)?)))
            .filter(|(_, b)| b.mode == beam.mode)
            .min_by(|x, y| {
                let far = |b: &Beam| b.axis.entry.distance(beam.axis.entry);
                far(x.1).total_cmp(&far(y.1))
            })?;
        let off = |t: &(f64, f64)| (t.0 - e.z_m).abs();
        let direct_s = self.0.get(&nearest.0)?.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?.1;
        match path {
            GhostPath::TwiceBetween => Some(2.0 * direct_s),
            GhostPath::ConvertedLeg => {
                let steel = &technique.media.steel;
                let other = if beam.mode == Mode::L { Mode::S } else { Mode::L };
                let ratio = beam.axis.velocity_m_s / steel.velocity_m_s(other);
                Some(0.5 * direct_s * (1.0 + ratio))
            }
            GhostPath::SecondSurface | GhostPath::CrossTalk => None,
        }
    }
}

/// Largest difference among the echoes within the tolerance, where enough of them are.
fn share_of(
    echoes: &[Echo],
    here: &Measured,
    tolerance_s: f64,
    off_s: impl Fn(&Echo) -> f64,
) -> Option<f64> {
    let near = here
        .members
        .iter()
        .map(|&m| &echoes[m])
        .filter(|e| f64::from(e.height_fsh) >= BELOW * here.indication.height_fsh);
    let (mut count, mut within, mut worst) = (0u32, 0u32, 0f64);
    for e in near {
        count += 1;
        let off = off_s(e);
        if off <= tolerance_s {
            within += 1;
            worst = worst.max(off);
        }
    }
    (count > 0 && f64::from(within) >= SHARE * f64::from(count)).then_some(worst)
}

/// A pulse's length, and twice the way that the flaw's place is unsure of.
fn tolerance_s(technique: &Technique, flaw: &Measured) -> f64 {
    let pulse = &technique.pulse;
    let length_s = 1.0 / (pulse.bandwidth_rel * pulse.centre_hz);
    let slowest = technique.media.steel.shear_m_s;
    (length_s + 2.0 * flaw.indication.place_uncertainty_m / slowest).min(MOST_OFF_S)
}

/// Times after the surface at which the beam of an echo hears a flaw by what other beams sent in the
/// same firing, as either kind of wave on the way back.
fn cross_talk_s(technique: &Technique, flaw: &Measured, e: &Echo) -> Vec<f64> {
    let Some(beam) = technique.beams.get(e.beam as usize) else {
        return Vec::new();
    };
    let at = flaw.indication.place.rotated(f64::from(e.turn_rad));
    let back: Vec<f64> =
        [Mode::L, Mode::S].into_iter().filter_map(|m| one_way_s(technique, beam, at, m)).collect();
    let together = technique.schedule.firings.iter().filter(|f| f.beams.contains(&e.beam));
    together
        .flat_map(|f| &f.beams)
        .filter(|&&b| b != e.beam && flaw.indication.beams.contains(&b))
        .filter_map(|&b| technique.beams.get(b as usize))
        .filter_map(|sender| one_way_s(technique, sender, at, sender.mode))
        .flat_map(|out| back.iter().map(move |b| out + b - beam.surface_time_s).collect::<Vec<_>>())
        .collect()
}

/// Time between a beam's aperture and a place in the steel as one kind of wave, half of the delay law
/// included, in seconds.
fn one_way_s(technique: &Technique, beam: &Beam, at: Point, mode: Mode) -> Option<f64> {
    let velocity_m_s = technique.media.steel.velocity_m_s(mode);
    let plain = || beam.surface_time_s / 2.0 + beam.axis.entry.distance(at) / velocity_m_s;
    let (Some(water), Some(surface), Some(middle)) =
        (technique.media.water, technique.section.surface(), middle(technique, beam))
    else {
        return Some(plain());
    };
    let path = least_time(&surface, middle, at, water.velocity_m_s, velocity_m_s).ok()?;
    let straight_s = middle.distance(beam.axis.entry) / water.velocity_m_s;
    Some(path.time_s + beam.surface_time_s / 2.0 - straight_s)
}

/// Middle of a beam's aperture.
fn middle(technique: &Technique, beam: &Beam) -> Option<Point> {
    let elements = &technique.probes.get(beam.probe as usize)?.elements;
    let first = beam.first_element as usize;
    let own = elements.get(first..first + beam.elements() as usize)?;
    let sum = own.iter().fold(Point::default(), |sum, e| sum + e.centre);
    (!own.is_empty()).then(|| sum * (1.0 / own.len() as f64))
}

/// Whether an indication is the second surface echo: it comes after a second trip through the water,
/// all along the bar.
fn second_surface(technique: &Technique, echoes: &[Echo], here: &Measured) -> Option<f64> {
    let water = technique.media.water?;
    let last = echoes.iter().map(|e| e.z_m).fold(0.0, f64::max);
    if here.indication.to_m - here.indication.from_m < STANDS * last {
        return None;
    }
    let pulse = &technique.pulse;
    share_of(echoes, here, 1.0 / (pulse.bandwidth_rel * pulse.centre_hz), |e| {
        let Some(beam) = technique.beams.get(e.beam as usize) else {
            return f64::INFINITY;
        };
        let flaw_gate = beam.gates.get(e.gate as usize).is_some_and(|g| is_flaw_gate(g.kind));
        let trip_s = middle(technique, beam).map_or(beam.surface_time_s, |m| {
            2.0 * m.distance(beam.axis.entry) / water.velocity_m_s
        });
        let crack = beam.gate(GateKind::Crack).is_some();
        if flaw_gate && !crack { (e.after_surface_s - trip_s).abs() } else { f64::INFINITY }
    })
}

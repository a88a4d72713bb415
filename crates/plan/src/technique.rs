//! From order, station and rules to a technique.

use barwright_job::{
    Finding, Order, Rules, Sealed, Station, Technique,
    finding::Topic,
    technique::{Beam, GateKind, Record, Section},
};
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::echo;
use crate::error::{PlanError, Result};
use crate::exact::Fineness;
use crate::laws::Focus;
use crate::layout::Layout;
use crate::response::Aperture;
use crate::schedule::Timed;
use crate::search::{Covered, Effort, Found, Weighed};
use crate::watch::PlanWatch;
use crate::{beams, explain, gates, limits, schedule, search, setups, square};

/// Pulses of each beam that must meet the shortest flaw: at least three (common practice, no
/// source).
pub const PULSES_ON_SHORTEST: f64 = 3.0;

/// Plans the technique with the highest line speed that keeps every rule and meets the ordered
/// coverage in the worst case over the station's tolerances.
///
/// The technique's sources are `order` and `station`; every rule kept is listed in its `limits`.
///
/// # Errors
/// [`PlanError::NoRing`] when no ring serves the size; [`PlanError::NoTechnique`] with the rule that
/// stops every technique and what would help; [`PlanError::Wave`] where the physics cannot answer.
pub fn technique(order: &Order, station: &Station, rules: &Rules) -> Result<Sealed<Technique>> {
    watched(order, station, rules, false, PlanWatch::default())
}

/// The same technique, which also says what a change of order or station would buy (`changes`, not for
/// blocks): each is a search of its own.
///
/// # Errors
/// As [`technique()`].
pub fn explained(order: &Order, station: &Station, rules: &Rules) -> Result<Sealed<Technique>> {
    watched(order, station, rules, true, PlanWatch::default())
}

/// As [`technique()`] or, where asked, [`explained`], while somebody watches.
///
/// # Errors
/// As [`technique()`], and [`PlanError::Cancelled`].
pub fn watched(
    order: &Order,
    station: &Station,
    rules: &Rules,
    explained: bool,
    watch: PlanWatch<'_>,
) -> Result<Sealed<Technique>> {
    let benches = setups::benches(order, station, rules, watch)?;
    let setups::Chosen { bench, draft, tried } = setups::best(&benches)?;
    let Draft { kinds, mut weighed, all, record, timed, speed } = draft;
    explain::in_m_s(&mut weighed, &kinds, &speed);
    let mut others = setups::others(&tried);
    others.extend(explain::others(bench, &kinds, &weighed, &speed));
    let changes = if explained && !gates::is_block(bench) {
        explain::changes(bench, rules, &explain::nearest(&kinds, &weighed, (1, 3)), &speed)
    } else {
        Vec::new()
    };
    watch.going_on()?;
    let ring = &bench.ring.name;
    let size = match order.section() {
        Section::Round { radius_m } => format!("round {} mm", radius_m * 2e3),
        Section::Square { side_m, .. } => format!("square {} mm", side_m * 1e3),
        Section::Flat { thickness_m } => format!("block {} mm", thickness_m * 1e3),
    };
    let limits = limits::of(bench, &kinds, &all, &timed, &speed, &tried);
    let findings = findings(bench, &all, &speed);
    let technique = Technique {
        name: format!("{} {size} on {ring}", order.order.number),
        order: order.order.number.clone(),
        station: station.station.name.clone(),
        ring: ring.clone(),
        section: bench.nominal.section,
        media: bench.nominal.media,
        probes: bench.probes.clone(),
        pulse: bench.pulse,
        record,
        sensitivity: bench.sensitivity,
        beams: all,
        schedule: timed.schedule,
        line_speed_m_s: speed.line_m_s,
        pulse_spacing_m: speed.spacing_m,
        unguided_end_m: station.line.unguided_end_mm * 1e-3,
        limits,
        others,
        changes,
        findings,
    };
    Ok(Sealed::seal(technique, [("order", order.hash()), ("station", station.hash())]))
}

/// A technique before it is written down.
pub(crate) struct Draft<'a> {
    pub kinds: Vec<Found<'a>>,
    pub weighed: Vec<Weighed>,
    pub all: Vec<Beam>,
    pub record: Record,
    pub timed: Timed,
    pub speed: Speed,
}

/// Layouts, beams, firing order and speed.
pub(crate) fn draft<'a>(bench: &'a Bench<'_>, effort: &Effort) -> Result<Draft<'a>> {
    noise(bench)?;
    let (kinds, weighed) = kinds(bench, effort)?;
    let mut all: Vec<Beam> = Vec::new();
    for found in &kinds {
        all.extend(found.beams.iter().cloned());
    }
    for (i, beam) in all.iter_mut().enumerate() {
        beam.id = i as u32;
    }
    beams::follow(&mut all);
    let record = gates::record(bench, &all);
    let timed = schedule::make(bench, &all, &record);
    let covered_m = kinds.iter().map(|k| k.spacing_m).fold(f64::INFINITY, f64::min);
    let speed = speed(bench, &all, &timed, covered_m)?;
    Ok(Draft { kinds, weighed, all, record, timed, speed })
}

fn kinds<'a>(bench: &'a Bench<'_>, effort: &Effort) -> Result<(Vec<Found<'a>>, Vec<Weighed>)> {
    if gates::is_block(bench) {
        return Ok((vec![block(bench)?], Vec::new()));
    }
    if matches!(bench.nominal.section, Section::Square { .. }) {
        return square::search::best(bench, effort);
    }
    let rhythm = search::rhythm(bench, Mode::L)?;
    if !search::could_reach(bench, rhythm, effort) {
        return Err(search::too_slow(bench));
    }
    if bench.order.flaws.crack.is_none() {
        let (found, weighed) = search::best(bench, Mode::L, rhythm, 0.0, effort)?;
        return Ok((vec![found], weighed));
    }
    // The kinds share the period: each is chosen for the time that the other takes, at first as many beams
    // as its middle layout has.
    let other_s = search::usual_cycle_s(bench, Mode::L, rhythm);
    let shear_rhythm = search::rhythm(bench, Mode::S)?;
    let (s, more) = search::best(bench, Mode::S, shear_rhythm, other_s, effort)?;
    let other_s = search::cycle_s(bench, &s.beams);
    let (l, mut weighed) = search::best(bench, Mode::L, rhythm, other_s, effort)?;
    weighed.extend(more);
    Ok((vec![l, s], weighed))
}

/// The ordered disc must stand over the steel's grain noise as the check demands of it.
fn noise(bench: &Bench<'_>) -> Result<()> {
    let Some(noise_mm) = bench.order.steel.grain_noise_disc_mm else {
        return Ok(());
    };
    let disc_mm = bench.order.flaws.disc.diameter_mm;
    // A disc's echo grows with its area.
    let over_db = 40.0 * (disc_mm / noise_mm).log10();
    let least_db = bench.noise_db;
    if over_db >= least_db {
        return Ok(());
    }
    let least_mm = noise_mm * 10f64.powf(least_db / 40.0);
    Err(PlanError::rule(
        "grain noise",
        format!(
            "a disc of {disc_mm} mm stands {over_db:.1} dB over the noise of the steel's grain (that of a \
             disc of {noise_mm} mm); the rules ask for {least_db:.1} dB"
        ),
        format!("order discs of at least {least_mm:.2} mm, or use a ring of lower frequency"),
    ))
}

/// The beams of a flat block under an array in contact: a linear scan, element by element, of the
/// largest aperture under half the array whose near field ends within the block.
fn block<'a>(bench: &'a Bench<'_>) -> Result<Found<'a>> {
    let elements = bench.probes.first().map_or(0, |p| p.elements.len());
    let (_, pitch_mm, _, _) = bench.ring.array.elements();
    let lambda = bench.nominal.media.steel.longitudinal_m_s / bench.pulse.centre_hz;
    let thickness = 2.0 * bench.nominal.section.half_extent_m();
    let most = (bench.station.electronics.aperture_elements as usize)
        .min(elements / 2)
        .saturating_sub(1)
        .max(1);
    let near_field = |n: usize| (n as f64 * pitch_mm * 1e-3).powi(2) / (4.0 * lambda);
    let count = (1..=most).rev().find(|n| near_field(*n) <= thickness).unwrap_or(1);
    let layout = Layout {
        mode: Mode::L,
        count,
        step: 1,
        refraction_rad: 0.0,
        focus: Focus::default(),
        depths: None,
    };
    let sketches = layout.sketches(bench)?;
    let built =
        beams::build(bench, &sketches, 0, Fineness { rings: 1, angles: 1, rim: 1, around: 1 })?;
    Ok(Found {
        layout,
        beams: built.beams,
        overlap_m: beams::overlap_m(bench, &sketches),
        rounding_s: 0.0,
        covered: Covered::NOTHING,
        spacing_m: f64::INFINITY,
        fields: None,
    })
}

/// Line speed and what it rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speed {
    /// Line speed in m/s.
    pub line_m_s: f64,
    /// Way between two shots of a beam at that speed, in m.
    pub spacing_m: f64,
    /// Longest way that keeps three pulses on the shortest flaw, in m.
    pub allowed_spacing_m: f64,
    /// Narrowest -6 dB width along the bar of any beam over its gate, in m.
    pub width_m: f64,
    /// Longest way at which the ordered coverage holds, half-way between pulses too, in m.
    pub covered_spacing_m: f64,
    /// Line speed in m/s that beams and firing order would allow on a line without a highest speed.
    pub possible_m_s: f64,
    /// Whether the station's own highest speed binds.
    pub station_binds: bool,
}

/// A flaw of length l meets a beam of -6 dB width w along the bar over a way of w + l; three pulses
/// on it need them (w + l)/3 apart at most (common practice, no source).
fn speed(bench: &Bench<'_>, all: &[Beam], timed: &Timed, covered_spacing_m: f64) -> Result<Speed> {
    let (allowed_spacing_m, width_m) = allowed_spacing_m(bench, all);
    let period = timed.schedule.period_s;
    if period.is_nan() || period <= 0.0 {
        return Err(PlanError::rule(
            "schedule",
            "there is no beam to fire",
            "order a flaw class that the station can look for",
        ));
    }
    let possible = allowed_spacing_m.min(covered_spacing_m) / period;
    let most = bench.station.line.max_speed_m_s;
    let line_m_s = possible.min(most);
    Ok(Speed {
        line_m_s,
        spacing_m: if gates::is_block(bench) { allowed_spacing_m } else { line_m_s * period },
        allowed_spacing_m,
        width_m,
        covered_spacing_m,
        possible_m_s: possible,
        station_binds: possible >= most,
    })
}

/// Longest way between two shots of a beam that keeps three pulses on the shortest flaw, and the
/// narrowest -6 dB width along the bar that it rests on, both in m.
pub(crate) fn allowed_spacing_m(bench: &Bench<'_>, all: &[Beam]) -> (f64, f64) {
    let shortest = bench.order.flaws.shortest_mm * 1e-3;
    // Beams of one law and gate have one width.
    let mut distinct: Vec<&Beam> = Vec::new();
    for beam in all {
        let same = |other: &&Beam| {
            other.mode == beam.mode
                && other.transmit_delays_s == beam.transmit_delays_s
                && other.receive_delays_s == beam.receive_delays_s
                && (other.axis.reach_m - beam.axis.reach_m).abs() < 1e-9
        };
        if !distinct.iter().any(same) {
            distinct.push(beam);
        }
    }
    let width_m = distinct
        .into_iter()
        .map(|beam| narrowest(bench, beam).unwrap_or(beam.axial_width_m))
        .fold(f64::INFINITY, f64::min);
    if gates::is_block(bench) {
        // One shot covers the length of the element: the block does not move under it.
        (bench.ring.array.elements().3 * 1e-3, width_m)
    } else {
        ((width_m + shortest) / PULSES_ON_SHORTEST, width_m)
    }
}

/// What a disc half-way between two pulses `spacing_m` apart reads less at the middle of a beam's
/// axis, in dB.
pub(crate) fn half_way_loss_db(bench: &Bench<'_>, beam: &Beam, spacing_m: f64) -> Option<f64> {
    let aperture = Aperture::of_beam(&bench.probes, beam);
    let place = beam.axis.at(beam.axis.reach_m / beam.axis.velocity_m_s);
    echo::axial_loss_db(&bench.nominal, &aperture, place, spacing_m / 2.0)
}

fn narrowest(bench: &Bench<'_>, beam: &Beam) -> Option<f64> {
    if beam.mode == Mode::S {
        return Some(beam.axial_width_m);
    }
    let gate = beam.gate(GateKind::Volume)?;
    let aperture = Aperture::of_beam(&bench.probes, beam);
    [gate.start_s, gate.end_s]
        .into_iter()
        .filter_map(|t| echo::axial_width_m(&bench.nominal, &aperture, beam.axis.at(t)))
        .chain([beam.axial_width_m])
        .min_by(f64::total_cmp)
}

/// What is known of the noise that the ordered disc must be heard over, and of the model of its echo.
fn heard(bench: &Bench<'_>, all: &[Beam]) -> Vec<Finding> {
    let disc_mm = bench.order.flaws.disc.diameter_mm;
    let least_db = bench.noise_db;
    let gain_db = all.iter().map(|b| b.gain_db).fold(f64::NEG_INFINITY, f64::max);
    let most_db = bench.station.electronics.gain_max_db;
    let electronics = format!(
        "the station's document tells no noise of the electronics, whose gain is used up to {gain_db:.1} of \
         {most_db} dB"
    );
    let noise = match bench.order.steel.grain_noise_disc_mm {
        Some(noise_mm) => format!(
            "the ordered disc of {disc_mm} mm stands {:.1} dB over the noise of the steel's grain (that of a \
             disc of {noise_mm} mm; the rules ask for {least_db:.1} dB); {electronics}",
            40.0 * (disc_mm / noise_mm).log10()
        ),
        None => format!(
            "whether the ordered disc of {disc_mm} mm stands over noise is not known: the order tells no \
             grain noise of the steel (steel.grain_noise_disc_mm), and {electronics}; the {least_db:.1} dB of \
             the rules are kept if all noise together is no higher than the echo of a disc of {:.2} mm",
            disc_mm * 10f64.powf(-least_db / 40.0)
        ),
    };
    let mut findings = vec![Finding::new(Topic::Assumed, noise)];
    let wave_mm = bench.nominal.media.steel.longitudinal_m_s / bench.pulse.centre_hz * 1e3;
    if disc_mm < wave_mm {
        findings.push(Finding::new(
            Topic::Validity,
            format!(
                "the ordered disc of {disc_mm} mm is {:.2} of a wavelength ({wave_mm:.2} mm) across; the model \
                 of its echo holds from one wavelength, below it heights are off by decibels",
                disc_mm / wave_mm
            ),
        ));
    }
    findings
}

fn findings(bench: &Bench<'_>, all: &[Beam], speed: &Speed) -> Vec<Finding> {
    let mut findings = heard(bench, all);
    if let Some(beam) = all.iter().find(|b| b.mode == Mode::L)
        && !gates::is_block(bench)
        && let Some(loss) = half_way_loss_db(bench, beam, speed.spacing_m)
    {
        findings.push(Finding::new(
            Topic::Assumed,
            format!(
                "gains are for a flaw under the middle of a pulse; a point flaw half-way between two \
                 pulses of a beam ({:.1} mm apart) reads {loss:.1} dB less at mid-depth, which coverage \
                 takes into account",
                speed.spacing_m * 1e3
            ),
        ));
    }
    if bench.order.flaws.crack.is_none() && bench.sensitivity.skin_m > 0.0 {
        findings.push(Finding::new(
            Topic::Uncovered,
            format!(
                "no crack class is ordered: the outer {:.1} mm are not inspected",
                bench.sensitivity.skin_m * 1e3
            ),
        ));
    }
    findings
}

//! The search for the layout of one kind of beam: the fewest beams that keep every rule.

use barwright_job::technique::Beam;
use barwright_wave::Mode;

use crate::beams;
use crate::bench::Bench;
use crate::conditions::{Conditions, tolerance_cases};
use crate::coverage::{self, Grid, Place, Scope};
use crate::error::{PlanError, Result};
use crate::layout::{self, Layout};
use crate::technique::{allowed_spacing_m, half_way_loss_db};

/// Steps of the search's grid from middle to rim; the proof's grid is three times as fine.
const COARSE: usize = 14;
/// Places of the search around the rim.
const RIM: usize = 180;
/// Coverage in hand that the coarse grid must show over the order, as a fraction.
const IN_HAND: f64 = 0.002;

/// Share of the -6 dB width by which neighbouring beams overlap at least (EN 10308).
pub const OVERLAP: f64 = 0.1;

/// A layout that keeps the rules, with its beams and figures.
#[derive(Debug, Clone)]
pub struct Found {
    /// The layout.
    pub layout: Layout,
    /// Its beams.
    pub beams: Vec<Beam>,
    /// Distance of neighbouring axes and -6 dB width where they are asked, in m.
    pub overlap_m: Option<(f64, f64)>,
    /// Largest rounding of a delay in s.
    pub rounding_s: f64,
    /// Covered share on the search's coarse places, the smallest of three: worst case by one beam;
    /// nominal by as many as must agree; nominal half-way between two pulses by one beam.
    pub covered: f64,
}

/// The layout of the fewest beams whose neighbours overlap and whose coverage meets the order in
/// every tolerance case, and nominal also by as
/// many beams as must agree and half-way between two pulses; of as many beams, the larger aperture. Fewer beams take fewer firings, so
/// this is the fastest line.
///
/// # Errors
/// [`PlanError::NoTechnique`] with the rule that stopped the best candidate.
pub fn best(bench: &Bench<'_>, mode: Mode) -> Result<Found> {
    let probes = bench.probes.len();
    let elements = bench.probes.first().map_or(0, |p| p.elements.len());
    let mut candidates = layout::candidates(bench, mode);
    candidates.sort_by_key(|l| {
        let angle = (l.refraction_rad.to_degrees() - 45.0).abs().round() as i64;
        (l.beams(probes, elements), std::cmp::Reverse(l.count), angle)
    });
    let ordered = ordered_share(bench, mode);
    let cases = tolerance_cases(bench.order, bench.station, &bench.nominal)?;
    let places = places(bench, mode);
    let mut refusal: Option<PlanError> = None;
    let mut closest: Option<f64> = None;
    for layout in candidates {
        match attempt(bench, layout, &cases, &places, ordered) {
            Ok(found) if found.covered >= (ordered + IN_HAND).min(1.0) => return Ok(found),
            Ok(found) => closest = Some(closest.map_or(found.covered, |c| c.max(found.covered))),
            Err(e) => refusal = Some(e),
        }
    }
    Err(match (closest, refusal) {
        (Some(share), _) => uncovered(mode, share, ordered),
        (None, Some(e)) => e,
        (None, None) => PlanError::rule(
            "electronics",
            "no aperture of the electronics fits a probe of the ring",
            "use electronics of more elements in an aperture",
        ),
    })
}

fn attempt(
    bench: &Bench<'_>,
    layout: Layout,
    cases: &[Conditions],
    places: &[Place],
    ordered: f64,
) -> Result<Found> {
    let sketches = layout.sketches(bench)?;
    let overlap_m = beams::overlap_m(bench, &sketches);
    if let Some((spacing, width)) = overlap_m
        && spacing > (1.0 - OVERLAP) * width
    {
        return Err(PlanError::rule(
            "overlap of neighbouring beams",
            format!(
                "axes {:.2} mm apart, -6 dB width {:.2} mm, {:.0} % must overlap",
                spacing * 1e3,
                width * 1e3,
                OVERLAP * 100.0
            ),
            "use probes of finer pitch or electronics of more elements in an aperture",
        ));
    }
    let rounding_s = sketches.iter().map(|s| s.rounding_s).fold(0.0, f64::max);
    let mut built = beams::build(bench, &sketches, 0)?;
    // In the search each beam follows its own surface; the final technique says whom it follows.
    for beam in &mut built {
        beam.surface_beam = Some(beam.id);
    }
    let scope = Scope {
        probes: &bench.probes,
        beams: &built,
        sensitivity: &bench.sensitivity,
        crack_length_m: bench.crack_length_m(),
    };
    let quiet = || {};
    let nominal = coverage::margins(&scope, &bench.nominal, &[], places, &quiet);
    // A disc under the middle of a pulse is met by that one shot: as many beams as must agree. One
    // half-way between two pulses is met by both shots of one beam, but lower. A crack is as long
    // as the shortest flaw and lies under a pulse anyway.
    let (spacing, _) = allowed_spacing_m(bench, &built);
    let half_way_db = match (layout.mode, built.first()) {
        (Mode::L, Some(beam)) => half_way_loss_db(bench, beam, spacing).unwrap_or(0.0),
        _ => 0.0,
    };
    let share =
        coverage::agreed(&nominal, bench.agreeing).min(coverage::above(&nominal, half_way_db));
    let covered = if share < ordered {
        share
    } else {
        coverage::shares(coverage::margins(&scope, &bench.nominal, cases, places, &quiet)).1
    };
    Ok(Found { layout, beams: built, overlap_m, rounding_s, covered })
}

fn ordered_share(bench: &Bench<'_>, mode: Mode) -> f64 {
    match mode {
        Mode::L => bench.order.flaws.disc.coverage_percent / 100.0,
        Mode::S => bench.order.flaws.crack.map_or(0.0, |c| c.coverage_percent / 100.0),
    }
}

fn places(bench: &Bench<'_>, mode: Mode) -> Vec<Place> {
    match mode {
        Mode::S => coverage::rim(RIM),
        Mode::L => {
            let section = &bench.nominal.section;
            let grid = Grid::over(section, &bench.probes, COARSE);
            (0..grid.len())
                .map(|i| grid.at(i))
                .filter(|p| section.depth_m(*p) >= bench.sensitivity.skin_m)
                .map(Place::Disc)
                .collect()
        }
    }
}

fn uncovered(mode: Mode, share: f64, ordered: f64) -> PlanError {
    let (what, cure) = match mode {
        Mode::L => (
            "discs, share of the area",
            "order a deeper skin, a smaller coverage or a tighter size; centre the bar better, or use a ring of more probes",
        ),
        Mode::S => (
            "cracks, share of the circumference",
            "centre the bar better, order a smaller coverage, or use a ring of more probes",
        ),
    };
    PlanError::rule(
        "coverage",
        format!(
            "{what}: {:.1} % at best in the worst case, {:.1} % ordered",
            share * 100.0,
            ordered * 100.0
        ),
        cure,
    )
}

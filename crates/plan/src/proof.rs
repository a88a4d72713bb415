//! The coverage proof: margins over the section and around the rim, nominal and worst case.

use std::sync::atomic::{AtomicUsize, Ordering};

use barwright_job::{
    Finding, Order, Sealed, Station, Technique,
    finding::Topic,
    proof::{ClassProof, Engine, MarginMap, Proof, ProvedClass, Weakest},
    technique::Section,
};
use barwright_wave::Point;

use crate::conditions::{Conditions, tolerance_cases};
use crate::coverage::{self, Grid, Margin, Place, Scope};
use crate::error::Result;
use crate::square;

/// Steps of the grid from the middle to the rim: 0.5 mm in a bar of 42 mm.
const STEPS: usize = 42;
/// Places around the rim.
const RIM: usize = 720;

/// Proves what a technique covers, by rays on the first passage of each beam.
///
/// For each flaw class of the order: the margin in dB of the best beam whose gate holds the echo,
/// over the alarm height, at each place; nominal, and worst over the tolerances one at a time, with
/// laws, gates and gains kept and the surface echo followed. Places that no beam reaches or that
/// were not computed count as unseen. `progress` gets the share done, 0 to 1, from any thread.
///
/// # Errors
/// [`crate::PlanError::Document`] when the technique was made for another order or station;
/// [`crate::PlanError::Wave`] where the physics cannot answer at all.
pub fn prove(
    order: &Order,
    station: &Station,
    technique: &Sealed<Technique>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sealed<Proof>> {
    technique.demand("technique", "order", &order.hash())?;
    technique.demand("technique", "station", &station.hash())?;
    let t = &technique.body;
    if matches!(t.section, Section::Square { .. }) {
        return square::proof::prove(order, station, technique, progress);
    }
    let nominal = Conditions::nominal(t)?;
    let cases = tolerance_cases(order, station, &nominal)?;
    let scope = Scope {
        probes: &t.probes,
        beams: &t.beams,
        sensitivity: &t.sensitivity,
        crack_length_m: order.flaws.shortest_mm * 1e-3,
    };
    let grid = Grid::over(&t.section, &t.probes, STEPS);
    let inside: Vec<usize> =
        (0..grid.len()).filter(|i| t.section.depth_m(grid.at(*i)) >= 0.0).collect();
    let rim_places = if cracks(order, t) { RIM } else { 0 };
    let total = inside.len() + rim_places;
    let done = AtomicUsize::new(0);
    let tick = || {
        let n = done.fetch_add(1, Ordering::Relaxed) + 1;
        // A hundred reports are enough for any bar on a screen.
        if n.is_multiple_of((total / 100).max(1)) || n == total {
            progress(n as f32 / total as f32);
        }
    };
    let run = |places: &[Place]| coverage::margins(&scope, &nominal, &cases, places, &tick);

    let discs: Vec<Place> = inside.iter().map(|i| Place::Disc(grid.at(*i))).collect();
    let mut classes = vec![disc_class(order, t, &cases, &grid, &inside, &run(&discs))];
    if rim_places > 0 {
        classes.push(crack_class(order, t, &cases, &run(&coverage::rim(RIM))));
    }
    let met = classes.iter().all(|c| c.worst >= c.ordered);
    let mut findings: Vec<Finding> = classes.iter().filter_map(uncovered).collect();
    findings.push(Finding::new(
        Topic::Validity,
        "rays: within two wavelengths of the surface and near a critical incidence the field is \
         0.2 to 4 dB off; tolerances are varied one at a time",
    ));
    let proof = Proof {
        engine: Engine::Ray,
        classes,
        tolerances: cases.iter().map(|c| c.words.clone()).collect(),
        met,
        findings,
        by_rays: Vec::new(),
    };
    Ok(Sealed::seal(
        proof,
        [
            ("order", order.hash()),
            ("station", station.hash()),
            ("technique", technique.hash.clone()),
        ],
    ))
}

fn cracks(order: &Order, t: &Technique) -> bool {
    order.flaws.crack.is_some() && matches!(t.section, Section::Round { .. })
}

fn disc_class(
    order: &Order,
    t: &Technique,
    cases: &[Conditions],
    grid: &Grid,
    inside: &[usize],
    margins: &[Margin],
) -> ClassProof {
    let skin = t.sensitivity.skin_m;
    let mut nominal_db = vec![None; grid.len()];
    let mut worst_db = vec![None; grid.len()];
    let mut asked = vec![false; grid.len()];
    let mut of_order = Vec::new();
    for (i, m) in inside.iter().zip(margins) {
        let p = grid.at(*i);
        nominal_db[*i] = m.nominal_db;
        worst_db[*i] = m.worst_db;
        // Rounding of the grid's corners must not turn the answer over.
        asked[*i] = t.section.depth_m(p) >= skin - 1e-9;
        if asked[*i] {
            of_order.push((p, *m));
        }
    }
    let (nominal, worst) = coverage::shares(of_order.iter().map(|x| x.1));
    ClassProof {
        class: ProvedClass::Disc,
        flaw: format!(
            "disc of {} mm facing the beam, deeper than {} mm",
            order.flaws.disc.diameter_mm, order.flaws.disc.skin_mm
        ),
        ordered: order.flaws.disc.coverage_percent / 100.0,
        nominal,
        worst,
        doubted: 0.0,
        draws: None,
        weakest: weakest(t, cases, &of_order),
        map: MarginMap::Grid {
            x0_m: grid.origin.x,
            y0_m: grid.origin.y,
            step_m: grid.step_m,
            nx: grid.nx,
            ny: grid.ny,
            nominal_db,
            worst_db,
            asked,
        },
    }
}

fn crack_class(
    order: &Order,
    t: &Technique,
    cases: &[Conditions],
    margins: &[Margin],
) -> ClassProof {
    let radius = t.section.half_extent_m();
    let places: Vec<(Point, Margin)> = coverage::rim(margins.len())
        .iter()
        .zip(margins)
        .filter_map(|(place, m)| match place {
            Place::Crack(angle) => Some((Point::polar(radius, *angle), *m)),
            Place::Disc(_) => None,
        })
        .collect();
    let (nominal, worst) = coverage::shares(margins.iter().copied());
    let (depth, ordered) =
        order.flaws.crack.map_or((0.0, 0.0), |c| (c.depth_mm, c.coverage_percent / 100.0));
    ClassProof {
        class: ProvedClass::Crack,
        flaw: format!(
            "radial crack {depth} mm deep and {} mm long at the surface",
            order.flaws.shortest_mm
        ),
        ordered,
        nominal,
        worst,
        doubted: 0.0,
        draws: None,
        weakest: weakest(t, cases, &places),
        map: MarginMap::Rim {
            nominal_db: margins.iter().map(|m| m.nominal_db).collect(),
            worst_db: margins.iter().map(|m| m.worst_db).collect(),
        },
    }
}

fn weakest(t: &Technique, cases: &[Conditions], places: &[(Point, Margin)]) -> Weakest {
    let key = |m: &Margin| m.worst_db.map_or(f64::NEG_INFINITY, f64::from);
    let Some((p, m)) = places.iter().min_by(|a, b| key(&a.1).total_cmp(&key(&b.1))) else {
        return Weakest {
            x_m: 0.0,
            y_m: 0.0,
            margin_db: None,
            cause: "the order asks for no place".into(),
        };
    };
    let place = place_words(t, *p);
    let case = m.worst_case.and_then(|i| cases.get(i)).map(|c| c.words.as_str());
    let cause = match (m.beam, m.nominal_db, m.worst_db, case) {
        (None, ..) => format!("{place}: no beam's gate reaches it"),
        (Some(beam), Some(nominal), None, Some(case)) => format!(
            "{place}: nominal {nominal:+.1} dB by beam {beam}; with {case} the echo leaves the gate"
        ),
        (Some(beam), Some(nominal), Some(_), Some(case)) => {
            format!("{place}: nominal {nominal:+.1} dB by beam {beam}; worst with {case}")
        }
        (Some(beam), ..) => format!("{place}: best beam is {beam}, nominal is the worst case"),
    };
    Weakest { x_m: p.x, y_m: p.y, margin_db: m.worst_db.map(f64::from), cause }
}

/// Where a place is: depth and angle, and whether it lies between two probes.
fn place_words(t: &Technique, p: Point) -> String {
    let depth = t.section.depth_m(p).max(0.0) * 1e3;
    if !matches!(t.section, Section::Round { .. }) {
        return format!("{depth:.1} mm deep, x {:.1} mm", p.x * 1e3);
    }
    let angle = p.angle().rem_euclid(std::f64::consts::TAU).to_degrees();
    let between = t.probes.iter().all(|probe| {
        let (Some(a), Some(b)) = (probe.elements.first(), probe.elements.last()) else {
            return true;
        };
        let span = crate::echo::turn(b.centre.angle() - a.centre.angle()).abs() / 2.0;
        let middle = crate::ring::middle(&probe.elements).angle();
        crate::echo::turn(p.angle() - middle).abs() > 0.9 * span
    });
    let where_to = if between && depth > 0.0 { ", under the gap between two probes" } else { "" };
    format!("{depth:.1} mm deep at {angle:.0}°{where_to}")
}

fn uncovered(class: &ClassProof) -> Option<Finding> {
    (class.worst < 1.0).then(|| {
        Finding::new(
            Topic::Uncovered,
            format!(
                "{}: {:.2} % not covered in the worst case ({:.2} % ordered); weakest: {}",
                class.flaw,
                (1.0 - class.worst) * 100.0,
                class.ordered * 100.0,
                class.weakest.cause
            ),
        )
    })
}

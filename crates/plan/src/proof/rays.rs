//! Flaw classes by rays.

use barwright_job::{
    Order, Technique,
    proof::{ClassProof, MarginMap, ProvedClass},
    technique::Section,
};
use barwright_wave::Point;

use super::words::weakest;
use super::{ProveOptions, each_hundredth};
use crate::conditions::Conditions;
use crate::coverage::{self, Grid, Margin, Place, Scope};
use crate::error::Result;

/// Steps of the grid from the middle to the rim: 0.5 mm in a bar of 42 mm.
const STEPS: usize = 42;
/// Places around the rim.
const RIM: usize = 720;

/// Disc and, in round sections, crack class: the best beam under the middle of a pulse.
pub(super) fn classes(
    order: &Order,
    t: &Technique,
    nominal: &Conditions,
    cases: &[Conditions],
    options: &ProveOptions<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Vec<ClassProof>> {
    options.go_on()?;
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
    let tick = each_hundredth(total, progress);
    let run = |places: &[Place]| coverage::margins(&scope, nominal, cases, places, &tick);
    let discs: Vec<Place> = inside.iter().map(|i| Place::Disc(grid.at(*i))).collect();
    let mut classes = vec![disc_class(order, t, cases, &grid, &inside, &run(&discs))];
    options.go_on()?;
    if rim_places > 0 {
        classes.push(crack_class(order, t, cases, &run(&coverage::rim(RIM))));
    }
    Ok(classes)
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

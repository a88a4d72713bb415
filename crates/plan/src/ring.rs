//! Which ring of the station serves the ordered size, and where its elements stand.

use barwright_job::{
    Order, Station,
    order::SectionSpec,
    station::{Array, Coupling, Ring, Shape, Water},
    technique::Probe,
};
use barwright_wave::{Element, Point, array};

use crate::error::{PlanError, Result};

/// Size by which rings are chosen, in mm: diameter, side or thickness.
#[must_use]
pub fn size_mm(section: &SectionSpec) -> f64 {
    match section {
        SectionSpec::Round(r) => r.diameter_mm,
        SectionSpec::Square(s) => s.side_mm,
        SectionSpec::Flat(f) => f.thickness_mm,
    }
}

/// The rings that can serve the order, the one of the narrowest range first: those made for its shape, or,
/// where there is none, the one whose refusal says so.
///
/// # Errors
/// [`PlanError::NoRing`] with the nearest sizes that would work.
pub fn serving<'a>(order: &Order, station: &'a Station) -> Result<Vec<&'a Ring>> {
    let size = size_mm(&order.section);
    let mut rings: Vec<&Ring> =
        station.rings.iter().filter(|r| (r.smallest_mm..=r.largest_mm).contains(&size)).collect();
    let range = |r: &Ring| r.largest_mm - r.smallest_mm;
    rings.sort_by(|a, b| range(a).total_cmp(&range(b)));
    let own: Vec<&Ring> =
        rings.iter().copied().filter(|r| r.serves(shape(&order.section))).collect();
    if !own.is_empty() {
        return Ok(own);
    }
    rings.truncate(1);
    if rings.is_empty() {
        return Err(none(station, size));
    }
    Ok(rings)
}

fn none(station: &Station, size_mm: f64) -> PlanError {
    let edges = |edge: fn(&Ring) -> f64| station.rings.iter().map(edge);
    PlanError::NoRing {
        station: station.station.name.clone(),
        size_mm,
        below_mm: edges(|r| r.largest_mm).filter(|d| *d < size_mm).max_by(f64::total_cmp),
        above_mm: edges(|r| r.smallest_mm).filter(|d| *d > size_mm).min_by(f64::total_cmp),
    }
}

fn shape(section: &SectionSpec) -> Shape {
    match section {
        SectionSpec::Round(_) => Shape::Round,
        SectionSpec::Square(_) => Shape::Square,
        SectionSpec::Flat(_) => Shape::Flat,
    }
}

/// [`probes`] of a ring in water whose flat arrays stand `distance_m` from its centre.
#[must_use]
pub fn drawn(ring: &Ring, distance_m: f64) -> Vec<Probe> {
    let mut ring = ring.clone();
    if let Array::Flat(flat) = &mut ring.array {
        flat.distance_mm = distance_m * 1e3;
    }
    // The water's temperature does not move elements.
    probes(&ring, &Coupling::Water(Water { temperature_c: 20.0, tolerance_k: 0.0 }))
}

/// The elements of every probe of a ring, in section coordinates (m), evenly spaced from the first
/// probe counter-clockwise. An array in contact lies on y = 0 and faces -y.
#[must_use]
pub fn probes(ring: &Ring, coupling: &Coupling) -> Vec<Probe> {
    (0..ring.probes)
        .map(|i| {
            let middle = ring.first_probe_deg.to_radians()
                + f64::from(i) * std::f64::consts::TAU / f64::from(ring.probes);
            Probe {
                elements: elements(&ring.array, middle, coupling),
                axial_focus_m: ring.array.axial_focus_mm().map(|mm| mm * 1e-3),
            }
        })
        .collect()
}

fn elements(array: &Array, middle_rad: f64, coupling: &Coupling) -> Vec<Element> {
    match (*array, coupling) {
        (Array::Arc(a), _) => array::arc(
            a.radius_mm * 1e-3,
            middle_rad,
            a.elements as usize,
            a.pitch_mm * 1e-3,
            a.element_width_mm * 1e-3,
            a.element_length_mm * 1e-3,
        ),
        (Array::Flat(a), coupling) => {
            let (middle, facing) = match coupling {
                Coupling::Water(_) => (
                    Point::polar(a.distance_mm * 1e-3, middle_rad),
                    middle_rad + std::f64::consts::PI,
                ),
                Coupling::Contact(_) => (Point::default(), -std::f64::consts::FRAC_PI_2),
            };
            array::flat(
                middle,
                facing,
                a.elements as usize,
                a.pitch_mm * 1e-3,
                a.element_width_mm * 1e-3,
                a.element_length_mm * 1e-3,
            )
        }
    }
}

/// Middle of the face of an aperture: between its two middle elements.
#[must_use]
pub fn middle(elements: &[Element]) -> Point {
    let n = elements.len();
    match (elements.get(n.saturating_sub(1) / 2), elements.get(n / 2)) {
        (Some(a), Some(b)) => (a.centre + b.centre) * 0.5,
        _ => Point::default(),
    }
}

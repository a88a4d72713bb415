//! Which ring of the station serves the ordered size, and where its elements stand.

use barwright_job::{
    Order, Station,
    order::SectionSpec,
    station::{Array, Coupling, Ring},
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

/// The ring that serves the ordered size; the one with the narrowest range where several do.
///
/// # Errors
/// [`PlanError::NoRing`] with the nearest sizes that would work.
pub fn choose<'a>(order: &Order, station: &'a Station) -> Result<&'a Ring> {
    let size = size_mm(&order.section);
    station
        .rings
        .iter()
        .filter(|r| (r.smallest_mm..=r.largest_mm).contains(&size))
        .min_by(|a, b| (a.largest_mm - a.smallest_mm).total_cmp(&(b.largest_mm - b.smallest_mm)))
        .ok_or_else(|| PlanError::NoRing {
            station: station.station.name.clone(),
            size_mm: size,
            below_mm: station
                .rings
                .iter()
                .map(|r| r.largest_mm)
                .filter(|d| *d < size)
                .max_by(f64::total_cmp),
            above_mm: station
                .rings
                .iter()
                .map(|r| r.smallest_mm)
                .filter(|d| *d > size)
                .min_by(f64::total_cmp),
        })
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

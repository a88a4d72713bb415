//! Fields at one distance from the axis of a round bar, for many turns of the bar at once.
//!
//! An array that is concentric with the bar and evenly pitched sees a turned reflector as another
//! element sees a fixed one. With turns rounded to a fraction of the pitch, a single table of one
//! element's field over the angle serves every beam and every turn.

use barwright_job::technique::Technique;
use barwright_wave::cylinder::{CylinderBand, Drive, LineArray, Spectra};
use barwright_wave::{Element, Mode, Point};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use crate::beam::BeamModel;
use crate::error::Result;
use crate::field::{Pair, SOURCES_PER_ELEMENT};

/// Grid steps within one pitch: with the demo's ring a fifth is 0.11 degrees, 40 µm at the surface.
const STEPS_PER_PITCH: i64 = 5;

/// Elements on one circle about the bar's axis, evenly pitched within each probe.
pub(crate) struct ArcGrid {
    /// Any element of the ring; all are the same one, turned.
    element: Element,
    face_radius_m: f64,
    /// Angle between grid points in rad, with the sign in which the elements count.
    step_rad: f64,
    /// Angle of the first element of each probe.
    first_rad: Vec<f64>,
}

impl ArcGrid {
    /// The grid of a technique's probes, if they form one.
    pub(crate) fn of(technique: &Technique) -> Option<Self> {
        let element = *technique.probes.first()?.elements.first()?;
        let face_radius_m = face_radius_m(technique)?;
        let turn = |from: f64, to: f64| (to - from + PI).rem_euclid(TAU) - PI;
        let angles = |p: &barwright_job::technique::Probe| -> Vec<f64> {
            p.elements.iter().map(|e| e.centre.angle()).collect()
        };
        let first = angles(technique.probes.first()?);
        let pitch = turn(*first.first()?, *first.get(1)?);
        for probe in &technique.probes {
            let even = angles(probe).windows(2).all(|w| (turn(w[0], w[1]) - pitch).abs() < 1e-9);
            let alike = probe.elements.iter().all(|e| e.width_m == element.width_m);
            if !(even && alike) {
                return None;
            }
        }
        let first_rad = technique.probes.iter().map(|p| angles(p)[0]).collect();
        Some(Self { element, face_radius_m, step_rad: pitch / STEPS_PER_PITCH as f64, first_rad })
    }

    /// The grid angle nearest to an angle of the section, as a beam's probe counts it.
    fn number(&self, beam: &BeamModel, angle_rad: f64) -> i64 {
        let turn = (angle_rad - self.first_rad[beam.probe] + PI).rem_euclid(TAU) - PI;
        (turn / self.step_rad).round() as i64
    }

    /// The angle on the grid that stands for an angle of the section.
    pub(crate) fn snapped_rad(&self, beam: &BeamModel, angle_rad: f64) -> f64 {
        self.first_rad[beam.probe] + self.number(beam, angle_rad) as f64 * self.step_rad
    }

    /// Fields at a radius for beams and angles (on the grid, see [`Self::snapped_rad`]).
    ///
    /// # Errors
    /// Those of the wave crate.
    pub(crate) fn fields(
        &self,
        band: &CylinderBand,
        mode: Mode,
        radius_m: f64,
        requests: &[(&BeamModel, f64)],
    ) -> Result<Vec<Pair>> {
        let spans = requests.iter().map(|&(beam, angle)| {
            let first = beam.elements.iter().min().copied().unwrap_or_default();
            let last = beam.elements.iter().max().copied().unwrap_or_default();
            let k = self.number(beam, angle);
            (k - STEPS_PER_PITCH * last as i64, k - STEPS_PER_PITCH * first as i64)
        });
        let Some((low, high)) = spans.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))) else {
            return Ok(Vec::new());
        };
        // The place at angle zero, an element at every grid angle before and behind it.
        let turned = |m: i64| {
            let by = -(m as f64) * self.step_rad - self.element.centre.angle();
            Element {
                centre: self.element.centre.rotated(by),
                facing_rad: self.element.facing_rad + by,
                ..self.element
            }
        };
        let elements: Vec<Element> = (low..=high).map(turned).collect();
        let array = LineArray::new(
            &elements,
            SOURCES_PER_ELEMENT,
            Point::default(),
            Some(self.face_radius_m),
        )?;
        let drives = (0..elements.len())
            .map(|e| Ok(Drive::new(&[e], &[0.0])?))
            .collect::<Result<Vec<_>>>()?;
        let place = [Point::new(radius_m, 0.0)];
        let table = band.illuminate(&array)?.fields_at(&drives, &place, mode)?;
        let Some(table) = table.first() else { return Ok(Vec::new()) };
        let angular: Vec<Complex64> = band.angular_frequencies().collect();
        Ok(requests
            .iter()
            .map(|&(beam, angle)| {
                let row = (self.number(beam, angle) - low) as usize;
                let sum = |drive: &Drive| aperture_sum(table, row, &beam.elements, drive, &angular);
                Pair { transmit: sum(&beam.transmit), receive: beam.receive.as_ref().map(sum) }
            })
            .collect())
    }
}

/// Field of an aperture from the table of one element's field.
fn aperture_sum(
    table: &Spectra,
    row: usize,
    elements: &[usize],
    drive: &Drive,
    angular: &[Complex64],
) -> Vec<Complex64> {
    let mut sum = vec![Complex64::ZERO; angular.len()];
    let step = angular.get(1).map_or(Complex64::ZERO, |next| next - angular[0]);
    for ((&element, &delay), &weight) in elements.iter().zip(drive.delays_s()).zip(drive.weights())
    {
        let field = table.row(row - element * STEPS_PER_PITCH as usize);
        // exp(iωT) over evenly spaced frequencies is a geometric series.
        let mut factor = (Complex64::i() * angular[0] * delay).exp() * weight;
        let ratio = (Complex64::i() * step * delay).exp();
        for (total, value) in sum.iter_mut().zip(field) {
            *total += factor * value;
            factor *= ratio;
        }
    }
    sum
}

/// Radius of the circle about the origin on which all elements lie and face the origin, if they
/// do: the face of an arc is as curved as its circle.
pub(crate) fn face_radius_m(technique: &Technique) -> Option<f64> {
    let radius = technique.probes.first()?.elements.first()?.centre.radius();
    let on_circle = |e: &Element| {
        let off = (e.facing_rad - e.centre.angle() - PI + PI).rem_euclid(TAU) - PI;
        (e.centre.radius() - radius).abs() < 1e-9 * radius && off.abs() < 1e-6
    };
    technique.probes.iter().flat_map(|p| &p.elements).all(on_circle).then_some(radius)
}

//! Echoes of discs and walls along the axis of a beam.

use num_complex::Complex64;
use std::f64::consts::PI;

use crate::error::{Result, WaveError, positive};
use crate::geometry::Point;
use crate::reflect::{EchoSpectrum, Sight, disc_over_its_face};
use crate::scatter::Wall;

/// A beam as distance-gain-size curves see it.
pub trait DgsBeam {
    /// Echo of a flat disc of a diameter in m that faces the beam at a distance along its axis in m.
    ///
    /// # Errors
    /// Those of the field.
    fn disc(&self, distance_m: f64, diameter_m: f64) -> Result<EchoSpectrum>;

    /// Echo of a large wall that faces the beam at a distance along its axis in m.
    ///
    /// # Errors
    /// Those of the field.
    fn wall(&self, distance_m: f64) -> Result<EchoSpectrum>;
}

/// The third dimension of a [`SectionBeam`].
pub struct Axial<'a> {
    /// Product of both fields along the bar relative to two dimensions, at a distance along the beam
    /// in m, a place along the bar from the beam's middle in m and a frequency in Hz.
    pub product: &'a dyn Fn(f64, f64, f64) -> Complex64,
    /// Integral of that product over a wall without end, in m, at a distance in m and a frequency in Hz.
    pub wall: &'a dyn Fn(f64, f64) -> Complex64,
}

/// A beam in the section plane, its own field computed by either engine.
pub struct SectionBeam<'a> {
    sight: Sight<'a>,
    axial: Axial<'a>,
    origin: Point,
    heading_rad: f64,
    wall: Wall,
    wall_half_m: f64,
}

impl<'a> SectionBeam<'a> {
    /// A beam whose distances count from `origin` (where its axis enters the steel) along
    /// `heading_rad`. Its kind of wave is the same both ways.
    ///
    /// `wall` is the shape of the wall for the back-wall curve: [`Wall::Flat`] stands square to the
    /// axis at every distance, whatever its own direction; [`Wall::Round`] is the bar's own surface, for
    /// the one distance at which the axis meets it squarely. `wall_half_m` is the half width over which
    /// the wall is summed: well beyond the beam, and inside the steel.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a half width that is not positive or a direction that is not
    /// finite; [`WaveError::NotModelled`] for two kinds of wave.
    pub fn new(
        sight: Sight<'a>,
        axial: Axial<'a>,
        origin: Point,
        heading_rad: f64,
        wall: Wall,
        wall_half_m: f64,
    ) -> Result<Self> {
        positive("the half width of the wall", wall_half_m, "m")?;
        if !heading_rad.is_finite() {
            return Err(WaveError::OutOfRange {
                what: "the direction of the beam",
                value: heading_rad,
                unit: "rad",
                expected: "finite",
            });
        }
        if sight.transmit_mode != sight.receive_mode {
            return Err(WaveError::NotModelled {
                what: "a distance-gain-size diagram",
                missing: "two kinds of wave",
                hint: "use the same kind of wave on both sides",
            });
        }
        Ok(Self { sight, axial, origin, heading_rad, wall, wall_half_m })
    }

    fn place(&self, distance_m: f64) -> Result<Point> {
        positive("the distance along the beam", distance_m, "m")?;
        Ok(self.origin + Point::polar(distance_m, self.heading_rad))
    }
}

impl DgsBeam for SectionBeam<'_> {
    fn disc(&self, distance_m: f64, diameter_m: f64) -> Result<EchoSpectrum> {
        let place = self.place(distance_m)?;
        positive("the diameter of the disc", diameter_m, "m")?;
        let axial = |z_m: f64, f_hz: f64| (self.axial.product)(distance_m, z_m, f_hz);
        disc_over_its_face(&self.sight, place, diameter_m / 2.0, self.heading_rad, &axial)
    }

    /// Kirchhoff's integral over the wall, tapered (cos²) so that its ends do not ring: exact for a
    /// plane wall as far as the taper lies outside the beam.
    fn wall(&self, distance_m: f64) -> Result<EchoSpectrum> {
        let middle = self.place(distance_m)?;
        let (transmit, receive) = (self.sight.transmit, self.sight.receive);
        let frequencies = transmit.frequencies_hz();
        let c = transmit.solid().velocity_m_s(self.sight.transmit_mode);
        let top_hz = frequencies.iter().copied().fold(0.0, f64::max);
        let steps = (2.0 * self.wall_half_m / (c / top_hz / 3.0)).ceil().max(8.0);
        let spacing = 2.0 * self.wall_half_m / steps;
        let across = Point::polar(1.0, self.heading_rad + PI / 2.0);
        let offsets: Vec<f64> =
            (1..steps as usize).map(|i| i as f64 * spacing - self.wall_half_m).collect();
        let places: Vec<Point> = offsets
            .iter()
            .map(|&s| match self.wall {
                Wall::Flat { .. } => middle + across * s,
                Wall::Round { centre, .. } => {
                    let from = middle - centre;
                    centre + from.rotated(s / from.radius())
                }
            })
            .collect();
        let sent = transmit.spectra(&places, self.sight.transmit_mode)?;
        let heard = if std::ptr::addr_eq(transmit, receive) {
            sent.clone()
        } else {
            receive.spectra(&places, self.sight.receive_mode)?
        };
        let damping = transmit.damping_1_s();
        let values = frequencies
            .iter()
            .enumerate()
            .map(|(f, &hz)| {
                let ik = Complex64::i() * Complex64::new(2.0 * PI * hz, damping) / c;
                let sum: Complex64 = offsets
                    .iter()
                    .zip(sent.iter().zip(&heard))
                    .map(|(s, (a, b))| {
                        let taper = (0.5 * PI * s / self.wall_half_m).cos().powi(2);
                        a[f] * b[f] * taper
                    })
                    .sum();
                let third = (self.axial.wall)(distance_m, hz) * receive.source_ratio();
                sum * ik * (2.0 * spacing) * third
            })
            .collect();
        EchoSpectrum {
            frequencies_hz: frequencies.to_vec(),
            values,
            damping_1_s: damping,
            findings: Vec::new(),
        }
        .finite()
    }
}

//! Reflectors in SI, and what each one sends back of the sound that meets it.

use barwright_job::reference::{self, Shape};
use barwright_wave::interface::free_surface_ss;
use barwright_wave::scatter::{
    SideDrilledHole, crack_strength, disc_amplitude, line_strength, point_strength, surface_ss,
};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use serde::{Deserialize, Serialize};
use std::f64::consts::{FRAC_PI_4, PI, TAU};

use crate::error::{Result, TwinError};
use crate::scene::Flaw;

/// A reflector in a round bar, in the bar's own frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reflector {
    /// Its kind and size.
    pub kind: Kind,
    /// Distance of the reflecting place from the bar's axis in metres.
    pub radius_m: f64,
    /// Angle around the bar in rad.
    pub angle_rad: f64,
    /// Start along the bar in metres from the head end.
    pub from_m: f64,
    /// End along the bar.
    pub to_m: f64,
}

/// Kind of a reflector and its size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A flat disc; its normal is turned by `tilt_rad` out of the radius, within the section.
    Disc {
        /// Diameter in metres.
        diameter_m: f64,
        /// Turn of the normal, counter-clockwise, in rad.
        tilt_rad: f64,
        /// Only sound that travels inwards sees it (the bottom of a drilled hole).
        outward_only: bool,
    },
    /// A long round void along the bar.
    Hole {
        /// Diameter in metres.
        diameter_m: f64,
    },
    /// A radial crack from the surface.
    Crack {
        /// Depth in metres.
        depth_m: f64,
    },
}

impl Reflector {
    /// The reflector of a flaw in a bar of a radius.
    ///
    /// # Errors
    /// [`TwinError::OutOfRange`] for a flaw that does not fit into the bar.
    pub fn of_flaw(flaw: &Flaw, bar_radius_m: f64) -> Result<Self> {
        let [from_mm, to_mm] = flaw.stretch_mm();
        let (kind, radius_m, angle_deg) = match *flaw {
            Flaw::Disc(d) => {
                let kind = Kind::Disc {
                    diameter_m: d.diameter_mm / 1e3,
                    tilt_rad: d.tilt_deg.to_radians(),
                    outward_only: false,
                };
                (kind, d.radius_mm / 1e3, d.angle_deg)
            }
            Flaw::CentrePipe(p) => (Kind::Hole { diameter_m: p.diameter_mm / 1e3 }, 0.0, 0.0),
            Flaw::Crack(c) => {
                (Kind::Crack { depth_m: c.depth_mm / 1e3 }, bar_radius_m, c.angle_deg)
            }
        };
        let angle_rad = angle_deg.to_radians().rem_euclid(TAU);
        Self { kind, radius_m, angle_rad, from_m: from_mm / 1e3, to_m: to_mm / 1e3 }
            .fitting(bar_radius_m)
    }

    /// The reflector of a reference bar; `None` for a back wall, which every bar has anyway.
    ///
    /// # Errors
    /// [`TwinError::OutOfRange`] for a reflector that does not fit into the bar.
    pub fn of_reference(
        reflector: &reference::Reflector,
        bar_radius_m: f64,
    ) -> Result<Option<Self>> {
        let (kind, radius_m, half_m) = match reflector.shape {
            Shape::FlatBottomedHole { diameter_m } => (
                Kind::Disc { diameter_m, tilt_rad: 0.0, outward_only: true },
                reflector.radius_m,
                diameter_m / 2.0,
            ),
            Shape::SideDrilledHole { diameter_m, length_m } => {
                (Kind::Hole { diameter_m }, reflector.radius_m, length_m / 2.0)
            }
            Shape::Notch { depth_m, length_m } => {
                (Kind::Crack { depth_m }, bar_radius_m, length_m / 2.0)
            }
            Shape::BackWall => return Ok(None),
        };
        let (from_m, to_m) = (reflector.z_m - half_m, reflector.z_m + half_m);
        let angle_rad = reflector.angle_rad.rem_euclid(TAU);
        Self { kind, radius_m, angle_rad, from_m, to_m }.fitting(bar_radius_m).map(Some)
    }

    fn fitting(self, bar_radius_m: f64) -> Result<Self> {
        let room = match self.kind {
            Kind::Disc { .. } => bar_radius_m - self.radius_m,
            Kind::Hole { diameter_m } => bar_radius_m - self.radius_m - diameter_m / 2.0,
            Kind::Crack { depth_m } => bar_radius_m - depth_m,
        };
        if room > 0.0 {
            return Ok(self);
        }
        Err(TwinError::OutOfRange {
            what: format!("the steel that is left beside the flaw at {:.0} mm", self.from_m * 1e3),
            value: room * 1e3,
            unit: "mm",
            expected: format!("above zero in a bar of {:.1} mm radius", bar_radius_m * 1e3),
        })
    }

    /// Kind of wave that sees it in this simulation: shear for cracks, longitudinal otherwise.
    #[must_use]
    pub fn mode(&self) -> Mode {
        match self.kind {
            Kind::Crack { .. } => Mode::S,
            Kind::Disc { .. } | Kind::Hole { .. } => Mode::L,
        }
    }

    /// Middle along the bar in metres.
    #[must_use]
    pub fn middle_m(&self) -> f64 {
        0.5 * (self.from_m + self.to_m)
    }

    /// Length over which it scatters as a line, in metres; zero for a compact one.
    #[must_use]
    pub fn line_length_m(&self) -> f64 {
        match self.kind {
            Kind::Disc { .. } => 0.0,
            Kind::Hole { .. } | Kind::Crack { .. } => self.to_m - self.from_m,
        }
    }

    /// Where it stands in the section when the bar is turned, in metres.
    #[must_use]
    pub fn place(&self, turn_rad: f64) -> Point {
        Point::polar(self.radius_m, self.angle_rad + turn_rad)
    }

    /// Radii at which the field is needed: the place itself and, for a crack, the middles of equal
    /// parts of its face, a third of a shear wavelength each or less.
    #[must_use]
    pub fn radii_m(&self, shear_wavelength_m: f64) -> Vec<f64> {
        let mut radii = vec![self.radius_m];
        if let Kind::Crack { depth_m } = self.kind {
            let parts = (depth_m / (shear_wavelength_m / 3.0)).ceil().clamp(1.0, 24.0);
            radii.extend(
                (0..parts as usize).map(|i| self.radius_m - depth_m * (i as f64 + 0.5) / parts),
            );
        }
        radii
    }

    /// Angle between the sound's direction and the disc's normal, folded to [0, π/2]; `None` where
    /// the disc cannot be seen from that side.
    #[must_use]
    pub fn tilt_rad(&self, turn_rad: f64, direction_rad: f64) -> Option<f64> {
        let Kind::Disc { tilt_rad, outward_only, .. } = self.kind else {
            return Some(0.0);
        };
        let cosine = (direction_rad - self.angle_rad - turn_rad - tilt_rad).cos();
        if outward_only && cosine >= 0.0 {
            return None;
        }
        Some(cosine.abs().min(1.0).acos())
    }

    /// Strength of the source that stands for the reflector, per unit of incident field, at each
    /// frequency: in m for a disc (point source), pure number for the others (line source).
    ///
    /// `meeting_rad` is the tilt of the sound to the normal of a disc, or to the surface's normal
    /// at the mouth of a crack. Of a crack this is the far form with the field taken as constant
    /// over its face; the caller replaces the field by its mean.
    ///
    /// Phases: a stress-free face returns -1 times the wave, re-radiated as by Kirchhoff with
    /// k/(2πi) in three dimensions and √(k/(2πi)) in two (Schmerr 2016, ch. 10).
    ///
    /// # Errors
    /// Those of the wave crate for sizes or frequencies that mean nothing.
    pub fn strength(
        &self,
        solid: &Solid,
        water: &Fluid,
        frequencies_hz: &[f64],
        meeting_rad: f64,
    ) -> Result<Vec<Complex64>> {
        let each = |&f: &f64| -> Result<Complex64> {
            let wavelength = solid.velocity_m_s(self.mode()) / f;
            let k = TAU / wavelength;
            Ok(match self.kind {
                Kind::Disc { diameter_m, .. } => {
                    let size = disc_amplitude(diameter_m / 2.0, wavelength, meeting_rad);
                    point_strength(Complex64::new(0.0, size))
                }
                Kind::Hole { diameter_m } => {
                    let hole = SideDrilledHole::new(diameter_m / 2.0, solid, f)?;
                    line_strength(hole.amplitude(Mode::L, Mode::L, PI), k)
                }
                Kind::Crack { depth_m } => {
                    let size =
                        crack_strength(depth_m, wavelength, meeting_rad, solid, Some(water))?;
                    let beta = meeting_rad.abs();
                    let returned = surface_ss(solid, Some(water), beta)
                        * free_surface_ss(solid, PI / 2.0 - beta);
                    line_strength(Complex64::from_polar(size, returned.arg() - FRAC_PI_4), k)
                }
            })
        };
        frequencies_hz.iter().map(each).collect()
    }

    /// Strength with which a hole throws sound onwards, as [`Self::strength`] has it for sound thrown
    /// back; `None` for others, which are flat.
    ///
    /// # Errors
    /// As [`Self::strength`].
    pub fn onwards(&self, solid: &Solid, frequencies_hz: &[f64]) -> Result<Option<Vec<Complex64>>> {
        let Kind::Hole { diameter_m } = self.kind else {
            return Ok(None);
        };
        let each = |&f: &f64| -> Result<Complex64> {
            let hole = SideDrilledHole::new(diameter_m / 2.0, solid, f)?;
            let k = TAU * f / solid.velocity_m_s(self.mode());
            Ok(line_strength(hole.amplitude(Mode::L, Mode::L, 0.0), k))
        };
        frequencies_hz.iter().map(each).collect::<Result<_>>().map(Some)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{Crack, Disc};

    fn disc(tilt_deg: f64) -> Reflector {
        let flaw = Flaw::Disc(Disc {
            diameter_mm: 1.0,
            radius_mm: 8.0,
            angle_deg: 30.0,
            z_mm: 500.0,
            tilt_deg,
        });
        Reflector::of_flaw(&flaw, 0.021).expect("inside")
    }

    // Truth: closed form (angles of the geometry).
    #[test]
    fn a_disc_is_met_squarely_along_its_normal_from_either_side() {
        let r = disc(10.0);
        for (direction, tilt) in [(40.0_f64, 0.0), (220.0, 0.0), (30.0, 10.0), (130.0, 90.0)] {
            let got = r.tilt_rad(0.0, direction.to_radians()).expect("two sides").to_degrees();
            // arccos near one keeps half the digits.
            assert!((got - tilt).abs() < 1e-5, "{direction}: {got}");
        }
        let turned = r.tilt_rad(0.2, 40f64.to_radians() + 0.2).expect("two sides");
        assert!(turned < 1e-6);
    }

    #[test]
    fn a_flaw_outside_the_bar_is_refused() {
        let flaw =
            Flaw::Crack(Crack { depth_mm: 21.0, length_mm: 10.0, angle_deg: 0.0, z_mm: 100.0 });
        assert!(matches!(Reflector::of_flaw(&flaw, 0.021), Err(TwinError::OutOfRange { .. })));
    }
}

//! What a beam answers at a place of a square, between two pulses too, and whether rays may be
//! believed there.

use std::f64::consts::{PI, TAU};

use barwright_wave::{
    Mode, Point, Solid,
    interface::critical_angles,
    path::least_time,
    pulse::Pulse,
    ray::{self, RayMedium, TwoWay},
    scatter::{self, SideDrilledHole, SphericalVoid},
};
use num_complex::Complex64;

use crate::conditions::Conditions;
use crate::echo::{Axial, Echo, db, turn};
use crate::error::Result;
use crate::response::{Aperture, two_way};
use crate::square::outline::Mouth;

/// Rays this near a critical incidence are those that `docs/ray-against-exact.md` weighs.
const CRITICAL_RAD: f64 = 1.5 * PI / 180.0;
/// Share of the crest that they may make by themselves (same page).
const CRITICAL_SHARE: f64 = 0.3;

/// A reflector of the volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Flaw {
    /// A disc of a diameter in m, turned out of facing the beam by an angle in rad.
    Disc(f64, f64),
    /// A small reflector all of whose directions are alike, by its amplitude over the pulse's band in m
    /// and its diameter in m.
    Compact(f64, f64),
    /// One that is long along the bar, by its strength over the pulse's band and its diameter in m.
    Line(f64, f64),
}

impl Flaw {
    /// An inclusion: an empty sphere of a diameter in m.
    ///
    /// # Errors
    /// The wave crate's reason for a diameter that cannot be.
    pub fn inclusion(diameter_m: f64, solid: &Solid, pulse: &Pulse) -> Result<Self> {
        let crest = crest(pulse, diameter_m / solid.longitudinal_m_s, |f| {
            Ok(SphericalVoid::new(diameter_m / 2.0, solid, f)?.amplitude(PI))
        })?;
        Ok(Self::Compact(crest, diameter_m))
    }

    /// A pipe: an empty channel along the bar of a diameter in m.
    ///
    /// # Errors
    /// The wave crate's reason for a diameter that cannot be.
    pub fn pipe(diameter_m: f64, solid: &Solid, pulse: &Pulse) -> Result<Self> {
        let crest = crest(pulse, diameter_m / solid.longitudinal_m_s, |f| {
            Ok(SideDrilledHole::new(diameter_m / 2.0, solid, f)?.strength(Mode::L, Mode::L, PI))
        })?;
        Ok(Self::Line(crest, diameter_m))
    }
}

/// Highest envelope of a pulse that a reflector returns with an amplitude against frequency, for a pulse
/// of unit peak, within twice the time that sound needs across it either side.
fn crest(
    pulse: &Pulse,
    across_s: f64,
    amplitude: impl Fn(f64) -> Result<Complex64>,
) -> Result<f64> {
    // A sixth of a standard deviation, out to three: the sum repeats after 6/σ, the rest is 1 %.
    const HALF: i32 = 18;
    let step = pulse.sigma_hz() / 6.0;
    let mut lines = Vec::new();
    for k in -HALF..=HALF {
        let f = pulse.centre_hz + f64::from(k) * step;
        if f > 0.05 * pulse.centre_hz {
            lines.push((f, amplitude(f)? * pulse.spectrum(f)));
        }
    }
    let whole: f64 = lines.iter().map(|(f, _)| pulse.spectrum(*f)).sum();
    let from = -2.0 * across_s - pulse.sigma_s();
    let dt = pulse.sigma_s() / 8.0;
    let count = ((-2.0 * from) / dt).ceil() as usize;
    let at = |t: f64| {
        let turned = lines.iter().map(|(f, a)| a * Complex64::from_polar(1.0, -TAU * f * t));
        turned.sum::<Complex64>().norm()
    };
    Ok((0..=count).map(|i| at(from + i as f64 * dt)).fold(0.0, f64::max) / whole)
}

/// A beam's response at a place, from which the echoes of reflectors follow.
pub struct Look {
    field: TwoWay,
    axial: Axial,
    trusted: bool,
}

impl Look {
    /// The response at a place where the bar stands; `None` where no ray arrives.
    #[must_use]
    pub fn at(conditions: &Conditions, aperture: &Aperture<'_>, place: Point) -> Option<Self> {
        let field = two_way(conditions, aperture, place)?;
        let axial = Axial::new(conditions, aperture, &field)?;
        let flags = field.flags;
        let trusted = !(flags.near_surface || flags.steep || flags.shadow)
            && (!flags.near_critical
                || critical_share(conditions, aperture, place, &field) <= CRITICAL_SHARE);
        Some(Self { field, axial, trusted })
    }

    /// Whether rays may be believed here: not within a wavelength of the face, no steep shear near it,
    /// no element without a ray, and the rays near a critical incidence make no more than 0.3 of the
    /// crest by themselves.
    #[must_use]
    pub fn trusted(&self) -> bool {
        self.trusted
    }

    /// Echo of a flaw of the volume `z_m` along the bar from the middle of the beam.
    #[must_use]
    pub fn flaw(&self, flaw: &Flaw, z_m: f64) -> Echo {
        let axial = &self.axial;
        let (strength, field, early_s) = match *flaw {
            Flaw::Disc(diameter, tilt) => {
                let (radius, lambda) = (diameter / 2.0, axial.wavelength_steel_m);
                let amplitude = scatter::disc_amplitude(radius, lambda, tilt).abs();
                (4.0 * PI * amplitude, axial.at(&self.field, z_m), 0.0)
            }
            Flaw::Compact(amplitude, diameter) => {
                let early = diameter / axial.velocity_m_s();
                (4.0 * PI * amplitude, axial.at(&self.field, z_m), early)
            }
            Flaw::Line(strength, diameter) => {
                let whole = self
                    .field
                    .shaped(|f| axial.strip.mirror_factor(&axial.spread, f) * axial.strip.length_m);
                (strength, whole, diameter / axial.velocity_m_s())
            }
        };
        let (peak, arrival_s) = field.peak();
        // The near side of a round reflector answers first.
        Echo { transfer_db: db(axial.ratio * strength * peak), arrival_s: arrival_s - early_s }
    }

    /// Echo of a crack square to the outline at a mouth, centred `z_m` along the bar from the middle of
    /// the beam; `None` where the corner returns nothing.
    #[must_use]
    pub fn crack(
        &self,
        conditions: &Conditions,
        mouth: &Mouth,
        depth_m: f64,
        length_m: f64,
        z_m: f64,
    ) -> Option<Echo> {
        let axial = &self.axial;
        let incidence = turn(self.field.heading_rad - mouth.normal_rad - conditions.turn_rad);
        let far_field = scatter::crack_strength(
            depth_m,
            axial.wavelength_steel_m,
            incidence,
            &conditions.media.steel,
            conditions.media.water.as_ref(),
        )
        .ok()?;
        let k = 2.0 * PI / axial.wavelength_steel_m;
        let strength = scatter::line_strength(Complex64::from(far_field), k).norm();
        // Midpoint rule: a crack of 10 mm in steps of 0.4 mm.
        let steps = 24;
        let dz = length_m / f64::from(steps);
        let along = self.field.shaped(|f| {
            (0..steps)
                .map(|i| {
                    let z = z_m + (f64::from(i) + 0.5) * dz - length_m / 2.0;
                    axial.both(z, f) * dz
                })
                .sum::<Complex64>()
        });
        let (peak, arrival_s) = along.peak();
        Some(Echo { transfer_db: db(axial.ratio * strength * peak), arrival_s })
    }
}

/// Echo of a crack square to the outline, of a depth and length in m, centred `z_m` along the bar from
/// the middle of the beam; `None` where no ray arrives or the corner returns nothing.
#[must_use]
pub fn crack(
    conditions: &Conditions,
    aperture: &Aperture<'_>,
    mouth: &Mouth,
    depth_m: f64,
    length_m: f64,
    z_m: f64,
) -> Option<Echo> {
    let look = Look::at(conditions, aperture, conditions.place(mouth.point))?;
    look.crack(conditions, mouth, depth_m, length_m, z_m)
}

/// Share of the one-way crest that the rays near a critical incidence make by themselves.
fn critical_share(
    conditions: &Conditions,
    aperture: &Aperture<'_>,
    place: Point,
    whole: &TwoWay,
) -> f64 {
    let Some(fluid) = conditions.media.water else { return 0.0 };
    let steel = conditions.media.steel;
    let critical = critical_angles(&fluid, &steel);
    let angles =
        [critical.longitudinal_rad, critical.shear_rad.filter(|_| aperture.mode == Mode::S)];
    let surface = conditions.surface_before(aperture.elements);
    let velocity = steel.velocity_m_s(aperture.mode);
    let weights: Vec<f64> = aperture
        .elements
        .iter()
        .map(|e| {
            let path = least_time(&surface, e.centre, place, fluid.velocity_m_s, velocity).ok();
            let near = path.is_some_and(|p| {
                let incidence = p.angle_in_rad.abs();
                angles.iter().flatten().any(|a| (incidence - a).abs() < CRITICAL_RAD)
            });
            f64::from(u8::from(near))
        })
        .collect();
    let driven = ray::Aperture {
        elements: aperture.elements,
        delays_s: aperture.transmit_s,
        weights: Some(&weights),
    };
    let medium = RayMedium { fluid, solid: steel, attenuation: ray::Attenuation::default() };
    let (mode, pulse) = (aperture.mode, &conditions.pulse);
    ray::two_way(&surface, &medium, &driven, aperture.receive_s, mode, pulse, place)
        .map_or(0.0, |part| (part.peak().0 / whole.peak().0.max(1e-300)).sqrt())
}

//! Flat faces by Kirchhoff's approximation: cracks, discs and strips, any pair of directions and
//! kinds of wave.
//!
//! On the side that the sound meets, the face moves as an unbounded traction-free plane would
//! (incident wave with both reflected ones); the far side stands still. The reciprocity theorem turns
//! that motion into what is received: strength = ρ_s ω² ∫ u · t dS, u the motion due to a unit
//! incident wave, t the traction that a unit wave of the receiver would exert on the face. For a wave
//! that is received where it came from this is 2 i k cos(tilt) per area exactly, conversion or not:
//! of all plane waves the returning one couples with the incident one only.
//!
//! Valid for faces of about a wavelength across or more, away from grazing incidence; no waves along
//! the face, tips and edges only as the approximation has them. Sources: Schmerr (2016), ch. 10
//! (Kirchhoff), Achenbach (2003), ch. 6 (reciprocity).

use num_complex::Complex64;

use super::angular_frequency;
use super::dense::solve;
use crate::error::{Result, WaveError, positive};
use crate::harmonics::bessel_j;
use crate::interface::free_surface_ss;
use crate::media::{Fluid, Mode, Solid};

/// A wave at the reflector: its kind and the direction in which it travels there. For reception it is
/// the wave that the receiver would send.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Meeting {
    /// Kind of wave.
    pub mode: Mode,
    /// Direction of travel: angle from +x, counter-clockwise, in rad.
    pub heading_rad: f64,
}

/// Strength per area (or, of a line source, per width) over iω, in s/m, of a traction-free plane whose
/// normal points along `normal_rad` (either way round) between two waves.
///
/// Times iω it is K in `strength = K · area`; frequency does not enter otherwise. Zero when the sound
/// travels along the face.
///
/// # Errors
/// [`WaveError::OutOfRange`] for an angle that is not finite.
pub fn face_coupling(
    solid: &Solid,
    normal_rad: f64,
    sent: Meeting,
    received: Meeting,
) -> Result<Complex64> {
    finite("the direction of the face's normal", normal_rad)?;
    finite("the direction of the sent wave", sent.heading_rad)?;
    finite("the direction of the received wave", received.heading_rad)?;
    // The side that the sent wave meets; y points out of the face into the steel.
    let against = (sent.heading_rad - normal_rad).cos() <= 0.0;
    let normal_rad = if against { normal_rad } else { normal_rad + std::f64::consts::PI };
    let wave = |meeting: Meeting| {
        let slowness = 1.0 / solid.velocity_m_s(meeting.mode);
        // Right-handed: x along the face at the normal less a quarter turn.
        let (sin, cos) = (meeting.heading_rad - normal_rad).sin_cos();
        Part { mode: meeting.mode, along: -sin * slowness, up: Complex64::from(cos * slowness) }
    };
    let (sent, received) = (wave(sent), wave(received));
    let reflected = |mode| Part::leaving(solid.velocity_m_s(mode), mode, sent.along);
    let (l, s) = (reflected(Mode::L), reflected(Mode::S));
    let (t, t_l, t_s) = (sent.traction(solid), l.traction(solid), s.traction(solid));
    let det = |p: [Complex64; 2], q: [Complex64; 2]| p[0] * q[1] - p[1] * q[0];
    let whole = det(t_l, t_s);
    let (by_l, by_s) = (-det(t, t_s) / whole, -det(t_l, t) / whole);
    let moved = |i: usize| sent.motion()[i] + by_l * l.motion()[i] + by_s * s.motion()[i];
    let pull = received.traction(solid);
    Ok(moved(0) * pull[0] + moved(1) * pull[1])
}

/// A plane wave of unit P in the frame of a face, slownesses along it and out of it in s/m.
struct Part {
    mode: Mode,
    along: f64,
    up: Complex64,
}

impl Part {
    /// The wave that leaves the face outwards with a slowness along it.
    fn leaving(velocity_m_s: f64, mode: Mode, along: f64) -> Self {
        let square = 1.0 / (velocity_m_s * velocity_m_s) - along * along;
        let root = square.abs().sqrt();
        let up = if square >= 0.0 { Complex64::new(root, 0.0) } else { Complex64::new(0.0, root) };
        Self { mode, along, up }
    }

    /// Displacement over i/(ρω), along and out.
    fn motion(&self) -> [Complex64; 2] {
        let along = Complex64::from(self.along);
        match self.mode {
            Mode::L => [along, self.up],
            Mode::S => [self.up, -along],
        }
    }

    /// Traction on the face, along and out.
    fn traction(&self, solid: &Solid) -> [Complex64; 2] {
        let cs2 = solid.shear_m_s * solid.shear_m_s;
        let mixed = self.up * (2.0 * cs2 * self.along);
        let square = self.along * self.along;
        match self.mode {
            Mode::L => [-mixed, Complex64::from(2.0 * cs2 * square - 1.0)],
            Mode::S => [(square - self.up * self.up) * cs2, mixed],
        }
    }
}

/// Reflection of a shear wave as a shear wave at the surface of steel that borders on a fluid: reflected
/// over incident `P_S`, for an incidence angle from the surface's normal in rad (-π/2..=π/2). Without a
/// fluid it is [`crate::interface::free_surface_ss`].
///
/// Between the critical angles water takes what the fluid carries off (8 % of the amplitude of a wave
/// at 45 degrees in steel), so that the reflection is not total. Source: Schmerr (2016), ch. 6
/// (boundary conditions), solved here.
#[must_use]
pub fn surface_ss(solid: &Solid, outside: Option<&Fluid>, incidence_rad: f64) -> Complex64 {
    let Some(fluid) = outside else {
        return free_surface_ss(solid, incidence_rad);
    };
    let (sin, cos) = incidence_rad.sin_cos();
    let along = sin / solid.shear_m_s;
    let incident = Part { mode: Mode::S, along, up: Complex64::from(-cos / solid.shear_m_s) };
    let [l, s] = [Mode::L, Mode::S].map(|mode| Part::leaving(solid.velocity_m_s(mode), mode, along));
    let water = Part::leaving(fluid.velocity_m_s, Mode::L, along).up;
    let heavy = solid.density_kg_m3 / fluid.density_kg_m3;
    // Shear and normal stress, normal displacement; the fluid presses back with its own pressure.
    let rows = |p: &Part| {
        let [shear, normal] = p.traction(solid);
        [shear, normal, p.motion()[1]]
    };
    let out = [Complex64::ZERO, Complex64::ONE, water * heavy];
    let columns = [rows(&l), rows(&s), out];
    // Grazing incidence leaves no field: the reflected wave cancels the incident one.
    solve(columns, rows(&incident).map(|v| -v)).map_or(-Complex64::ONE, |x| x[1])
}

/// Strength 4πA in m of a traction-free flat disc, normal in the section plane, as a point source.
///
/// Facing, pulse-echo: 2 i k area, |A| = area/λ. `angular` is ω + i damping in rad/s. The sides of a
/// disc are alike; for the bottom of a drilled hole leave out what comes from behind.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a radius or frequency that is not positive or an angle that is not
/// finite.
pub fn disc_strength(
    solid: &Solid,
    angular: Complex64,
    radius_m: f64,
    normal_rad: f64,
    sent: Meeting,
    received: Meeting,
) -> Result<Complex64> {
    positive("the radius of the disc", radius_m, "m")?;
    angular_frequency(angular)?;
    let area = std::f64::consts::PI * radius_m * radius_m;
    let coupling = face_coupling(solid, normal_rad, sent, received)?;
    // Even in v.
    let v = angular * slope(solid, normal_rad, sent, received).abs() * radius_m;
    // 2 J1(v)/v = 1 - v²/8 + ...; below 1e-4 the quotient would lose digits to no avail.
    let directivity = if v.norm() < 1e-4 {
        1.0 - v * v / 8.0
    } else {
        2.0 * bessel_j(v, 1)?.value(1) / v
    };
    Ok(Complex64::i() * angular * coupling * area * directivity)
}

/// Strength per unit length (a pure number) of a traction-free flat strip that is long along the bar,
/// as a line source; arguments as for [`disc_strength`].
///
/// # Errors
/// As [`disc_strength`].
pub fn strip_strength(
    solid: &Solid,
    angular: Complex64,
    width_m: f64,
    normal_rad: f64,
    sent: Meeting,
    received: Meeting,
) -> Result<Complex64> {
    positive("the width of the strip", width_m, "m")?;
    angular_frequency(angular)?;
    let coupling = face_coupling(solid, normal_rad, sent, received)?;
    let x = angular * slope(solid, normal_rad, sent, received) * width_m / 2.0;
    let directivity = if x.norm() < 1e-4 { 1.0 - x * x / 6.0 } else { x.sin() / x };
    Ok(Complex64::i() * angular * coupling * width_m * directivity)
}

/// Slowness along the face of sent and received wave together, in s/m: the phase over the face.
fn slope(solid: &Solid, normal_rad: f64, sent: Meeting, received: Meeting) -> f64 {
    let along = |m: Meeting| (m.heading_rad - normal_rad).sin() / solid.velocity_m_s(m.mode);
    along(sent) + along(received)
}

fn finite(what: &'static str, value: f64) -> Result<()> {
    if value.is_finite() {
        return Ok(());
    }
    Err(WaveError::OutOfRange { what, value, unit: "rad", expected: "finite" })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interface::{free_surface_ss, plane_wave};
    use crate::scatter::{SideDrilledHole, disc_amplitude};
    use std::f64::consts::{FRAC_PI_2, PI, TAU};

    fn steel() -> Solid {
        Solid::new(5920.0, 3255.0, 7850.0).expect("steel")
    }

    fn meeting(mode: Mode, heading_rad: f64) -> Meeting {
        Meeting { mode, heading_rad }
    }

    // Truth: closed form (see the head of this file): 2 cos(tilt)/c for a wave that returns to where it
    // came from, for both kinds and either side of the face, beyond the critical angle too.
    #[test]
    fn a_returning_wave_sees_a_mirror_without_conversion() {
        for mode in [Mode::L, Mode::S] {
            for tilt in [-1.2, -0.4, 0.0, 0.2, 0.7, 1.0, 1.5] {
                for normal in [0.3, 0.3 + PI] {
                    let wave = meeting(mode, 0.3 + PI + tilt);
                    let got = face_coupling(&steel(), normal, wave, wave).expect("a coupling");
                    let want = 2.0 * tilt.cos() / steel().velocity_m_s(mode);
                    // Rounding: the reflected waves cancel each other to a few parts in 1e16 of 1/c.
                    assert!((got - want).norm() < 1e-14 / 3000.0, "{mode:?} {tilt}: {got} {want}");
                }
            }
        }
    }

    // Truth: closed form. In the direction of the mirror the coupling is the plane-wave reflection
    // coefficient: -2 R cos(tilt)/c.
    #[test]
    fn a_mirrored_wave_sees_the_reflection_coefficient() {
        for tilt in [0.1, 0.4, 0.7, 1.1, 1.4] {
            let (sent, received) = (meeting(Mode::S, PI + tilt), meeting(Mode::S, PI - tilt));
            let got = face_coupling(&steel(), 0.0, sent, received).expect("a coupling");
            let want = free_surface_ss(&steel(), tilt) * (-2.0 * tilt.cos() / 3255.0);
            assert!((got - want).norm() < 1e-13 * want.norm(), "{tilt}: {got} {want}");
        }
    }

    // Truth: properties. With water outside the energy that does not come back as S is that which the
    // reverse wave loses by going in: reflected S plus (beyond the critical angle of L) what plane_wave
    // says enters from the water at Snell's angle; a feather-light fluid is none.
    #[test]
    fn water_takes_its_share_of_a_shear_wave() {
        let water = Fluid::new(1482.38, 998.204).expect("water");
        let nothing = Fluid::new(1482.38, 1e-6).expect("hardly a fluid");
        for deg in [5.0_f64, 20.0, 40.0, 45.0, 55.0, 75.0] {
            let angle = deg.to_radians();
            let loaded = surface_ss(&steel(), Some(&water), angle);
            let free = surface_ss(&steel(), None, angle);
            assert!((surface_ss(&steel(), Some(&nothing), angle) - free).norm() < 1e-7);
            if deg > 35.0 {
                let outside = (1482.38 / 3255.0 * angle.sin()).asin();
                let share = plane_wave(&water, &steel(), outside).expect("in range").energy[2];
                // Rounding of the two solutions.
                assert!((loaded.norm_sqr() + share - 1.0).abs() < 1e-12, "{deg}: {loaded} {share}");
            }
            assert!((surface_ss(&steel(), Some(&water), -angle) - loaded).norm() < 1e-13);
        }
        assert!(surface_ss(&steel(), Some(&water), FRAC_PI_2).is_finite());
    }

    // Truth: property (reciprocity of mirrored waves): L to S in the direction of Snell's law equals
    // S to L back. Away from that direction the approximation itself is not reciprocal.
    #[test]
    fn conversion_at_a_mirror_is_the_same_both_ways() {
        let (cl, cs) = (5920.0, 3255.0);
        for tilt_l in [0.2_f64, 0.6, 1.1] {
            let tilt_s = (cs / cl * tilt_l.sin()).asin();
            let l = meeting(Mode::L, PI + tilt_l);
            let s = meeting(Mode::S, PI - tilt_s);
            let there = face_coupling(&steel(), 0.0, l, s).expect("a coupling");
            let back = face_coupling(&steel(), 0.0, s, l).expect("a coupling");
            assert!((there - back).norm() < 1e-13 * there.norm(), "{tilt_l}: {there} {back}");
        }
    }

    // Truth: numerical surface integral of the coupling with both phases over the disc, bistatic and
    // with conversion. 1e-4: midpoint rule on 400 x 400.
    #[test]
    fn a_disc_is_the_integral_over_its_face() {
        let (solid, radius, omega) = (steel(), 1.5e-3, TAU * 5e6);
        let normal: f64 = 0.4;
        for (sent, received) in [
            (meeting(Mode::L, 0.4 + PI + 0.15), meeting(Mode::L, 0.4 + PI + 0.15)),
            (meeting(Mode::L, 0.4 + PI + 0.3), meeting(Mode::L, 0.4 + PI - 0.2)),
            (meeting(Mode::S, 0.4 + PI - 0.5), meeting(Mode::L, 0.4 + PI + 0.6)),
        ] {
            let n = 400;
            let cell = 2.0 * radius / f64::from(n);
            let along = crate::Point::polar(1.0, normal - FRAC_PI_2);
            let phase = |m: Meeting, x: f64| {
                let d = crate::Point::polar(x, m.heading_rad);
                omega / solid.velocity_m_s(m.mode) * (d.x * along.x + d.y * along.y)
            };
            let mut sum = Complex64::ZERO;
            for i in 0..n {
                let x = (f64::from(i) + 0.5) * cell - radius;
                let turn = Complex64::from_polar(1.0, phase(sent, x) + phase(received, x));
                let inside = (0..n)
                    .filter(|&j| {
                        let z = (f64::from(j) + 0.5) * cell - radius;
                        x * x + z * z < radius * radius
                    })
                    .count();
                sum += turn * (inside as f64 * cell * cell);
            }
            let coupling = face_coupling(&solid, normal, sent, received).expect("a coupling");
            let want = Complex64::new(0.0, omega) * coupling * sum;
            let got =
                disc_strength(&solid, Complex64::from(omega), radius, normal, sent, received)
                    .expect("a disc");
            let facing = 2.0 * omega / 5920.0 * PI * radius * radius;
            assert!((got - want).norm() < 1e-4 * facing, "{got} {want}");
        }
    }

    // Truth: closed form (area over wavelength), and the short form with its obliquity added.
    #[test]
    fn a_facing_disc_is_area_over_wavelength() {
        let omega = Complex64::from(TAU * 5e6);
        for tilt in [0.0, 0.1, 0.35] {
            let wave = meeting(Mode::L, PI + tilt);
            let got = disc_strength(&steel(), omega, 1e-3, 0.0, wave, wave).expect("a disc");
            let want = 4.0 * PI * disc_amplitude(1e-3, 1.184e-3, tilt) * tilt.cos();
            assert!((got - Complex64::new(0.0, want)).norm() < 1e-12 * want.abs(), "{got} {want}");
            if tilt == 0.0 {
                // Published: 2.65337 mm.
                assert!((got.norm() / (4.0 * PI) - 2.65337e-3).abs() < 5e-9);
            }
        }
    }

    // Truth: published formula with Struve's function (values computed from it elsewhere): amplitude
    // per length of a side-drilled hole, pulse-echo, by the same coupling summed over the lit half
    // of its wall. The formula's time factor is the other one's conjugate or the same; both moduli
    // and the complex values at k b = 0.5 and 5 are compared.
    #[test]
    fn a_hole_by_kirchhoff_meets_the_struve_form() {
        let solid = steel();
        let at = |kb: f64| {
            let k = TAU * 5e6 / 5920.0;
            let b = kb / k;
            let n = 20_000;
            let step = PI / f64::from(n);
            let sum: Complex64 = (0..n)
                .map(|i| {
                    // Normal within a quarter turn of the direction back to the source (+x).
                    let normal = (f64::from(i) + 0.5) * step - FRAC_PI_2;
                    let wave = meeting(Mode::L, PI);
                    let coupling = face_coupling(&solid, normal, wave, wave).expect("a coupling");
                    let phase = -2.0 * kb * normal.cos();
                    Complex64::new(0.0, TAU * 5e6)
                        * coupling
                        * Complex64::from_polar(b * step, phase)
                })
                .sum();
            sum / (4.0 * PI)
        };
        for (kb, want) in [(0.5, (0.110_013, 0.109_541)), (5.0, (0.108_682, -0.638_032))] {
            // Half a unit of the sixth decimal and the midpoint rule.
            let off = (at(kb) - Complex64::new(want.0, want.1)).norm();
            assert!(off < 2e-6, "{kb}: {} {want:?}", at(kb));
        }
        for (kb, want) in [(1.0, 0.288_407), (2.0, 0.438_113), (3.0, 0.478_259), (10.0, 0.885_159)] {
            assert!((at(kb).norm() - want).abs() < 2e-6, "{kb}: {}", at(kb).norm());
        }
        // Against the exact series at k b = 10: what is left is the creeping wave, 6 % here.
        let k = TAU * 5e6 / 5920.0;
        let exact = SideDrilledHole::new(10.0 / k, &solid, 5e6)
            .expect("a hole")
            .strength(Mode::L, Mode::L, PI)
            .norm()
            / (4.0 * PI);
        assert!((exact / at(10.0).norm() - 1.0).abs() < 0.06, "{exact}");
    }

    // Truth: closed form. A strip is a sinc over its width.
    #[test]
    fn a_strip_is_a_sinc() {
        let omega = Complex64::from(TAU * 5e6);
        let wave = meeting(Mode::S, PI + 0.2);
        let got = strip_strength(&steel(), omega, 1e-3, 0.0, wave, wave).expect("a strip");
        let k = TAU * 5e6 / 3255.0;
        let x = k * 1e-3 * 0.2_f64.sin();
        let want = 2.0 * k * 0.2_f64.cos() * 1e-3 * x.sin() / x;
        assert!((got - Complex64::new(0.0, want)).norm() < 1e-12 * want.abs(), "{got} {want}");
    }

    #[test]
    fn what_means_nothing_is_refused() {
        let omega = Complex64::from(TAU * 5e6);
        let wave = meeting(Mode::L, PI);
        for bad in [0.0, -1e-3, f64::NAN] {
            assert!(disc_strength(&steel(), omega, bad, 0.0, wave, wave).is_err());
            assert!(strip_strength(&steel(), omega, bad, 0.0, wave, wave).is_err());
            let still = Complex64::from(bad);
            assert!(disc_strength(&steel(), still, 1e-3, 0.0, wave, wave).is_err());
        }
        assert!(disc_strength(&steel(), omega, 1e-3, f64::NAN, wave, wave).is_err());
        let lost = meeting(Mode::L, f64::INFINITY);
        assert!(disc_strength(&steel(), omega, 1e-3, 0.0, lost, wave).is_err());
    }
}

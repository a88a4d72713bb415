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
    let [l, s] =
        [Mode::L, Mode::S].map(|mode| Part::leaving(solid.velocity_m_s(mode), mode, along));
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
    let directivity =
        if v.norm() < 1e-4 { 1.0 - v * v / 8.0 } else { 2.0 * bessel_j(v, 1)?.value(1) / v };
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
mod tests;

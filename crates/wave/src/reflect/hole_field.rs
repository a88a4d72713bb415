//! A hole in the field as it is: no plane wave assumed.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::finding::EchoFinding;
use super::one_way::{Sight, middle_hz};
use super::signal::EchoSpectrum;
use crate::error::{Result, positive};
use crate::geometry::Point;
use crate::harmonics::bessel_j;
use crate::scatter::SideDrilledHole;

/// Echo of a side-drilled hole by the angular orders of both fields about its axis: curvature, focusing
/// and the edge of a beam over the hole are in it, whereas [`super::echo`] takes a plane wave.
///
/// The orders are taken from the fields on two circles about the hole, the larger one a quarter of the
/// wavelength (at the middle of the band) outside its wall; both must lie in the steel. Exact but for
/// what goes back and forth between hole and surface. `axial` as for [`super::echo`], in m.
///
/// Received = Σ (-1)^n (4/i) T_n a_n b_-n, a and b the orders of the transmit and receive field, T the
/// hole's: for plane waves it is the strength of [`SideDrilledHole`]. Source: the reciprocity theorem
/// for multipoles (Achenbach 2003, ch. 6).
///
/// # Errors
/// Those of [`super::echo`] for a hole.
pub fn hole_in_its_field(
    sight: &Sight<'_>,
    place: Point,
    radius_m: f64,
    axial: &dyn Fn(f64) -> Complex64,
) -> Result<EchoSpectrum> {
    positive("the radius of the hole", radius_m, "m")?;
    sight.check()?;
    let solid = sight.transmit.solid();
    let frequencies = sight.transmit.frequencies_hz();
    let modes = [sight.transmit_mode, sight.receive_mode];
    let velocities = modes.map(|mode| solid.velocity_m_s(mode));
    let slower = velocities[0].min(velocities[1]);
    let outer = radius_m + slower / middle_hz(frequencies)? / 4.0;
    // Incommensurate enough that no order vanishes on both circles.
    let radii = [outer, 0.8 * outer];
    let top_hz = frequencies.iter().copied().fold(0.0, f64::max);
    // Orders beyond k r + 10 are below 1e-9 and may alias.
    let count = 2 * ((TAU * top_hz / slower * outer).ceil() as usize + 10);
    let angle = |j: usize| TAU * j as f64 / count as f64;
    let places: Vec<Point> = radii
        .iter()
        .flat_map(|&r| (0..count).map(move |j| place + Point::polar(r, angle(j))))
        .collect();
    let fields = sight.fields(&places)?;
    let ratio = sight.receive.source_ratio();
    let mut values = Vec::with_capacity(frequencies.len());
    for (f, (omega, &hz)) in sight.angular().zip(frequencies).enumerate() {
        let hole = SideDrilledHole::damped(radius_m, solid, omega)?;
        let highest = ((omega / slower).norm() * outer) as i32 + 4;
        let mut orders = Vec::with_capacity(2);
        for (side, c) in fields.iter().zip(velocities) {
            let k = omega / c;
            let waves = [
                bessel_j(k * radii[0], highest as usize)?,
                bessel_j(k * radii[1], highest as usize)?,
            ];
            let all: Vec<Complex64> = (-highest..=highest)
                .map(|n| {
                    let sign = if n < 0 && n % 2 != 0 { -1.0 } else { 1.0 };
                    // Least squares of both circles.
                    let (mut up, mut down) = (Complex64::ZERO, 0.0);
                    for (circle, wave) in waves.iter().enumerate() {
                        let j = wave.value(n.unsigned_abs() as usize) * sign;
                        let mean: Complex64 = (0..count)
                            .map(|i| {
                                let turn = Complex64::from_polar(1.0, -f64::from(n) * angle(i));
                                side[circle * count + i][f] * turn
                            })
                            .sum::<Complex64>()
                            / count as f64;
                        up += j.conj() * mean;
                        down += j.norm_sqr();
                    }
                    if down > 0.0 { up / down } else { Complex64::ZERO }
                })
                .collect();
            orders.push(all);
        }
        let heard: Complex64 = (-highest..=highest)
            .map(|n| {
                let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
                let (here, back) = ((n + highest) as usize, (highest - n) as usize);
                hole.order(modes[0], modes[1], n) * orders[0][here] * orders[1][back] * sign
            })
            .sum();
        values.push(heard * Complex64::new(0.0, -4.0) * axial(hz) * ratio);
    }
    let flags = sight.flags(place)?;
    let told = (flags != Default::default()).then_some(EchoFinding::Field(flags));
    EchoSpectrum {
        frequencies_hz: frequencies.to_vec(),
        values,
        damping_1_s: sight.transmit.damping_1_s(),
        findings: told.into_iter().collect(),
    }
    .finite()
}

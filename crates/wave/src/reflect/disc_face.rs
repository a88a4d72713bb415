//! A facing disc that is not small against the beam: the field over its face.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::echo::Reflector;
use super::finding;
use super::one_way::{Sight, middle_hz};
use super::signal::EchoSpectrum;
use crate::error::{Result, positive};
use crate::geometry::Point;

/// Echo of a flat disc by Kirchhoff's integral of both fields over its face, for a wave of about the
/// direction `facing_rad` against the disc's normal; tilt comes from the phase of the fields.
///
/// For discs wider than the beam, or close to the aperture, where [`super::echo`] takes the field at
/// the middle for a plane wave. `axial` is the product of both fields along the bar relative to two
/// dimensions, at a distance from the disc's middle along the bar in m and a frequency in Hz.
///
/// Points across: Gauss and Chebyshev's rule for the chords of a circle, one to the third of the
/// shortest wavelength; along the bar Gauss and Legendre's with five.
///
/// # Errors
/// Those of [`super::echo`] for a disc.
pub fn disc_over_its_face(
    sight: &Sight<'_>,
    middle: Point,
    radius_m: f64,
    facing_rad: f64,
    axial: &dyn Fn(f64, f64) -> Complex64,
) -> Result<EchoSpectrum> {
    positive("the radius of the disc", radius_m, "m")?;
    sight.check()?;
    let frequencies = sight.transmit.frequencies_hz();
    let solid = sight.transmit.solid();
    let [sent_c, heard_c] =
        [sight.transmit_mode, sight.receive_mode].map(|mode| solid.velocity_m_s(mode));
    let top_hz = frequencies.iter().copied().fold(0.0, f64::max);
    let shortest = sent_c.min(heard_c) / top_hz;
    let count = (6.0 * radius_m / shortest).ceil().clamp(3.0, 200.0) as usize | 1;
    // x = b cos t, chord 2 b sin t: ∫ 2 √(b² - x²) g dx = 2 b² Σ π/(n+1) sin² t g.
    let angle = |i: usize| PI * (i as f64 + 1.0) / (count as f64 + 1.0);
    let across = Point::polar(1.0, facing_rad + PI / 2.0);
    let places: Vec<Point> =
        (0..count).map(|i| middle + across * (radius_m * angle(i).cos())).collect();
    let [sent, heard] = sight.fields(&places)?;
    let angular: Vec<Complex64> = sight.angular().collect();
    let ratio = sight.receive.source_ratio();
    let values = angular
        .iter()
        .zip(frequencies)
        .enumerate()
        .map(|(f, (omega, &hz))| {
            // Sent and received along the normal: (1/c + 1/c') iω per area, as for one kind of wave.
            let coupling = Complex64::i() * omega * (1.0 / sent_c + 1.0 / heard_c);
            let sum: Complex64 = (0..count)
                .map(|i| {
                    let sine = angle(i).sin();
                    let share = PI / (count as f64 + 1.0) * sine * sine;
                    sent[i][f] * heard[i][f] * chord_mean(axial, radius_m * sine, hz) * share
                })
                .sum();
            coupling * sum * (2.0 * radius_m * radius_m * ratio)
        })
        .collect();
    let disc = Reflector::Disc { radius_m, normal_rad: facing_rad };
    let mut findings = Vec::new();
    findings.extend(finding::of_size(&disc, sent_c / middle_hz(frequencies)?));
    let flags = sight.flags(middle)?;
    if flags != Default::default() {
        findings.push(finding::EchoFinding::Field(flags));
    }
    EchoSpectrum {
        frequencies_hz: frequencies.to_vec(),
        values,
        damping_1_s: sight.transmit.damping_1_s(),
        findings,
    }
    .finite()
}

/// Mean of the axial factor over ± half a chord.
fn chord_mean(axial: &dyn Fn(f64, f64) -> Complex64, half_m: f64, f_hz: f64) -> Complex64 {
    const GAUSS: [(f64, f64); 5] = [
        (-0.906_179_845_938_664, 0.118_463_442_528_094_5),
        (-0.538_469_310_105_683_1, 0.239_314_335_249_683_2),
        (0.0, 0.284_444_444_444_444_4),
        (0.538_469_310_105_683_1, 0.239_314_335_249_683_2),
        (0.906_179_845_938_664, 0.118_463_442_528_094_5),
    ];
    GAUSS.iter().map(|(x, weight)| axial(x * half_m, f_hz) * *weight).sum()
}

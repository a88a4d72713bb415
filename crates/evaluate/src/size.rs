//! Sizes: the equivalent reflector from a height, and a length from the 6 dB drop.

use barwright_job::{Rules, proof::FlawClass, technique::Sensitivity};

use crate::reading::db;

/// Equivalent size in metres of an echo on gain against depth: the disc's diameter goes with the
/// root of the height (area), the crack's depth with the height itself (corner effect, cracks up
/// to about a wavelength).
///
/// Source: distance-gain-size, Krautkrämer & Krautkrämer, *Ultrasonic Testing of Materials* (4th
/// ed. 1990); the technique's gain curve takes the distance out.
#[must_use]
pub fn equivalent_m(class: FlawClass, sensitivity: &Sensitivity, height_fsh: f64) -> f64 {
    let ratio = height_fsh / sensitivity.target_fsh;
    match class {
        FlawClass::Disc => sensitivity.disc_diameter_m * ratio.max(0.0).sqrt(),
        FlawClass::Crack => sensitivity.crack_depth_m.unwrap_or(0.0) * ratio,
    }
}

/// Standard uncertainty of a height in dB, from three independent parts:
/// the accepted band of the level (rectangular); the scatter of echoes corrected for the flaw's place in
/// their beams or, for the highest echo alone, a reflector between two beams or two shots (up to 3 dB
/// lower, rectangular); and noise of the given height added at random phase.
#[must_use]
pub fn uncertainty_db(
    rules: &Rules,
    height_fsh: f64,
    noise_fsh: f64,
    scatter_db: Option<f64>,
) -> f64 {
    let level = &rules.level;
    let band = db(level.high_fsh_percent / level.low_fsh_percent) / 12f64.sqrt();
    let between = scatter_db.unwrap_or(3.0 / 12f64.sqrt());
    let noise = db(1.0 + noise_fsh / height_fsh.max(1e-9)) / 2f64.sqrt();
    (band * band + between * between + noise * noise).sqrt()
}

/// Length of a flaw whose echo stays within 6 dB of its peak over `seen_m`, for a beam whose
/// pulse-echo width along the bar is `beam_m` at -6 dB, in metres; zero where the flaw is not
/// longer than the beam can tell.
///
/// The echo of a flaw of length L is taken as the part of a Gaussian beam that falls on it; the
/// relation between seen width and length is inverted by bisection. A flaw longer than twice the
/// beam is as long as it seems.
#[must_use]
pub fn length_m(seen_m: f64, beam_m: f64) -> f64 {
    if beam_m <= 0.0 {
        return seen_m.max(0.0);
    }
    let ratio = seen_m / beam_m;
    if ratio.is_nan() || ratio <= 1.0 {
        return 0.0;
    }
    if ratio > 3.0 {
        return seen_m;
    }
    let (mut low, mut high) = (0.0, ratio);
    for _ in 0..48 {
        let middle = 0.5 * (low + high);
        if seen_width(middle) < ratio {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high) * beam_m
}

/// Standard uncertainty in metres of a length told from the 6 dB drop: each end lies somewhere
/// between two shots (rectangular over half the spacing, as the fall is interpolated), and the beam's
/// width is known to a tenth.
#[must_use]
pub fn length_uncertainty_m(spacing_m: f64, beam_m: f64) -> f64 {
    let end = 0.5 * spacing_m / 12f64.sqrt();
    (2.0 * end * end + (0.1 * beam_m).powi(2)).sqrt()
}

/// Full width at half height of a line of length `l` seen by a Gaussian beam of width one.
fn seen_width(l: f64) -> f64 {
    // exp(-z²/2s²) is one half at z = 1/2.
    let s = 0.5 / (2.0 * 2f64.ln()).sqrt();
    let echo = |z: f64| {
        if l < 1e-6 {
            (-0.5 * (z / s).powi(2)).exp()
        } else {
            let at = |x: f64| erf(x / (s * 2f64.sqrt()));
            at(z + l / 2.0) - at(z - l / 2.0)
        }
    };
    let half = 0.5 * echo(0.0);
    let (mut low, mut high) = (0.0, l / 2.0 + 2.0);
    for _ in 0..48 {
        let middle = 0.5 * (low + high);
        if echo(middle) > half {
            low = middle;
        } else {
            high = middle;
        }
    }
    low + high
}

/// Error function to 1.5e-7. Source: Abramowitz & Stegun, *Handbook of Mathematical Functions*,
/// 7.1.26.
fn erf(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736
                + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    (1.0 - poly * (-x * x).exp()).copysign(x)
}

/// Where a profile of heights over z (ordered) falls to half of its outermost peak that reaches
/// `alarm_fsh` and a quarter of the largest one, on both sides, in metres. Absent for a profile
/// without such a peak.
///
/// Between shots: straight lines over decibels for the flanks of a peak, which fall like the beam;
/// straight lines over heights for the ends of a plateau (three shots or more within 6 dB), which
/// fall like its sum. Where no further shot exists, the last one's place.
#[must_use]
pub fn drop_ends_m(profile: &[(f64, f64)], alarm_fsh: f64) -> Option<(f64, f64)> {
    let largest = profile.iter().map(|p| p.1).fold(0.0, f64::max);
    let counts = |i: usize| {
        let h = profile[i].1;
        let over = |j: Option<usize>| j.and_then(|j| profile.get(j)).is_none_or(|p| p.1 <= h);
        h > 0.0
            && h >= alarm_fsh
            && h >= 0.25 * largest
            && over(i.checked_sub(1))
            && over(Some(i + 1))
    };
    let first = (0..profile.len()).find(|&i| counts(i))?;
    let last = (0..profile.len()).rfind(|&i| counts(i))?;
    let plateau = profile.iter().filter(|p| p.1 >= 0.5 * largest).count() >= 3;
    let from = fall(profile[..=first].iter().rev().copied(), plateau);
    let to = fall(profile[last..].iter().copied(), plateau);
    Some((from?, to?))
}

/// Place where a run of points, starting at a peak, falls to half of it.
fn fall(mut points: impl Iterator<Item = (f64, f64)>, plateau: bool) -> Option<f64> {
    let (mut z, mut h) = points.next()?;
    let half = 0.5 * h;
    for (next_z, next_h) in points {
        if next_h <= half {
            let part = if plateau || next_h <= 0.0 {
                (h - half) / (h - next_h)
            } else {
                (h / half).ln() / (h / next_h).ln()
            };
            return Some(z + (next_z - z) * part);
        }
        (z, h) = (next_z, next_h);
    }
    Some(z)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form, the limits of a point and of a long line.
    #[test]
    fn a_point_has_no_length_and_a_long_line_keeps_its_own() {
        assert!((seen_width(0.0) - 1.0).abs() < 1e-9);
        // 1e-5: tail of the Gaussian at four half widths.
        assert!((seen_width(4.0) - 4.0).abs() < 1e-5);
        assert_eq!(length_m(0.008, 0.009), 0.0);
        assert_eq!(length_m(0.040, 0.009), 0.040);
    }

    proptest::proptest! {
        // Truth: round trip through the model that is inverted.
        #[test]
        fn the_length_comes_back(l in 0.2..2.8f64, beam in 0.003..0.02f64) {
            let seen = seen_width(l) * beam;
            // 1e-3: flat where the flaw is much shorter than the beam.
            proptest::prop_assert!((length_m(seen, beam) - l * beam).abs() < 1e-3 * beam);
        }

        #[test]
        fn a_longer_echo_is_a_longer_flaw(a in 0.0..0.05f64, b in 0.0..0.05f64) {
            let (a, b) = (a.min(b), a.max(b));
            proptest::prop_assert!(length_m(a, 0.01) <= length_m(b, 0.01) + 1e-12);
        }
    }

    // Truth: by hand.
    #[test]
    fn ends_lie_where_the_echo_has_fallen_by_half() {
        let profile = [(0.0, 0.0), (1.0, 0.8), (2.0, 0.6), (3.0, 0.8), (4.0, 0.0)];
        assert_eq!(drop_ends_m(&profile, 0.4), Some((0.5, 3.5)));
        assert_eq!(drop_ends_m(&[(2.0, 0.8)], 0.4), Some((2.0, 2.0)));
        assert_eq!(drop_ends_m(&[(2.0, 0.3)], 0.4), None);
        assert_eq!(drop_ends_m(&[], 0.4), None);
    }
}

//! Pulse-echo response along the bar for a whole pulse, and how wide it is.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::AxialPaths;
use super::strip::{Spread, Strip, checked_spread};
use crate::error::{Result, positive};
use crate::pulse::Pulse;

/// Half the number of lines at which the spectrum is taken, a third of a standard deviation apart,
/// out to four of them (3e-4 of the peak there).
const LINES: i32 = 12;
const STEP_SIGMAS: f64 = 1.0 / 3.0;
/// Samples of the envelope per standard deviation of the pulse.
const SAMPLES: f64 = 4.0;

/// Peak of the envelope of the echo of a small reflector `z_m` along the bar from the middle of a
/// strip, relative to the echo for a strip without end: the pulse-echo response along the bar.
///
/// The square of [`Strip::factor`] over the spectrum of the pulse, with everything else (reflector,
/// field of the section) independent of frequency. Expects a strip, spread and pulse that mean
/// something; zero for a strip of length zero.
#[must_use]
pub fn two_way_peak(strip: &Strip, spread: &Spread, pulse: &Pulse, z_m: f64) -> f64 {
    peak_of(&|f| strip.factor(z_m, spread, f), between(strip, z_m, |z| spread.delay_s(z)), pulse)
}

/// Width in m along the bar over which the pulse-echo response [`two_way_peak`] stays within `drop_db`
/// (positive) of its largest value anywhere, counted from the axis outwards to the first place that
/// does not.
///
/// Ripples of the near field that pass the threshold again further out do not widen the beam, so
/// that pulse spacings derived from it err to the safe side; where the axis itself lies below the
/// threshold the width is zero.
///
/// # Errors
/// [`crate::WaveError::OutOfRange`] for a strip, spread or drop that is not finite and positive.
pub fn axial_width_m(strip: &Strip, spread: &Spread, pulse: &Pulse, drop_db: f64) -> Result<f64> {
    let strip = strip.checked()?;
    checked_spread(spread)?;
    positive("the drop", drop_db, "dB")?;
    Ok(width_of(
        &|z| two_way_peak(&strip, spread, pulse, z),
        scan(&strip, spread.path_m * spread.wavelength_m(pulse.centre_hz)),
        drop_db,
    ))
}

impl AxialPaths {
    /// [`two_way_peak`] by three-dimensional paths.
    ///
    /// # Errors
    /// Those of [`Self::factor`].
    pub fn two_way_peak(&self, strip: &Strip, pulse: &Pulse, z_m: f64) -> Result<f64> {
        // What cannot be answered at one frequency cannot at any.
        self.factor(strip, z_m, pulse.centre_hz)?;
        let late = |z: f64| self.late_s(z).unwrap_or(f64::INFINITY);
        let factor = |f: f64| self.factor(strip, z_m, f).unwrap_or(Complex64::ZERO);
        Ok(peak_of(&factor, between(strip, z_m, late), pulse))
    }

    /// [`axial_width_m`] by three-dimensional paths, as far as they reach.
    ///
    /// # Errors
    /// Those of [`Self::factor`]; [`crate::WaveError::OutOfRange`] for a drop that is not positive.
    pub fn axial_width_m(&self, strip: &Strip, pulse: &Pulse, drop_db: f64) -> Result<f64> {
        positive("the drop", drop_db, "dB")?;
        self.factor(strip, 0.0, pulse.centre_hz)?;
        let (step, far) = scan(strip, self.spread_m2(pulse.centre_hz));
        let far = far.min(self.reach_m() - strip.length_m / 2.0);
        let level = |z: f64| self.two_way_peak(strip, pulse, z).unwrap_or(0.0);
        Ok(width_of(&level, (step, far), drop_db))
    }
}

/// First and last arrival in s of sound from a strip, there and back, given that of a point.
fn between(strip: &Strip, z_m: f64, late_s: impl Fn(f64) -> f64) -> (f64, f64) {
    let half = strip.length_m / 2.0;
    (2.0 * late_s((z_m.abs() - half).max(0.0)), 2.0 * late_s(z_m.abs() + half))
}

/// Largest envelope of the square of a factor over the spectrum of a pulse, looked for between two
/// arrivals.
fn peak_of(factor: &dyn Fn(f64) -> Complex64, (first, last): (f64, f64), pulse: &Pulse) -> f64 {
    let step_hz = STEP_SIGMAS * pulse.sigma_hz();
    // A record no longer than the lines tell apart; the rest of a very long edge wave is too weak.
    let last = last.min(first + 1.0 / step_hz - 4.0 * pulse.sigma_s());
    let lines: Vec<Complex64> = (-LINES..=LINES)
        .map(|k| pulse.centre_hz + f64::from(k) * step_hz)
        .filter(|f| *f > 0.0)
        .map(|f| {
            let one = factor(f);
            one * one * Complex64::from_polar(pulse.spectrum(f), -2.0 * PI * f * first)
        })
        .collect();
    let scale = STEP_SIGMAS / (2.0 * PI).sqrt();
    let at = |t: f64| {
        let turn = Complex64::from_polar(1.0, -2.0 * PI * step_hz * t);
        lines.iter().rev().fold(Complex64::ZERO, |sum, z| sum * turn + z).norm() * scale
    };
    let step = pulse.sigma_s() / SAMPLES;
    let count = ((last - first) / step).ceil() as i32 + 8;
    let samples: Vec<f64> = (-4..count).map(|i| at(f64::from(i) * step)).collect();
    let top = samples.iter().enumerate().fold(0, |b, (i, s)| if *s > samples[b] { i } else { b });
    if top == 0 || top + 1 == samples.len() {
        return samples[top];
    }
    // Parabola through three samples.
    let (l, c, r) = (samples[top - 1], samples[top], samples[top + 1]);
    let bend = l - 2.0 * c + r;
    if bend < 0.0 { c - (l - r) * (l - r) / (8.0 * bend) } else { c }
}

/// Step and end of a scan along the bar, in m; `spread_m2` is wavelength times way.
fn scan(strip: &Strip, spread_m2: f64) -> (f64, f64) {
    // Finer than the ripple of the near field and than the lobe of the far field or of a focus.
    let (fresnel, lobe) = (spread_m2.sqrt(), spread_m2 / strip.length_m);
    let step = fresnel.min(strip.length_m).min(lobe) / 16.0;
    // From half a length and a few lobes on the response only falls.
    (step, strip.length_m / 2.0 + 4.0 * fresnel.min(lobe) + 2.0 * lobe)
}

fn width_of(level: &dyn Fn(f64) -> f64, (step, far): (f64, f64), drop_db: f64) -> f64 {
    let count = ((far / step).floor().max(1.0) as usize).min(4096);
    let levels: Vec<f64> = (0..=count).map(|i| level(i as f64 * step)).collect();
    let highest = levels.iter().copied().fold(0.0, f64::max);
    let threshold = highest * 10f64.powf(-drop_db / 20.0);
    let Some(out) = levels.iter().position(|l| *l < threshold) else {
        return 2.0 * count as f64 * step;
    };
    if out == 0 {
        return 0.0;
    }
    let (mut inner, mut outer) = ((out - 1) as f64 * step, out as f64 * step);
    for _ in 0..30 {
        let middle = 0.5 * (inner + outer);
        if level(middle) >= threshold {
            inner = middle;
        } else {
            outer = middle;
        }
    }
    inner + outer
}

#[cfg(test)]
mod tests {
    use super::*;

    const C: f64 = 1482.0;

    fn pulse(bandwidth: f64) -> Pulse {
        Pulse::new(5e6, bandwidth).expect("a pulse")
    }

    fn water(path_m: f64) -> Spread {
        Spread { path_m, velocity_m_s: C }
    }

    // Truth: closed form. A narrow band is one frequency.
    #[test]
    fn a_narrow_band_is_one_frequency() {
        let strip = Strip { length_m: 0.012, focus_m: Some(0.2) };
        for z in [0.0, 0.002, 0.005] {
            let one = strip.factor(z, &water(0.12), 5e6).norm_sqr();
            let got = two_way_peak(&strip, &water(0.12), &pulse(0.01), z);
            // 1 % of bandwidth moves the ripples by as much; seen 1e-3.
            assert!((got / one - 1.0).abs() < 5e-3, "{z}: {got} {one}");
        }
    }

    // Truth: independent computation (pulses from every pair of points of the strip, in time).
    #[test]
    fn the_spectrum_meets_a_sum_of_pulses() {
        let (strip, pulse) = (Strip::straight(0.012), pulse(0.6));
        let spread = water(0.08);
        for z in [0.0, 0.0025, 0.006, 0.009] {
            // One way as a sum of pulses: the convolution with itself is the square of the spectrum.
            let n = 600;
            let part = strip.length_m / f64::from(n);
            let ways: Vec<f64> =
                (0..n).map(|i| spread.delay_s(z - ((f64::from(i) + 0.5) * part - 0.006))).collect();
            let df = 1e5;
            let lines: Vec<(f64, Complex64)> = (10..100)
                .map(|k| {
                    let f = f64::from(k) * df;
                    let sum: Complex64 =
                        ways.iter().map(|t| Complex64::from_polar(1.0, 2.0 * PI * f * t)).sum();
                    let lambda = C / f;
                    let one = sum * part / (lambda * spread.path_m).sqrt()
                        * Complex64::from_polar(1.0, -PI / 4.0);
                    (f, one * one * pulse.spectrum(f))
                })
                .collect();
            let scale = df / (pulse.sigma_hz() * (2.0 * PI).sqrt());
            let peak = (-100..400)
                .map(|i| {
                    let t = f64::from(i) * 5e-9;
                    let sum: Complex64 = lines
                        .iter()
                        .map(|(f, z)| z * Complex64::from_polar(1.0, -2.0 * PI * f * t))
                        .sum();
                    sum.norm() * scale
                })
                .fold(0.0, f64::max);
            let got = two_way_peak(&strip, &spread, &pulse, z);
            // 3e-3: four samples to a standard deviation and the parabola between them.
            assert!((got / peak - 1.0).abs() < 3e-3, "{z}: {got} {peak}");
        }
    }

    // Truth: closed form. In the far field and in a focus along the bar the strip is a sinc: there
    // and back -6 dB (half) at 0.44295 λs/L, -20 dB at 0.73803 λs/L, at one frequency.
    #[test]
    fn far_field_and_focus_are_those_of_a_sinc() {
        let narrow = pulse(0.01);
        let lambda = C / 5e6;
        for (strip, path) in
            [(Strip::straight(0.01), 6.0), (Strip { length_m: 0.012, focus_m: Some(0.09) }, 0.09)]
        {
            let lobe = lambda * path / strip.length_m;
            for (drop_db, half) in [(20.0 * 2f64.log10(), 0.442_95), (20.0, 0.738_03)] {
                let width = axial_width_m(&strip, &water(path), &narrow, drop_db).expect("a width");
                // The far field is 18 near fields away (3e-3); 1 % of bandwidth.
                assert!((width / (2.0 * half * lobe) - 1.0).abs() < 4e-3, "{width} {lobe}");
            }
        }
    }

    #[test]
    fn widths_behave() {
        let width = |length: f64, path: f64, drop: f64| {
            axial_width_m(&Strip::straight(length), &water(path), &pulse(0.6), drop)
        };
        let of = |l, s, d| width(l, s, d).expect("a width");
        assert!(of(0.012, 0.03, 6.0) > of(0.006, 0.03, 6.0), "longer is wider near");
        assert!(of(0.012, 3.0, 6.0) < of(0.006, 3.0, 6.0), "and narrower far");
        assert!(of(0.012, 0.2, 20.0) > of(0.012, 0.2, 6.0));
        assert!(width(0.0, 0.1, 6.0).is_err() && width(0.01, 0.1, 0.0).is_err());
        assert!(width(0.01, f64::NAN, 6.0).is_err() && width(0.01, -0.1, 6.0).is_err());
    }
}

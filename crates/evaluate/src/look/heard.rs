//! The pulse as it comes back from a place: what a picture can resolve follows from it.

use num_complex::Complex32;
use rustfft::FftPlanner;

use barwright_wave::pulse::Pulse;

use super::Records;

/// Time on each side of an echo that is taken, in periods of the stated frequency; at its ends it is faded out.
const PERIODS: f64 = 8.0;
/// Room for its spectrum.
const LENGTH: usize = 4096;

/// The pulse as it comes back from a place: the sum of all pairs, each from the time at which it hears the place. Centre and width
/// are those of its spectrum at -6 dB, looked for between a quarter and twice of what the array is said to have.
///
/// `times_s`: for each live element the time to the place, on the way out and on the way back. None where nothing is heard.
#[must_use]
pub fn heard_pulse(
    records: &Records,
    times_s: [&[Option<f64>]; 2],
    stated_hz: f64,
) -> Option<Pulse> {
    let half = ((PERIODS / stated_hz * records.rate_hz) as usize).clamp(8, LENGTH / 2 - 1);
    let mut echo = vec![Complex32::new(0.0, 0.0); LENGTH];
    for k in 0..records.live.len() {
        for l in k..records.live.len() {
            let (Some(out), Some(back)) = (times_s[0][k], times_s[1][l]) else { continue };
            let record = records.pair(k, l);
            let middle = ((out + back - records.first_s) * records.rate_hz).round();
            for (j, sum) in echo.iter_mut().take(2 * half + 1).enumerate() {
                let at = middle + j as f64 - half as f64;
                if at >= 0.0 && (at as usize) < record.len() {
                    *sum += record[at as usize];
                }
            }
        }
    }
    for (j, sum) in echo.iter_mut().take(2 * half + 1).enumerate() {
        let far = (j as f64 - half as f64) / half as f64;
        *sum *= (0.5 + 0.5 * (std::f64::consts::PI * far).cos()) as f32;
    }
    FftPlanner::new().plan_fft_forward(LENGTH).process(&mut echo);
    let power: Vec<f64> = echo.iter().take(LENGTH / 2).map(|x| f64::from(x.norm_sqr())).collect();
    let bin_hz = records.rate_hz / LENGTH as f64;
    let low = ((0.25 * stated_hz / bin_hz) as usize).min(power.len());
    let high = ((2.0 * stated_hz / bin_hz) as usize).min(power.len());
    let top = (low..high).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
    let least = 0.25 * power[top];
    if least <= 0.0 {
        return None;
    }
    // Between bins by a straight line.
    let share = |inside: usize, outside: usize| {
        (power[inside] - least) / (power[inside] - power[outside]).max(f64::MIN_POSITIVE)
    };
    let from = (low..=top).rev().take_while(|k| power[*k] >= least).last()?;
    let to = (top..high).take_while(|k| power[*k] >= least).last()?;
    let below = from as f64 - if from > 0 { share(from, from - 1) } else { 0.0 };
    let above = to as f64 + if to + 1 < power.len() { share(to, to + 1) } else { 0.0 };
    let centre_hz = (below + above) / 2.0 * bin_hz;
    Pulse::new(centre_hz, (above - below) * bin_hz / centre_hz).ok()
}

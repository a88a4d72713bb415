//! A levelled station with a noise that stands so far below the level target.

use barwright_job::Sealed;
use barwright_job::level::Level;
use barwright_twin::{StationFaults, VirtualStation};
use serde::Serialize;

use super::super::job::Job;
use crate::failure::Failure;

/// Passes of the reference bar for each of the two levels, as in the demo.
const PASSES: u16 = 2;
/// How near the ratio must come, in dB. The highest of so many peaks scatters by some tenths of a decibel
/// from one noise to the next, and every level has a noise of its own: sometimes only the second is reached.
const NEAR_DB: f64 = 0.5;
const FAR_DB: f64 = 1.0;
/// Trials: the peak goes with the rms, so that the second one is near already.
const TRIALS: usize = 6;

/// Noise of a station.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Noise {
    /// Electrical noise after all gains, rms in percent of full screen height.
    pub rms_fsh_percent: f64,
    /// The noise as the check has it: the highest peak in any flaw gate on the plain stretches of the
    /// reference bar, over all passes, as a fraction of full screen height.
    pub peak_fsh: f64,
    /// Level target over that peak in dB.
    pub target_over_noise_db: f64,
}

/// The station with its noise set, levelled twice. Without a wish the noise stays and is measured.
///
/// The noise is set by trial: level, run the check, read its noise, scale, until the ratio is within 0.5 dB; of
/// trials that all miss that, the nearest one within 1 dB is taken.
///
/// # Errors
/// A ratio that is not reached because something else than noise stands in the gates; whatever levelling or
/// the check cannot answer.
pub fn station(
    job: &Job,
    faults: &StationFaults,
    seed: u64,
    wanted_db: Option<f64>,
) -> Result<(VirtualStation, Sealed<Level>, Noise), Failure> {
    let target_fsh = job.technique.body.sensitivity.target_fsh;
    let mut faults = faults.clone();
    let mut nearest: Option<(f64, VirtualStation, Sealed<Level>, Noise)> = None;
    for _ in 0..TRIALS {
        let station = VirtualStation::new(&job.technique, &faults, seed)?;
        let level = job.level_twice(&station, PASSES)?;
        let peak_fsh = job.check(&station, &level)?.body.noise_fsh;
        let ratio_db = 20.0 * (target_fsh / peak_fsh.max(f64::MIN_POSITIVE)).log10();
        let noise = Noise {
            rms_fsh_percent: faults.noise_fsh_percent,
            peak_fsh,
            target_over_noise_db: ratio_db,
        };
        let off_db = wanted_db.map_or(0.0, |wanted| ratio_db - wanted);
        if off_db.abs() <= NEAR_DB {
            return Ok((station, level, noise));
        }
        if nearest.as_ref().is_none_or(|n| off_db.abs() < n.0) {
            nearest = Some((off_db.abs(), station, level, noise));
        }
        faults.noise_fsh_percent =
            (faults.noise_fsh_percent * 10f64.powf(off_db / 20.0)).clamp(1e-4, 100.0);
    }
    let reached = nearest.as_ref().map_or(0.0, |n| n.3.target_over_noise_db);
    if let Some((_, station, level, noise)) = nearest.filter(|n| n.0 <= FAR_DB) {
        return Ok((station, level, noise));
    }
    Err(Failure::new(format!(
        "the level target stands {:.1} dB over the noise after {TRIALS} trials, {:.1} dB were asked for",
        reached,
        wanted_db.unwrap_or(0.0)
    ))
    .hint(Some("ask for more noise (fewer dB): the bar's own echoes stand in the gates".into())))
}

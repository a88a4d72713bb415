//! Captures of the virtual station, stored in a job folder under a name.

use barwright_capture::{CaptureWriter, Shots};
use barwright_job::level::Level;
use barwright_job::reference::ReferenceBar;
use barwright_job::{Hash, Sealed};
use barwright_twin::{Capture, SceneBar, VirtualStation};
use barwright_web::{JobFolder, files};

use crate::failure::Failure;

/// A reference bar through its motion list, `passes` times; with the gains of a level, or those
/// of the technique.
pub fn reference(
    job: &JobFolder,
    station: &VirtualStation,
    reference: &Sealed<ReferenceBar>,
    level: Option<&Sealed<Level>>,
    passes: u16,
    name: &str,
) -> Result<Hash, Failure> {
    let gains: Vec<f64> = match level {
        Some(level) => gains(level),
        None => job.technique()?.body.beams.iter().map(|b| b.gain_db).collect(),
    };
    let loaded = level.map(|l| l.hash.clone());
    store(job, name, station.reference_capture(reference, &gains, loaded, passes, name)?)
}

/// The reference bar at line speed, as often as the rules ask unless told otherwise; with the level
/// of the job folder. Returns the number of passes, too.
pub fn check(
    job: &JobFolder,
    station: &VirtualStation,
    passes: Option<u16>,
    name: &str,
) -> Result<(Hash, u16), Failure> {
    let level = job.level()?;
    let asked = u16::try_from(job.rules()?.check.passes).unwrap_or(u16::MAX);
    let passes = passes.unwrap_or(asked);
    let speed = job.technique()?.body.line_speed_m_s;
    let loaded = Some(level.hash.clone());
    let capture =
        station.check_capture(&job.reference()?, &gains(&level), loaded, passes, speed, name)?;
    Ok((store(job, name, capture)?, passes))
}

/// A bar of the order at line speed, with the level of the job folder; named like the bar.
pub fn bar(job: &JobFolder, station: &VirtualStation, bar: &SceneBar) -> Result<Hash, Failure> {
    let (order, level) = (job.order()?, job.level()?);
    let length_m = order.bars.length_mm / 1e3;
    let loaded = Some(level.hash.clone());
    let capture = station.bar_capture(bar, &order.order.heat, length_m, &gains(&level), loaded)?;
    store(job, &bar.name, capture)
}

fn gains(level: &Sealed<Level>) -> Vec<f64> {
    level.body.beams.iter().map(|b| b.gain_db).collect()
}

fn store(job: &JobFolder, name: &str, capture: Capture<'_>) -> Result<Hash, Failure> {
    let path = job.capture_path(name);
    files::make_room(&path)?;
    let mut writer = CaptureWriter::create(&path, capture.header())?;
    capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(writer.write(&shots)?) })?;
    Ok(writer.finish()?)
}

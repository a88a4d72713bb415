//! What the exact engine refuses, with the numbers: requests that could not be held in memory or
//! in a float.

use crate::error::{Result, WaveError};

use super::map::MapGrid;

/// Most points of a map: half a gigabyte of peaks.
const MAP_POINTS: f64 = 67_108_864.0;
/// Most frequencies × angles: half a gigabyte for the spectra of one ring, per thread.
const MAP_RING: f64 = 67_108_864.0;
/// Most rings × angles × times: about ten minutes on one core.
const MAP_VALUES: f64 = 1.1e11;
/// Most frequencies × orders of a band: three gigabytes of modal solutions.
const BAND_ORDERS: f64 = 4e7;
/// Sizes of a bar in wave lengths over 2π: below, all orders but the lowest two vanish; above, the
/// plate of a ship would be a bar.
const SMALLEST: f64 = 1e-6;
const LARGEST: f64 = 1e5;
/// Longest record in samples, and longest transform.
const SAMPLES: f64 = 67_108_864.0;
/// Largest size of a factor, so that products of several stay inside a float.
const SIZE: f64 = 1e100;
/// Largest exponent of a damped signal's growth: e^300 is 1e130.
const GROWTH: f64 = 300.0;

fn at_most(
    what: &'static str,
    value: f64,
    most: f64,
    unit: &'static str,
    expected: &'static str,
) -> Result<()> {
    // Written so that NaN is refused.
    if value <= most { Ok(()) } else { Err(WaveError::OutOfRange { what, value, unit, expected }) }
}

/// Refuses maps beyond the limits documented at [`MapGrid`].
pub(super) fn check_map(grid: &MapGrid, frequencies: usize) -> Result<()> {
    let [rings, wanted, angles, times, frequencies] =
        [grid.radii_m.len(), grid.sector.1, grid.angles, grid.times, frequencies]
            .map(|count| count as f64);
    let points = "at most 67 108 864: fewer rings or a smaller sector";
    at_most("rings times angles of the map", rings * wanted, MAP_POINTS, "", points)?;
    let ring = "at most 67 108 864: fewer angles or a wider frequency step";
    at_most("frequencies times angles of the map", frequencies * angles, MAP_RING, "", ring)?;
    let values = "at most 1.1e11: fewer rings, angles or times";
    at_most(
        "rings times angles times times of the map",
        rings * angles * times,
        MAP_VALUES,
        "",
        values,
    )
}

/// Refuses a place outside the bar.
pub(super) fn check_inside(distance_m: f64, radius_m: f64) -> Result<()> {
    // A point computed to lie on the surface may miss it by rounding.
    if (0.0..=radius_m * (1.0 + 1e-9)).contains(&distance_m) {
        return Ok(());
    }
    Err(WaveError::OutOfRange {
        what: "the distance of a point from the bar's axis",
        value: distance_m,
        unit: "m",
        expected: "between zero and the bar's radius",
    })
}

/// Refuses bands whose solutions could not be held or solved.
pub(super) fn check_band(
    frequencies: usize,
    size_parameter: f64,
    highest_order: usize,
) -> Result<()> {
    if !(SMALLEST..=LARGEST).contains(&size_parameter) {
        return Err(WaveError::OutOfRange {
            what: "the wave number in water times the bar's radius",
            value: size_parameter,
            unit: "",
            expected: "between 1e-6 and 1e5",
        });
    }
    at_most(
        "frequencies times orders of the band",
        frequencies as f64 * highest_order as f64,
        BAND_ORDERS,
        "",
        "at most 4e7: a wider frequency step, lower frequencies or a thinner bar",
    )
}

/// Refuses factors whose products could leave the range of a float.
pub(super) fn check_size(what: &'static str, value: f64, unit: &'static str) -> Result<()> {
    if value.abs() <= SIZE {
        return Ok(());
    }
    Err(WaveError::OutOfRange { what, value, unit, expected: "finite and at most 1e100 in size" })
}

/// Refuses times whose phase would mean nothing.
pub(super) fn check_time(what: &'static str, time_s: f64) -> Result<()> {
    if time_s.abs() <= 1.0 {
        return Ok(());
    }
    Err(WaveError::OutOfRange { what, value: time_s, unit: "s", expected: "between -1 and 1" })
}

/// Refuses records that could not be held.
pub(super) fn check_samples(what: &'static str, samples: f64) -> Result<()> {
    at_most(what, samples, SAMPLES, "", "at most 67 108 864: a lower rate or fewer samples")
}

/// Refuses damped records that grow beyond the range of a float.
pub(super) fn check_growth(damping_1_s: f64, time_s: f64) -> Result<()> {
    at_most(
        "the damping times a delay or the end of the record",
        damping_1_s * time_s.abs(),
        GROWTH,
        "Np",
        "at most 300: less damping or a shorter time",
    )
}

//! Each kernel against the processors, on a device; without one these tests say so and end.

use barwright_wave::array::arc;
use barwright_wave::cylinder::batch::{
    BarBand, FieldEngine, MapBatch, MapItem, Processors, RingShares, Wanted,
};
use barwright_wave::cylinder::{Attenuation, Drive, LineArray, ModalSolution, Passage};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, TAU};

use crate::device::Device;
use crate::error::DeviceError;
use crate::launch::CirclesSize;
use crate::senders::{Side, scale};
use crate::shape::Shape;
use crate::tables::Extent;

fn device() -> Option<Device> {
    match Device::open() {
        Ok(device) => Some(device),
        Err(
            e @ (DeviceError::NoDriver | DeviceError::NoDevice | DeviceError::NoCompiler { .. }),
        ) => {
            eprintln!("SKIPPED: {e}");
            None
        }
        Err(e) => panic!("a device that does not work: {e}"),
    }
}

fn bar(radius_m: f64, loss_np_m: f64, frequencies: usize) -> BarBand {
    let loss = Attenuation { longitudinal_np_m: loss_np_m, shear_np_m: 2.0 * loss_np_m };
    BarBand {
        radius_m,
        solid: Solid::new(5900.0, 3230.0, 7800.0).expect("steel"),
        fluid: Fluid::new(1480.0, 1000.0).expect("water"),
        attenuation: if loss_np_m > 0.0 { vec![loss; frequencies] } else { Vec::new() },
    }
}

fn array(face_m: f64, elements: usize) -> LineArray {
    let elements = arc(face_m, FRAC_PI_2, elements, 0.8e-3, 0.7e-3, 0.01);
    LineArray::new(&elements, 3, Point::default(), Some(face_m)).expect("an array")
}

fn steered(elements: usize, slope: f64) -> Drive {
    let delays: Vec<f64> = (0..elements).map(|e| slope * e as f64).collect();
    Drive::new(&(0..elements).collect::<Vec<_>>(), &delays).expect("a drive")
}

/// Ladders, boundary equations and radial functions: `l_n J_n(k r)` of each order below ka, where neither
/// side scales anything. Truth: own code in double precision. Tolerance: single precision of the radial
/// table, 2e-7 of each value, and 1e-9 of the largest for what underflows.
#[test]
fn modal_and_radial_tables() {
    let Some(device) = device() else { return };
    let frequencies = [0.4e6, 1e6, 5e6, 9e6];
    for (radius_m, loss) in [(0.005, 0.0), (0.03, 0.0), (0.03, 3.0), (0.127, 0.0), (0.127, 1.0)] {
        let bars = [&bar(radius_m, loss, frequencies.len()), &bar(1.01 * radius_m, loss, 4)];
        let shares = [0.0, 1e-9, 0.1, 0.5, 0.9, 1.0];
        for mode in [Mode::L, Mode::S] {
            let extent = Extent::of(&bars, &frequencies, mode, &shares);
            let (tables, radial) =
                device.tables(&bars, &frequencies, mode, &shares, &extent).expect("tables");
            let floats = if extent.lossy { 2 } else { 1 };
            let inside = device
                .get(&tables.inside, 4 * frequencies.len() * extent.orders)
                .expect("coefficients");
            let functions =
                device.get(&radial.table, floats * 2 * extent.radial()).expect("functions");
            let mut worst = 0.0_f64;
            for (b, bar) in bars.iter().enumerate() {
                for (f, hz) in frequencies.iter().enumerate() {
                    let solution = ModalSolution::new(
                        bar.radius_m,
                        &bar.solid,
                        &bar.fluid,
                        Complex64::new(TAU * hz, 0.0),
                        bar.attenuation.first().copied().unwrap_or_default(),
                        Passage::First,
                    )
                    .expect("a solution");
                    let ka = (TAU * hz * bar.radius_m / 1480.0) as usize;
                    for (ring, share) in shares.iter().enumerate() {
                        let want = solution.interior(mode, share * bar.radius_m).expect("inside");
                        let largest = want.iter().map(|w| w.norm()).fold(0.0, f64::max);
                        let from = b * extent.radial()
                            + extent.pitch[..ring].iter().sum::<usize>() * frequencies.len()
                            + f * extent.pitch[ring];
                        for n in 0..extent.pitch[ring].min(ka) {
                            let at = 2 * ((b * frequencies.len() + f) * extent.orders + n);
                            let coefficient = Complex64::new(inside[at], inside[at + 1]);
                            let own = &functions[floats * (from + n)..];
                            let own = Complex64::new(
                                own[0].into(),
                                if floats == 2 { own[1].into() } else { 0.0 },
                            );
                            let want = want.get(n).copied().unwrap_or_default();
                            let off = (coefficient * own - want).norm();
                            let allowed = 4e-7 * want.norm() + 1e-9 * largest;
                            worst = worst.max(off / (want.norm() + 1e-3 * largest).max(1e-300));
                            assert!(
                                off <= allowed,
                                "{mode:?}, radius {radius_m}, loss {loss}, {hz} Hz, share {share}, \
                                 order {n}: {} against {want}",
                                coefficient * own
                            );
                        }
                    }
                }
            }
            println!("tables, {mode:?}, {radius_m} m, {loss} Np/m: {worst:.1e} at worst");
        }
    }
}

fn batch<'a>(
    frequencies_hz: &'a [f64],
    spectrum: &'a [Complex64],
    mode: Mode,
    bars: &'a [BarBand],
    arrays: &'a [LineArray],
    items: &'a [MapItem],
    rings: &'a RingShares,
) -> MapBatch<'a> {
    MapBatch {
        frequencies_hz,
        spectrum,
        mode,
        bars,
        arrays,
        items,
        rings,
        sector: (0, rings.angles),
        times: frequencies_hz.len() * 3 / 2 + 1,
    }
}

impl Device {
    /// Rings of the field of one item, `[ring][frequency][angle]` with two floats a value, and what they are
    /// to be multiplied by: to be looked at between the kernels.
    fn rows_of(&self, batch: &MapBatch<'_>) -> Result<(Vec<f32>, f64), DeviceError> {
        let item = &batch.items[0];
        let shares = &batch.rings.shares;
        let bars = [&batch.bars[item.bar]];
        let extent = Extent::of(&bars, batch.frequencies_hz, batch.mode, shares);
        let kernels =
            self.shaped(Shape::for_maps(batch.rings.angles, batch.times, extent.lossy)?)?;
        let (tables, radial) =
            self.tables(&bars, batch.frequencies_hz, batch.mode, shares, &extent)?;
        let side =
            Side { array: &batch.arrays[item.array], drive: &item.drive, centre: item.centre };
        let frequencies = batch.frequencies_hz.len();
        let ones: Vec<f32> = [1.0, 0.0].repeat(frequencies);
        let scale = scale(
            std::slice::from_ref(&side),
            batch.frequencies_hz[frequencies / 2],
            bars[0].fluid.velocity_m_s,
        );
        let senders = self.senders(&[side], &[0], &ones, &extent, batch.mode, scale)?;
        let sent = self.send(&tables, &senders, &extent)?;
        let tasks: Vec<i32> = (0..shares.len() as i32).collect();
        let count = 2 * shares.len() * frequencies * batch.rings.angles;
        let mut rows = self.zeros(count)?;
        let size = CirclesSize {
            frequencies: frequencies as i32,
            rings: shares.len() as i32,
            last: extent.last() as i32,
            pad: 0,
            table: extent.radial() as u64,
            first: 0,
            end: shares.len() as i32,
        };
        let tasks = self.put(&tasks)?;
        self.run("circles", || {
            kernels.circles(&self.stream, size, &tasks, &senders.bar_of, &radial, &sent, &mut rows)
        })?;
        Ok((self.get(&rows, count)?, 1.0 / scale))
    }
}

/// Aperture sums and rings, bar off centre, lengths that are powers of two and that are not, fewer angles
/// than orders. Truth: own code (`fields_at`, double precision). Tolerance: single precision over some
/// hundred orders, 3e-6 of the largest value.
#[test]
fn rings_of_the_field() {
    let Some(device) = device() else { return };
    let frequencies: Vec<f64> = (1..=6).map(|k| 1.4e6 * f64::from(k)).collect();
    let ones = vec![Complex64::ONE; frequencies.len()];
    for (radius_m, angles, loss) in
        [(0.03, 1024, 0.0), (0.02, 480, 2.0), (0.03, 45, 0.0), (0.03, 2048, 0.0), (0.01, 1500, 0.0)]
    {
        let bars = [bar(radius_m, loss, frequencies.len())];
        let arrays = [array(radius_m + 0.02, 40)];
        let rings = RingShares { shares: vec![0.0, 0.01, 0.3, 0.77, 0.999, 1.0], angles };
        for mode in [Mode::L, Mode::S] {
            let centre = Point::new(0.7e-3, -0.4e-3);
            let items = [MapItem { bar: 0, array: 0, drive: steered(40, 3e-8), centre }];
            let batch = batch(&frequencies, &ones, mode, &bars, &arrays, &items, &rings);
            let (rows, unit) = device.rows_of(&batch).expect("rows");
            let band = bars[0].solve(&frequencies).expect("a band");
            let moved = arrays[0].seen_from(centre);
            let lit = band.illuminate(&moved).expect("outside");
            let step = (angles / 15).max(1);
            let points: Vec<Point> = rings
                .shares
                .iter()
                .flat_map(|s| {
                    (0..angles)
                        .step_by(step)
                        .map(move |j| Point::polar(s * radius_m, TAU * j as f64 / angles as f64))
                })
                .collect();
            let drive = [items[0].drive.clone()];
            let want = lit.fields_at(&drive, &points, mode).expect("fields");
            let largest = want.iter().flat_map(|s| s.row(0)).map(|v| v.norm()).fold(0.0, f64::max);
            let mut worst = 0.0_f64;
            for (p, want) in want.iter().enumerate() {
                let per = (0..angles).step_by(step).count();
                let (ring, j) = (p / per, p % per * step);
                for (f, want) in want.row(0).iter().enumerate() {
                    let at = 2 * ((ring * frequencies.len() + f) * angles + j);
                    let got = Complex64::new(rows[at].into(), rows[at + 1].into()) * unit;
                    worst = worst.max((got - want).norm() / largest);
                }
            }
            println!("rings, {mode:?}, {radius_m} m, {angles} angles, {loss} Np/m: {worst:.1e}");
            assert!(worst < 3e-6, "{mode:?}, {angles} angles: {worst:e} of the largest");
        }
    }
}

/// Times and the search for peaks, for each length of record. Truth: the engine on the processors.
/// Tolerance: the 0.02 dB within which engines agree.
#[test]
fn peaks_of_envelopes() {
    let Some(device) = device() else { return };
    for (count, record_s) in [(60, 8e-6), (200, 25e-6), (400, 50e-6), (900, 112e-6), (1700, 210e-6)]
    {
        let frequencies: Vec<f64> = (0..count).map(|k| 1e6 + f64::from(k) / record_s).collect();
        let middle = frequencies[count as usize / 2];
        let spectrum: Vec<Complex64> = frequencies
            .iter()
            .map(|f| Complex64::new((-0.5 * ((f - middle) / 1.2e6).powi(2)).exp(), 0.0))
            .collect();
        let bars = [bar(0.02, 0.0, 0)];
        let arrays = [array(0.05, 16)];
        let rings = RingShares { shares: vec![0.1, 0.5, 0.9], angles: 480 };
        for mode in [Mode::L, Mode::S] {
            let items: Vec<MapItem> = (0..3)
                .map(|k| MapItem {
                    bar: 0,
                    array: 0,
                    drive: steered(16, 5e-8 * f64::from(k)),
                    centre: Point::new(1e-4 * f64::from(k), 0.0),
                })
                .collect();
            let batch = batch(&frequencies, &spectrum, mode, &bars, &arrays, &items, &rings);
            let got = device.maps(&batch, Wanted::Maps).expect("maps");
            let want = Processors.maps(&batch, Wanted::Maps).expect("maps");
            let mut worst = 0.0_f64;
            for (got, want) in got.maps.iter().zip(&want.maps) {
                let largest = want.iter().copied().fold(0.0, f64::max);
                for (g, w) in got.iter().zip(want).filter(|x| *x.1 > 0.01 * largest) {
                    worst = worst.max((20.0 * (g / w).log10()).abs());
                }
            }
            println!("peaks, {mode:?}, {count} frequencies: {worst:.4} dB");
            assert!(worst < 0.02, "{mode:?}, {count} frequencies: {worst} dB");
            for (p, least) in got.extremes.least.iter().enumerate() {
                let own = got.maps.iter().map(|m| m[p]).fold(f64::INFINITY, f64::min);
                assert_eq!(least.value, own);
                assert_eq!(got.maps[least.item][p], own);
            }
        }
    }
}

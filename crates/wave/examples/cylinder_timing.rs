//! Prints how long the exact engine takes for a station of the usual size:
//! `cargo run --release -p barwright-wave --example cylinder_timing`.

use barwright_wave::array::arc;
use barwright_wave::cylinder::{CylinderBand, Drive, LineArray, MapGrid, Passage, Synthesis};
use barwright_wave::{Fluid, Mode, Point, Result, Solid};
use num_complex::Complex64;
use std::f64::consts::TAU;
use std::time::Instant;

const BAR_RADIUS_M: f64 = 0.021;
const ARC_RADIUS_M: f64 = 0.060;
const ELEMENTS: usize = 512;
const BEAMS: usize = 200;
const ACTIVE: usize = 16;

fn main() -> Result<()> {
    let steel = Solid::new(5900.0, 3230.0, 7800.0)?;
    let water = Fluid::new(1480.0, 1000.0)?;
    let pulse = |f: f64| (-0.5 * ((f - 5e6) / 1.274e6_f64).powi(2)).exp();
    // A record of 100 µs; e^-5 of what comes later wraps.
    let step = 1.0 / 100e-6;
    let frequencies: Vec<f64> = (130..=870).step_by(2).map(|k| f64::from(k) * step).collect();
    let step = 2.0 * step;
    println!("{} frequencies, {} µs record", frequencies.len(), 1e6 / step);

    let clock = Instant::now();
    let full =
        CylinderBand::new(BAR_RADIUS_M, &steel, &water, &frequencies, 5.0 * step, Passage::Full)?;
    report("band, all reflections", clock);

    let pitch = TAU * ARC_RADIUS_M / ELEMENTS as f64;
    let elements = arc(ARC_RADIUS_M, 0.0, ELEMENTS, pitch, 0.9 * pitch, 0.01);
    let drives: Vec<Drive> = (0..BEAMS)
        .map(|beam| {
            let active: Vec<usize> = (0..ACTIVE).map(|e| (2 * beam + e) % ELEMENTS).collect();
            let delays: Vec<f64> = (0..ACTIVE).map(|e| 1e-9 * (e * (beam + 3)) as f64).collect();
            Drive::new(&active, &delays)
        })
        .collect::<Result<_>>()?;
    let points: Vec<Point> =
        (0..30).map(|k| Point::polar(0.0205 * f64::from(k) / 30.0, f64::from(k))).collect();

    for (name, centre) in [("concentric", Point::default()), ("off centre", Point::new(5e-4, 2e-4))]
    {
        let array = LineArray::new(&elements, 4, centre, Some(ARC_RADIUS_M))?;
        println!("-- {name}: shortcut {}", array.is_concentric());
        let clock = Instant::now();
        let illumination = full.illuminate(&array)?;
        report("illuminate", clock);
        for mode in [Mode::L, Mode::S] {
            let clock = Instant::now();
            illumination.fields_at(&drives, &points[15..16], mode)?;
            report("fields of 200 beams at 1 point", clock);
            let clock = Instant::now();
            illumination.fields_at(&drives, &points, mode)?;
            report("fields of 200 beams at 30 points", clock);
        }
        let clock = Instant::now();
        let received = illumination.received(&drives, &drives)?;
        report("received by 200 beams", clock);
        let synthesis = Synthesis::new(&full, 70e-6, 2500.0 * step, 1250)?;
        let clock = Instant::now();
        for row in received.iter() {
            let spectrum: Vec<Complex64> =
                row.iter().zip(&frequencies).map(|(p, &f)| p * pulse(f)).collect();
            synthesis.signal(&spectrum)?;
        }
        report("200 A-scans", clock);
    }

    let step = 1.0 / 20.48e-6;
    let frequencies: Vec<f64> = (19..186).map(|k| f64::from(k) * step).collect();
    let clock = Instant::now();
    let first = CylinderBand::new(0.030, &steel, &water, &frequencies, 0.0, Passage::First)?;
    report("band of 167 frequencies, first passage, 60 mm", clock);
    let array = LineArray::new(&elements, 4, Point::default(), Some(ARC_RADIUS_M))?;
    let illumination = first.illuminate(&array)?;
    let radii = (0..150).map(|k| 0.030 * f64::from(k) / 150.0).collect();
    let grid = MapGrid::full(radii, 1024, frequencies.len());
    let spectrum: Vec<Complex64> =
        frequencies.iter().map(|&f| Complex64::new(pulse(f), 0.0)).collect();
    let clock = Instant::now();
    illumination.map(&drives[0], Mode::L, &grid, &spectrum)?;
    report("map of 150 rings, 1024 angles", clock);
    let clock = Instant::now();
    illumination.map(&drives[0], Mode::L, &MapGrid { sector: (0, 341), ..grid }, &spectrum)?;
    report("the same, a third of the circle", clock);
    Ok(())
}

fn report(what: &str, clock: Instant) {
    println!("{what}: {:.3} s", clock.elapsed().as_secs_f64());
}

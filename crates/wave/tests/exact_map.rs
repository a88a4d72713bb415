//! Maps of the peak envelope: the fast way against the plain one, and what is refused.

use barwright_wave::array::{arc, flat};
use barwright_wave::cylinder::{
    Attenuation, CylinderBand, Drive, FieldMap, Illumination, LineArray, LineSource, MapGrid,
    ModalSolution, Passage, Synthesis,
};
use barwright_wave::{Fluid, Mode, Point, Result, Solid};
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, PI};

fn steel() -> Solid {
    Solid::new(5900.0, 3230.0, 7800.0).expect("as set up")
}

fn water() -> Fluid {
    Fluid::new(1480.0, 1000.0).expect("as set up")
}

/// Frequencies of a 5 MHz pulse at a step of one over `period_s`, and its spectrum.
fn pulse(period_s: f64) -> (Vec<f64>, Vec<Complex64>) {
    let (low, high) = ((0.92e6 * period_s).ceil() as usize, (9.08e6 * period_s) as usize);
    let frequencies: Vec<f64> = (low..=high).map(|k| k as f64 / period_s).collect();
    let gauss = |f: &f64| Complex64::new((-0.5 * ((f - 5e6) / 1e6_f64).powi(2)).exp(), 0.0);
    let spectrum = frequencies.iter().map(gauss).collect();
    (frequencies, spectrum)
}

fn band(radius_m: f64, frequencies: &[f64], damping: f64, passage: Passage) -> CylinderBand {
    CylinderBand::new(radius_m, &steel(), &water(), frequencies, damping, passage)
        .expect("as set up")
}

fn ring(count: usize) -> LineArray {
    let elements = arc(0.06, 1.1, count, 0.5e-3, 0.45e-3, 0.01);
    LineArray::new(&elements, 4, Point::default(), Some(0.06)).expect("as set up")
}

/// All elements of an array, steered by an angle in water.
fn steered(array: &LineArray, angle: f64) -> Drive {
    let places: Vec<Point> = array.elements().iter().map(|sources| sources[0].at).collect();
    let middle = places[places.len() / 2];
    let along = Point::polar(1.0, middle.angle() + PI + angle);
    let delay = |p: &Point| ((p.x - middle.x) * along.x + (p.y - middle.y) * along.y) / 1480.0;
    let all: Vec<usize> = (0..places.len()).collect();
    Drive::new(&all, &places.iter().map(delay).collect::<Vec<_>>()).expect("as set up")
}

fn radii(bar_m: f64, count: usize) -> Vec<f64> {
    (0..count).map(|k| bar_m * k as f64 / (count - 1) as f64).collect()
}

/// Largest difference in dB where the truth lies within 40 dB of its peak.
fn worst_db(map: &FieldMap, truth: &FieldMap) -> f64 {
    let peak = truth.peak.iter().copied().fold(0.0, f64::max);
    let off = |(a, b): (&f64, &f64)| {
        if *b > 0.01 * peak { (20.0 * (a / b).log10()).abs() } else { 0.0 }
    };
    map.peak.iter().zip(&truth.peak).map(off).fold(0.0, f64::max)
}

/// Fast map with three times for two frequencies against the plain one with sixteen as many.
fn loss_db(illumination: &Illumination, drive: &Drive, mode: Mode, grid: &MapGrid) -> f64 {
    let step_hz = illumination.band().frequencies_hz()[1] - illumination.band().frequencies_hz()[0];
    let spectrum = pulse(1.0 / step_hz).1;
    let fine = MapGrid { times: 16 * grid.times, ..grid.clone() };
    let fast = illumination.map(drive, mode, grid, &spectrum).expect("as set up");
    let plain = illumination.map_plain(drive, mode, &fine, &spectrum).expect("as set up");
    worst_db(&fast, &plain)
}

/// Truth: the plain way (own code, double precision) with times so dense that the parabola between
/// them is exact to 0.001 dB. Tolerance: 0.02 dB, what is promised; the beams straight, steered and
/// interfering, with losses and damping, concentric and not.
#[test]
fn fast_map_is_the_plain_one_within_a_fiftieth_of_a_decibel() {
    let (frequencies, _) = pulse(20.48e-6);
    let radius = 0.021;
    let first = band(radius, &frequencies, 0.0, Passage::First);
    // Long enough for the surface waves to die: the ends of a damped record are a cliff.
    let long_s = 81.92e-6;
    let (long, _) = pulse(long_s);
    let damped = band(radius, &long, 3.0 / long_s, Passage::First);
    let loss = |f: f64| Attenuation {
        longitudinal_np_m: 4.0 * f / 5e6,
        shear_np_m: 12.0 * (f / 5e6).powi(2),
    };
    let lossy = CylinderBand::with_attenuation(
        radius,
        &steel(),
        &water(),
        &frequencies,
        0.0,
        Passage::First,
        loss,
    )
    .expect("as set up");
    let concentric = ring(32);
    let elements = flat(Point::new(0.003, 0.06), -FRAC_PI_2, 16, 0.7e-3, 0.6e-3, 0.01);
    let off_axis = LineArray::new(&elements, 3, Point::new(4e-4, -2e-4), None).expect("as set up");
    assert!(!off_axis.is_concentric());
    let grid = MapGrid::full(radii(radius, 9), 360, frequencies.len());
    assert_eq!(grid.times, 256);
    // The record of the damped waves begins just before the sound reaches the bar.
    let damped_grid =
        MapGrid { start_s: 22e-6, ..MapGrid::full(radii(radius, 5), 120, long.len()) };
    for (name, band, grid) in
        [("first", &first, &grid), ("damped", &damped, &damped_grid), ("lossy", &lossy, &grid)]
    {
        for array in [&concentric, &off_axis] {
            let illumination = band.illuminate(array).expect("as set up");
            for (mode, angle) in [(Mode::L, 0.0), (Mode::L, 0.3), (Mode::S, 0.33)] {
                let loss = loss_db(&illumination, &steered(array, angle), mode, grid);
                println!("{name} {mode:?} {angle}: {loss:.5} dB");
                assert!(loss < 0.02, "{name}, {mode:?}, steered {angle}: off by {loss} dB");
            }
        }
    }
}

/// Truth: the plain way, at the orders of the thickest bar at the highest frequency; two
/// frequencies and dense times, so that only the sums over the orders are compared.
/// Tolerance: 1e-4 dB, single precision over some thousand orders.
#[test]
fn thickest_bar_at_the_highest_frequency() {
    let frequencies = [9.99e6, 10e6];
    let band = band(0.127, &frequencies, 0.0, Passage::First);
    assert!(band.solutions()[1].highest_order() > 5500);
    let elements = arc(0.16, 1.1, 32, 0.5e-3, 0.45e-3, 0.01);
    let array = LineArray::new(&elements, 4, Point::default(), Some(0.16)).expect("as set up");
    let illumination = band.illuminate(&array).expect("as set up");
    let radii = vec![0.0, 1e-9, 1e-4, 0.01, 0.064, 0.12, 0.1265, 0.127];
    let grid = MapGrid { times: 256, ..MapGrid::full(radii, 12_000, 2) };
    let spectrum = [Complex64::new(1.0, 0.0), Complex64::new(0.5, 0.5)];
    for mode in [Mode::L, Mode::S] {
        let drive = steered(&array, 0.2);
        let fast = illumination.map(&drive, mode, &grid, &spectrum).expect("as set up");
        let plain = illumination.map_plain(&drive, mode, &grid, &spectrum).expect("as set up");
        assert!(fast.peak.iter().all(|v| v.is_finite()));
        let off = worst_db(&fast, &plain);
        assert!(off < 1e-4, "{mode:?}: {off} dB");
    }
}

/// Truth: closed form (a map is linear in the spectrum; angles in common have common values; a
/// sector is part of the whole). Tolerance: rounding of single precision, 1e-5 of the peak.
#[test]
fn scale_angles_and_sectors() {
    let (frequencies, spectrum) = pulse(10.24e-6);
    let band = band(0.021, &frequencies, 0.0, Passage::First);
    let array = ring(16);
    let illumination = band.illuminate(&array).expect("as set up");
    let drive = steered(&array, 0.1);
    let grid = MapGrid::full(radii(0.021, 5), 720, frequencies.len());
    for mode in [Mode::L, Mode::S] {
        let map = illumination.map(&drive, mode, &grid, &spectrum).expect("as set up");
        let peak = map.peak.iter().copied().fold(0.0, f64::max);
        for scale in [1e-90, 1e90] {
            let scaled: Vec<Complex64> = spectrum.iter().map(|s| s * scale).collect();
            let other = illumination.map(&drive, mode, &grid, &scaled).expect("as set up");
            for (a, b) in map.peak.iter().zip(&other.peak) {
                assert!((a - b / scale).abs() < 1e-5 * peak, "{scale:e}: {a}, {b}");
            }
        }
        // Forty-five angles are far fewer than the orders: many share a bin.
        let coarse = MapGrid { angles: 45, sector: (0, 45), ..grid.clone() };
        let coarse = illumination.map(&drive, mode, &coarse, &spectrum).expect("as set up");
        let sector = MapGrid { sector: (700, 37), ..grid.clone() };
        let sector = illumination.map(&drive, mode, &sector, &spectrum).expect("as set up");
        for ring in 0..5 {
            for m in 0..45 {
                let (a, b) = (coarse.ring(ring)[m], map.ring(ring)[16 * m]);
                assert!((a - b).abs() < 1e-5 * peak, "{mode:?} ring {ring} angle {m}: {a}, {b}");
            }
            for m in 0..37 {
                assert_eq!(sector.ring(ring)[m], map.ring(ring)[(700 + m) % 720]);
            }
        }
    }
}

/// Truth: closed form (nothing sent, nothing found; S vanishes on the axis).
#[test]
fn odd_requests_give_numbers() {
    let frequencies: Vec<f64> = (1..=3).map(|k| 1e6 * f64::from(k)).collect();
    let band = band(0.01, &frequencies, 0.0, Passage::First);
    let array = ring(4);
    let illumination = band.illuminate(&array).expect("as set up");
    let spectrum = vec![Complex64::ONE; 3];
    let radii = vec![0.0, 1e-300, 1e-29, 1e-21, 1e-19, 1e-6, 0.01];
    let drive = steered(&array, 0.0);
    for (angles, times) in [(1, 3), (2, 4), (7, 5), (64, 33)] {
        let grid = MapGrid { times, ..MapGrid::full(radii.clone(), angles, 3) };
        for mode in [Mode::L, Mode::S] {
            let map = illumination.map(&drive, mode, &grid, &spectrum).expect("as set up");
            assert!(map.peak.iter().all(|v| v.is_finite() && *v >= 0.0), "{map:?}");
            if mode == Mode::S {
                assert!(map.ring(0).iter().all(|&v| v == 0.0));
            }
            let silent = Drive::new(&[], &[]).expect("as set up");
            let nothing = illumination.map(&silent, mode, &grid, &spectrum).expect("as set up");
            assert!(nothing.peak.iter().all(|&v| v == 0.0));
            let dark = vec![Complex64::ZERO; 3];
            let nothing = illumination.map(&drive, mode, &grid, &dark).expect("as set up");
            assert!(nothing.peak.iter().all(|&v| v == 0.0));
        }
    }
}

fn refused<T>(result: Result<T>, hint: &str) {
    let Err(error) = result else { panic!("accepted, though '{hint}' was expected") };
    assert!(error.to_string().contains(hint), "'{error}' does not say '{hint}'");
}

#[test]
fn what_cannot_be_is_refused_with_its_numbers() {
    let (frequencies, spectrum) = pulse(10.24e-6);
    let bar = band(0.021, &frequencies, 1e5, Passage::Full);
    let array = ring(4);
    let illumination = bar.illuminate(&array).expect("as set up");
    let drive = steered(&array, 0.0);
    let good = MapGrid::full(vec![0.01], 64, frequencies.len());
    let map = |grid: MapGrid| illumination.map(&drive, Mode::L, &grid, &spectrum);
    assert!(map(good.clone()).is_ok());
    let with = |radii: Vec<f64>, angles: usize| MapGrid {
        radii_m: radii,
        angles,
        sector: (0, angles),
        ..good.clone()
    };
    refused(map(with(vec![], 64)), "rings of the map: 0 given");
    refused(map(with(vec![0.0211], 64)), "0.0211 m");
    refused(map(with(vec![-1e-3], 64)), "-0.001 m");
    refused(map(with(vec![f64::NAN], 64)), "NaN m");
    refused(map(with(vec![0.01], 0)), "angles of the map: 0 given");
    refused(map(with(vec![0.01; 70_000], 1_000)), "70000000 ");
    refused(map(with(vec![0.01], 1 << 20)), "frequencies times angles of the map is 87031808");
    let long = MapGrid { times: 1 << 30, ..with(vec![0.01; 10], 64) };
    refused(map(long), "rings times angles times times");
    refused(map(MapGrid { times: 7, ..good.clone() }), "7 given, 83 needed");
    refused(map(MapGrid { sector: (0, 65), ..good.clone() }), "65 given, 64 needed");
    refused(map(MapGrid { start_s: f64::NAN, ..good.clone() }), "NaN s");
    refused(map(MapGrid { start_s: 0.9, ..good.clone() }), "90001.0");
    for bad in [f64::NAN, f64::INFINITY, 1e200] {
        let mut spoilt = spectrum.clone();
        spoilt[3] = Complex64::new(0.0, bad);
        refused(illumination.map(&drive, Mode::L, &good, &spoilt), "pulse's spectrum");
        refused(illumination.map_plain(&drive, Mode::L, &good, &spoilt), "pulse's spectrum");
    }
    // What grows out of a float under the damping.
    let early = Drive::new(&[0], &[-0.5]).expect("as set up");
    refused(illumination.map(&early, Mode::L, &good, &spectrum), "50000 Np");
    refused(illumination.fields_at(&[early], &[Point::default()], Mode::L), "50000 Np");
    refused(Synthesis::new(&bar, 0.5, 5e7, 16), "Np");
    refused(Synthesis::new(&bar, 0.0, 1e15, 16), "67 108 864");
    // Drives and arrays.
    refused(Drive::new(&[0], &[2.0]), "2 s");
    refused(Drive::new(&[0], &[f64::NAN]), "NaN s");
    refused(Drive::weighted(&[0], &[0.0], &[1e200]), "weight");
    let at = |radius: f64, weight: f64| {
        LineArray::from_sources(vec![vec![LineSource { at: Point::new(0.0, radius), weight }]])
    };
    refused(at(0.05, f64::NAN), "weight");
    refused(at(f64::INFINITY, 1.0), "inf m");
    for inside in [0.0, 0.01, 0.021] {
        let array = at(inside, 1.0).expect("as set up");
        refused(bar.illuminate(&array), &format!("{inside} m"));
    }
    let far = at(1e6, 1.0).expect("as set up");
    let far = bar.illuminate(&far);
    if let Ok(far) = far {
        let drive = Drive::new(&[0], &[0.0]).expect("as set up");
        refused(far.map(&drive, Mode::L, &good, &spectrum), "Bessel function");
    }
    // Points.
    let field = |point| illumination.fields_at(std::slice::from_ref(&drive), &[point], Mode::L);
    refused(field(Point::new(0.03, 0.0)), "0.03 m");
    refused(field(Point::new(f64::NAN, 0.0)), "NaN m");
    let on = array.elements()[0][0].at;
    refused(illumination.incident_at(std::slice::from_ref(&drive), on), "Hankel function");
    // Bands.
    let new = |radius: f64, list: &[f64], damping: f64| {
        CylinderBand::new(radius, &steel(), &water(), list, damping, Passage::First)
    };
    refused(new(0.02, &[], 0.0), "frequencies of the band: 0 given");
    refused(new(0.02, &[0.0, 1e6], 0.0), "0 rad/s");
    refused(new(0.02, &[-1e6, 1e6], 0.0), "-6283185");
    refused(new(0.02, &[1e6, f64::NAN], 0.0), "NaN");
    refused(new(0.02, &[1e6, f64::INFINITY], 0.0), "inf");
    refused(new(0.02, &[1e6], -1.0), "-1 1/s");
    refused(new(0.02, &[1e6], 1e9), "damping is needed");
    refused(new(0.0, &[1e6], 0.0), "0 m");
    refused(new(f64::NAN, &[1e6], 0.0), "NaN m");
    refused(new(5.0, &[1e7], 0.0), "1e-6 and 1e5");
    refused(new(1e-9, &[1e3], 0.0), "1e-6 and 1e5");
    let many: Vec<f64> = (1..=20_000).map(|k| f64::from(k) * 500.0).collect();
    refused(new(0.127, &many, 0.0), "at most 4e7");
}

/// Truth: closed form (energy), at the ends of the range of sizes. Tolerance: rounding; the largest
/// carries a phase of 1e5, known to 1e-11.
#[test]
fn smallest_and_largest_size() {
    for (size, allowed) in [(1.01e-6, 1e-12), (1e-3, 1e-12), (9.9e4, 1e-10)] {
        let angular = Complex64::new(size * 1480.0 / 0.02, 0.0);
        let solution = ModalSolution::new(
            0.02,
            &steel(),
            &water(),
            angular,
            Attenuation::default(),
            Passage::Full,
        )
        .expect("as set up");
        for (n, b) in solution.scattered().iter().enumerate() {
            let off = ((1.0 + 2.0 * b).norm() - 1.0).abs();
            assert!(off < allowed, "size {size:e}, order {n}: off by {off:e}");
        }
    }
}

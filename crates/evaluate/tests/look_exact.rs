//! Points in a round bar, heard by the exact field of the bar in water: where a second look puts them. Kind of truth: independent
//! code (the exact series against least-time paths and rays).

use std::f64::consts::FRAC_PI_2;

use barwright_evaluate::look::{Setup, Shape, Traces, study};
use barwright_job::second_look::{Entry, SecondLook};
use barwright_wave::cylinder::{CylinderBand, Drive, LineArray, Passage, Synthesis};
use barwright_wave::{Element, Fluid, Mode, Point, Solid, Surface, array::flat, pulse::Pulse};
use num_complex::Complex64;

const RADIUS_M: f64 = 30e-3;
const WATER_M: f64 = 20e-3;
const RATE_HZ: f64 = 50e6;
const SAMPLES: usize = 2048;
const FIRST_S: f64 = 15e-6;
const COUNT: usize = 32;

fn water() -> Fluid {
    Fluid::new(1480.0, 1000.0).expect("water")
}

fn steel() -> Solid {
    Solid::new(5900.0, 3230.0, 7800.0).expect("steel")
}

fn pulse() -> Pulse {
    Pulse::new(5e6, 0.6).expect("a pulse")
}

/// The array below the bar's axis, facing it: in the frame of the axis.
fn elements() -> Vec<Element> {
    let middle = Point::new(0.0, -(RADIUS_M + WATER_M));
    flat(middle, FRAC_PI_2, COUNT, 0.6e-3, 0.5e-3, 12e-3)
}

/// All pairs' echoes of a point at a place about the axis by a pair of modes, and the surface's, as large as the point's.
fn matrix(place: Point, [out, back]: [Mode; 2]) -> Vec<f32> {
    let step_hz = RATE_HZ / SAMPLES as f64 / 1.5;
    let reach = 3.5 * pulse().sigma_hz();
    let (low, high) = (pulse().centre_hz - reach, pulse().centre_hz + reach);
    let frequencies: Vec<f64> = ((low / step_hz) as usize..=(high / step_hz) as usize)
        .map(|k| k as f64 * step_hz)
        .collect();
    let damping = 5.0 * step_hz;
    let band = |passage| {
        CylinderBand::new(RADIUS_M, &steel(), &water(), &frequencies, damping, passage)
            .expect("a band")
    };
    let (first, whole) = (band(Passage::First), band(Passage::Full));
    let array = LineArray::new(&elements(), 3, Point::default(), None).expect("an array");
    let drives: Vec<Drive> =
        (0..COUNT).map(|e| Drive::new(&[e], &[0.0]).expect("a drive")).collect();
    let heard = |mode| {
        let light = first.illuminate(&array).expect("light");
        light.fields_at(&drives, &[place], mode).expect("fields").remove(0)
    };
    let (there, home) = (heard(out), heard(back));
    let pairs: Vec<(usize, usize)> =
        (0..COUNT).flat_map(|t| (0..COUNT).map(move |r| (t, r))).collect();
    let each = |side: fn(&(usize, usize)) -> usize| -> Vec<Drive> {
        pairs.iter().map(|pair| drives[side(pair)].clone()).collect()
    };
    let bare = whole
        .illuminate(&array)
        .expect("light")
        .received(&each(|p| p.0), &each(|p| p.1))
        .expect("what the bar returns");
    let shape: Vec<f64> = frequencies.iter().map(|f| pulse().spectrum(*f)).collect();
    let synthesis = Synthesis::new(&first, FIRST_S, RATE_HZ, SAMPLES).expect("a synthesis");
    let signal = |spectrum: Vec<Complex64>| -> Vec<f64> {
        synthesis.analytic(&spectrum).expect("a signal").iter().map(|z| z.re).collect()
    };
    let highest = |x: &[f64]| x.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let both: Vec<(Vec<f64>, Vec<f64>)> = pairs
        .iter()
        .zip(bare.iter())
        .map(|(&(t, r), bare)| {
            // Out by one mode and home by the other, and the other way round.
            let point = |f: usize| {
                let one = there.row(t)[f] * home.row(r)[f];
                let other = home.row(t)[f] * there.row(r)[f];
                (one + other) * 0.5 * shape[f]
            };
            let point = signal((0..shape.len()).map(point).collect());
            let bare = signal(bare.iter().zip(&shape).map(|(x, s)| x * s).collect());
            (point, bare)
        })
        .collect();
    let (mut point, mut surface) = (0.0, 0.0);
    for (p, s) in &both {
        point = highest(p).max(point);
        surface = highest(s).max(surface);
    }
    both.iter()
        .flat_map(|(p, s)| {
            p.iter().zip(s).map(move |(p, s)| (0.4 * p / point + 0.4 * s / surface) as f32)
        })
        .collect()
}

fn look(values: &[f32], modes: [Mode; 2]) -> SecondLook {
    let elements: Vec<Element> = elements()
        .into_iter()
        .map(|e| Element { centre: e.centre + Point::new(0.0, RADIUS_M + WATER_M), ..e })
        .collect();
    let traces = Traces {
        elements: COUNT,
        samples: SAMPLES,
        sample_rate_hz: RATE_HZ,
        first_sample_s: FIRST_S,
        values,
        centre_hz: pulse().centre_hz,
    };
    let setup = Setup {
        matrix: "exact",
        elements: &elements,
        axial_focus_m: None,
        shape: Some(Shape::Round { radius_m: RADIUS_M }),
        wall_m: None,
        window_s: Some([25e-6, 30e-6]),
        water: water(),
        steel: steel(),
        uncertainty_rel: [0.002, 0.001],
        delay_s: 0.0,
        ways: &[modes],
        depth_m: [5e-3, 50e-3],
        half_width_m: Some(14e-3),
        step_m: 0.1e-3,
        spots: (3, 12.0),
    };
    study(&traces, &setup).expect("a look")
}

#[test]
fn points_of_the_exact_field_stand_within_a_tenth_of_a_wavelength() {
    // About the axis; longitudinal waves see both, shear waves come in well aside of the normal.
    let cases = [
        ([Mode::L, Mode::L], Point::new(1.7e-3, -12.3e-3)),
        ([Mode::L, Mode::L], Point::new(-3.1e-3, 9.4e-3)),
        ([Mode::S, Mode::S], Point::new(4.3e-3, -14.2e-3)),
        ([Mode::L, Mode::S], Point::new(4.3e-3, -14.2e-3)),
    ];
    for (modes, place) in cases {
        let seen = look(&matrix(place, modes), modes);
        let Entry::Found { surface: Surface::Round { centre, .. }, .. } = seen.entry else {
            panic!("{:?}", seen.entry)
        };
        let spot = seen.views[0].spots.first().expect("a spot");
        let wanted = Point::new(place.x, place.y + RADIUS_M + WATER_M);
        let off_m = spot.place.distance(wanted);
        let slowest = modes.map(|m| steel().velocity_m_s(m));
        let wave_m = slowest[0].min(slowest[1]) / 5e6;
        println!(
            "{modes:?}: {:.3} mm off (a tenth of a wavelength is {:.3}), told ± {:.3} {:.3}; axis {:.3} mm off; extents {:?} mm, of a point {:?}; {:.1} dB over the floor; heard {:.2} MHz, {:.2}",
            off_m * 1e3,
            wave_m * 100.0,
            spot.place_uncertainty_m[0] * 1e3,
            spot.place_uncertainty_m[1] * 1e3,
            centre.distance(Point::new(0.0, RADIUS_M + WATER_M)) * 1e3,
            spot.extent_m.map(|e| e * 1e3),
            spot.point_extent_m.map(|e| e * 1e3),
            spot.over_floor_db,
            seen.recorded.centre_hz / 1e6,
            seen.recorded.bandwidth_rel,
        );
        assert!(off_m < 0.1 * wave_m, "{modes:?} {off_m}");
        // The extents foretold by rays are those drawn: within a fifth.
        for (drawn, foretold) in spot.extent_m.iter().zip(spot.point_extent_m) {
            assert!((drawn / foretold - 1.0).abs() < 0.2, "{modes:?} {drawn} {foretold}");
        }
        assert_eq!(spot.size_m, [None, None], "a point has no size");
    }
}

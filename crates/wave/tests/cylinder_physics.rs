//! What must hold for every round bar, whatever its numbers.

use barwright_wave::array::{arc, flat};
use barwright_wave::cylinder::{
    Attenuation, CylinderBand, Drive, LineArray, LineSource, MapGrid, ModalSolution, Passage,
    Spectra, Synthesis, peak_envelope,
};
use barwright_wave::harmonics::{Ladder, bessel_j, hankel_1};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::Complex64;
use proptest::prelude::*;
use std::f64::consts::{PI, TAU};

fn steel() -> Solid {
    Solid::new(5900.0, 3230.0, 7800.0).expect("steel")
}

fn water() -> Fluid {
    Fluid::new(1480.0, 1000.0).expect("water")
}

fn modal(radius_m: f64, solid: &Solid, fluid: &Fluid, angular: f64) -> ModalSolution {
    let angular = Complex64::new(angular, 0.0);
    let lossless = Attenuation::default();
    ModalSolution::new(radius_m, solid, fluid, angular, lossless, Passage::Full).expect("valid")
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// Truth: closed form (energy: without losses every order returns what it receives).
    /// Tolerance: 1e-12, a few hundred rounding errors of the 3 x 3 system and its ladders.
    #[test]
    fn every_order_returns_its_energy(
        ka in 0.05_f64..1500.0,
        longitudinal in 2000.0_f64..7000.0,
        ratio in 0.3_f64..0.7,
        density in 1500.0_f64..15000.0,
    ) {
        let solid = Solid::new(longitudinal, ratio * longitudinal, density).expect("solid");
        let solution = modal(0.03, &solid, &water(), ka * 1480.0 / 0.03);
        for (n, b) in solution.scattered().iter().enumerate() {
            let off = ((1.0 + 2.0 * b).norm() - 1.0).abs();
            prop_assert!(off < 1e-12, "ka {ka}, order {n}: off by {off:e}");
        }
    }
}

/// Truth: closed form, as above, for the largest bar at the highest frequency (254 mm, 10 MHz and
/// the upper end of its pulse). Tolerance: rounding over eight thousand orders.
#[test]
fn the_thickest_bar_stays_finite() {
    for frequency in [10e6, 15e6] {
        let solution = modal(0.127, &steel(), &water(), TAU * frequency);
        assert!(solution.highest_order() > 5000);
        for (n, b) in solution.scattered().iter().enumerate() {
            assert!(((1.0 + 2.0 * b).norm() - 1.0).abs() < 2e-12, "order {n}: {b}");
        }
        for mode in [Mode::L, Mode::S] {
            for radius in [0.0, 0.06, 0.127] {
                let inside = solution.interior(mode, radius).expect("inside");
                assert!(inside.iter().all(|v| v.is_finite()), "{mode:?} at {radius}");
            }
        }
    }
}

/// Truth: closed form (every path from the surface to the axis is one radius long).
/// Tolerance: 1 %, the change of the transmission by the complex moduli.
#[test]
fn attenuation_acts_along_the_path() {
    let frequencies = [4e6, 5e6, 6e6];
    let (array, drive) = (ring(), [Drive::new(&[11], &[0.0]).unwrap()]);
    let field = |np_m: f64| {
        let loss = |f: f64| Attenuation {
            longitudinal_np_m: np_m * f / 5e6,
            shear_np_m: 2.0 * np_m * f / 5e6,
        };
        let (solid, fluid) = (steel(), water());
        let band = CylinderBand::with_attenuation(
            0.021,
            &solid,
            &fluid,
            &frequencies,
            0.0,
            Passage::First,
            loss,
        );
        let band = band.unwrap();
        let illumination = band.illuminate(&array).unwrap();
        illumination.fields_at(&drive, &[Point::default()], Mode::L).unwrap().remove(0)
    };
    let (clear, lossy) = (field(0.0), field(20.0));
    for ((a, b), f) in clear.row(0).iter().zip(lossy.row(0)).zip(frequencies) {
        let want = (-20.0 * f / 5e6 * 0.021_f64).exp();
        let got = b.norm() / a.norm();
        assert!((got / want - 1.0).abs() < 0.01, "{f} Hz: {got} against {want}");
    }
}

/// Truth: closed form. The three boundary conditions, put together from the answers with the
/// derivatives in another form than the solver's, vanish beside their largest term: for a usual
/// bar and for the thickest at the highest frequency.
/// Tolerance: 1e-11, rounding in the derivatives for orders up to the size parameter.
#[test]
fn boundary_conditions_hold() {
    for (radius, frequency, damping) in
        [(0.03, 5e6, 0.0), (0.03, 5e6, 4e4), (0.127, 10e6, 0.0), (0.127, 10e6, 1e4)]
    {
        let angular = Complex64::new(TAU * frequency, damping);
        let lossy = Attenuation { longitudinal_np_m: 3.0, shear_np_m: 8.0 };
        let solution =
            ModalSolution::new(radius, &steel(), &water(), angular, lossy, Passage::Full)
                .expect("valid");
        let x = solution.wave_number_water() * radius;
        let [x_l, x_s] = [Mode::L, Mode::S].map(|mode| solution.wave_number(mode) * radius);
        let top = solution.highest_order() + 1;
        let j = bessel_j(x, top).expect("in range");
        let h = hankel_1(x, top).expect("in range");
        let [j_l, j_s] = [x_l, x_s].map(|x| bessel_j(x, top).expect("in range"));
        let [inside_l, inside_s] =
            [Mode::L, Mode::S].map(|mode| solution.interior(mode, radius).expect("on the surface"));
        let (ratio, heavy) = (2.0 * x_l * x_l / (x_s * x_s), 7.8);
        // Orders whose plain values a float holds; the others differ by their scale only.
        for n in 1..(x.re as usize + 40) {
            let nf = n as f64;
            let slope =
                |ladder: &Ladder, x: Complex64| ladder.value(n - 1) - nf / x * ladder.value(n);
            let curve = |value: Complex64, slope: Complex64, x: Complex64| {
                (nf * nf / (x * x) - 1.0) * value - slope / x
            };
            // Far inside a mode's caustic its plain values are too small to divide by.
            let log_slope = |ladder: &Ladder, x: Complex64| {
                let base = ladder.exponents()[n];
                ladder.over(n - 1, base) / ladder.over(n, base) - nf / x
            };
            // Log derivatives of the interior waves carry their amplitudes to the rows.
            let (l, s) = (inside_l[n], inside_s[n]);
            let l1 = l * log_slope(&j_l, x_l);
            let s1 = s * log_slope(&j_s, x_s);
            let (l2, s2) = (curve(l, l1, x_l), curve(s, s1, x_s));
            let b = solution.scattered()[n];
            let i = Complex64::i();
            let rows = [
                vec![
                    b * h.value(n),
                    j.value(n),
                    -(1.0 - ratio) * l,
                    ratio * l2,
                    2.0 * i * nf / (x_s * x_s) * (x_s * s1 - s),
                ],
                vec![
                    2.0 * i * nf / (x_s * x_s) * (x_l * l1 - l),
                    -(nf * nf * s + x_s * x_s * s2 - x_s * s1) / (x_s * x_s),
                ],
                vec![
                    -heavy * b * slope(&h, x),
                    -heavy * slope(&j, x),
                    x_l * l1 / x,
                    i * nf * s / x,
                ],
            ];
            for (row, terms) in rows.iter().enumerate() {
                let largest = terms.iter().map(|t| t.norm()).fold(0.0, f64::max);
                let rest = terms.iter().sum::<Complex64>().norm() / largest;
                assert!(rest < 1e-11, "order {n}, row {row}: {rest:e} left");
            }
        }
    }
}

/// Truth: closed form (fluid cylinder, two equations per order). The shear velocity goes to
/// nought; its heavy attenuation keeps the shear layer from resonating.
/// Tolerance: the shear impedance left, 1e-4 of the longitudinal one, times the orders' slopes.
#[test]
fn without_rigidity_it_is_a_fluid_cylinder() {
    let fluid = water();
    let solid = Solid::new(2500.0, 0.25, 1800.0).expect("nearly a fluid");
    for ka in [0.3, 1.0, 2.7, 6.0] {
        let angular = Complex64::new(ka * 1480.0 / 0.01, 0.0);
        let still = Attenuation { longitudinal_np_m: 0.0, shear_np_m: 3000.0 };
        let got =
            ModalSolution::new(0.01, &solid, &fluid, angular, still, Passage::Full).expect("valid");
        let (x, x1) = (Complex64::new(ka, 0.0), Complex64::new(ka * 1480.0 / 2500.0, 0.0));
        let outside = (bessel_j(x, 12).expect("ok"), hankel_1(x, 12).expect("ok"));
        let inside = bessel_j(x1, 12).expect("ok");
        for n in 0..10 {
            let slope = |ladder: &Ladder, x: Complex64| {
                n as f64 / x * ladder.value(n) - ladder.value(n + 1)
            };
            // Equal pressure, equal normal velocity: p'/ρ k ... with g = (ρ_f c_f)/(ρ c) J'/J.
            let g = 1480.0 * 1000.0 / (2500.0 * 1800.0) * slope(&inside, x1) / inside.value(n);
            let want = -(slope(&outside.0, x) - g * outside.0.value(n))
                / (slope(&outside.1, x) - g * outside.1.value(n));
            let off = (got.scattered()[n] - want).norm();
            assert!(off < 3e-3, "ka {ka}, order {n}: {} against {want}", got.scattered()[n]);
        }
    }
}

/// |Σ ε_n (-1)^n b_n|, the sum of the far field straight back.
fn back(solution: &ModalSolution) -> f64 {
    let term = |(n, b): (usize, &Complex64)| {
        b * if n == 0 {
            1.0
        } else if n % 2 == 0 {
            2.0
        } else {
            -2.0
        }
    };
    solution.scattered().iter().enumerate().map(term).sum::<Complex64>().norm()
}

/// Truth: published table (target strength of a finite cylinder at broadside, L = 40 mm,
/// a = 5 mm, from an open test data set; |f| = (L/π)|Σ|). Tolerance: its printed digits.
#[test]
fn target_strengths_of_a_finite_cylinder() {
    let fluid = Fluid::new(1477.3, 1026.8).expect("sea water");
    let solid = Solid::new(6398.0, 3122.0, 2800.0).expect("aluminium");
    for (frequency, want) in [
        (12e3, -58.658416),
        (20e3, -50.653594),
        (38e3, -43.358125),
        (50e3, -42.671589),
        (60e3, -42.395063),
        (68e3, -40.405365),
    ] {
        let solution = modal(0.005, &solid, &fluid, TAU * frequency);
        let got = 20.0 * (0.04 / PI * back(&solution)).log10();
        assert!((got - want).abs() < 2e-6, "{frequency} Hz: {got} against {want} dB");
    }
}

/// Truth: published table (form functions |f∞| = 2/√(π ka) |Σ| in water of 20 °C, 1482.38 m/s and
/// 998.2 kg/m³; computed by an independent program). Tolerance: its printed digits.
#[test]
fn form_functions_of_three_metals() {
    let fluid = Fluid::new(1482.38, 998.2).expect("water");
    let sizes = [0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0];
    #[rustfmt::skip]
    let table = [
        (5920.0, 3255.0, 7850.0, [0.66339, 0.89192, 1.10153, 1.05200, 0.99413, 0.77614, 0.97901,
            0.24875, 1.17626, 0.74040, 0.77285]),
        (6300.0, 3130.0, 2700.0, [0.47572, 0.64987, 1.18981, 1.16121, 1.04375, 0.15604, 0.75641,
            0.57239, 0.67362, 0.64886, 0.76479]),
        (6853.0, 4171.0, 14900.0, [0.72430, 0.96214, 1.07457, 1.01479, 0.95991, 0.95528, 0.97652,
            1.04431, 0.87411, 1.04475, 0.99699]),
    ];
    for (longitudinal, shear, density, row) in table {
        let solid = Solid::new(longitudinal, shear, density).expect("metal");
        for (ka, want) in sizes.into_iter().zip(row) {
            let solution = modal(0.01, &solid, &fluid, ka * 1482.38 / 0.01);
            let got = 2.0 / (PI * ka).sqrt() * back(&solution);
            assert!((got - want).abs() < 1e-5, "{longitudinal} m/s, ka {ka}: {got}, {want}");
        }
    }
}

fn band(passage: Passage, damping: f64) -> CylinderBand {
    let frequencies: Vec<f64> = (0..9).map(|k| 3e6 + 0.5e6 * f64::from(k)).collect();
    CylinderBand::new(0.021, &steel(), &water(), &frequencies, damping, passage).expect("valid")
}

/// Largest difference relative to the largest value.
fn difference(a: &Spectra, b: &Spectra) -> f64 {
    let largest = a.iter().flatten().map(|v| v.norm()).fold(0.0, f64::max);
    let off = a.iter().flatten().zip(b.iter().flatten()).map(|(a, b)| (a - b).norm());
    off.fold(0.0, f64::max) / largest
}

fn drives() -> Vec<Drive> {
    (0..4_usize)
        .map(|beam| {
            let active: Vec<usize> = (0..8).map(|e| 3 * beam + e).collect();
            let delays: Vec<f64> = (0..8).map(|e| 2e-8 * ((e * e + beam) as f64)).collect();
            let weights: Vec<f64> = (0..8).map(|e| 1.0 - 0.05 * e as f64).collect();
            Drive::weighted(&active, &delays, &weights).expect("valid")
        })
        .collect()
}

fn ring() -> LineArray {
    let elements = arc(0.06, 1.1, 24, 0.7e-3, 0.6e-3, 0.01);
    LineArray::new(&elements, 4, Point::default(), Some(0.06)).expect("valid")
}

/// Truth: the plain way (own code). Tolerance: rounding; the fast way sums in another order.
#[test]
fn the_shortcut_for_concentric_arrays_changes_nothing() {
    let (fast, drives) = (ring(), drives());
    assert!(fast.is_concentric());
    let plain = fast.clone().without_shortcut();
    let points: Vec<Point> =
        (0..12).map(|k| Point::polar(0.00175 * f64::from(k), 1.3 * f64::from(k))).collect();
    for (passage, damping) in [(Passage::First, 0.0), (Passage::Full, 5e4)] {
        let band = band(passage, damping);
        let (fast, plain) = (band.illuminate(&fast).unwrap(), band.illuminate(&plain).unwrap());
        for mode in [Mode::L, Mode::S] {
            let a = fast.fields_at(&drives, &points, mode).unwrap();
            let b = plain.fields_at(&drives, &points, mode).unwrap();
            let largest =
                a.iter().map(|s| s.iter().flatten().map(|v| v.norm()).fold(0.0, f64::max));
            let largest = largest.fold(0.0, f64::max);
            for (a, b) in a.iter().zip(&b) {
                for (a, b) in a.iter().flatten().zip(b.iter().flatten()) {
                    assert!((a - b).norm() < 1e-10 * largest, "{mode:?}: {a} against {b}");
                }
            }
        }
        let mut other = drives.clone();
        other.rotate_left(1);
        for receive in [&drives, &other] {
            let a = fast.received(&drives, receive).unwrap();
            let b = plain.received(&drives, receive).unwrap();
            assert!(difference(&a, &b) < 1e-10, "received: {:e}", difference(&a, &b));
        }
    }
}

/// Truth: closed form (the sum of the received pressure over the receiving line sources, order by
/// order, as the definition has it). Tolerance: rounding.
#[test]
fn received_is_the_scattered_pressure_at_the_elements() {
    let (band, array, drives) = (band(Passage::Full, 3e4), ring(), drives());
    let illumination = band.illuminate(&array).unwrap();
    let got = illumination.received(&drives[..1], &drives[2..3]).unwrap();
    for (f, (solution, angular)) in
        band.solutions().iter().zip(band.angular_frequencies()).enumerate()
    {
        let k = solution.wave_number_water();
        // Orders whose plain Hankel functions a float holds; the rest of b_n is nothing.
        let top = solution.highest_order().min((k.re * 0.021) as usize + 60);
        let hankel = hankel_1(k * 0.06, top).unwrap();
        let mut want = Complex64::ZERO;
        let turned = |drive: &Drive, i: usize| {
            (Complex64::i() * angular * drive.delays_s()[i]).exp() * drive.weights()[i]
        };
        for t in 0..8 {
            for r in 0..8 {
                let factor = turned(&drives[0], t) * turned(&drives[2], r);
                for a in &array.elements()[drives[0].elements()[t]] {
                    for b in &array.elements()[drives[2].elements()[r]] {
                        let turn = b.at.angle() - a.at.angle();
                        let mut sum = Complex64::ZERO;
                        for (n, scattered) in solution.scattered()[..=top].iter().enumerate() {
                            let both = if n == 0 { 1.0 } else { 2.0 * (n as f64 * turn).cos() };
                            sum += scattered * hankel.value(n) * hankel.value(n) * both;
                        }
                        want += factor * a.weight * b.weight * sum * Complex64::new(0.0, 0.25);
                    }
                }
            }
        }
        let off = (got.row(0)[f] - want).norm() / want.norm();
        assert!(off < 1e-9, "frequency {f}: {} against {want}", got.row(0)[f]);
    }
}

/// Truth: closed form (reciprocity: swapping transmitter and receiver changes nothing).
/// Tolerance: rounding.
#[test]
fn transmit_and_receive_may_be_swapped() {
    let elements = flat(Point::new(0.003, 0.05), -PI / 2.0, 24, 0.7e-3, 0.6e-3, 0.01);
    let array = LineArray::new(&elements, 3, Point::new(4e-4, -2e-4), None).unwrap();
    assert!(!array.is_concentric());
    let drives = drives();
    let band = band(Passage::Full, 0.0);
    let illumination = band.illuminate(&array).unwrap();
    let forth = illumination.received(&drives[..2], &drives[2..]).unwrap();
    let back = illumination.received(&drives[2..], &drives[..2]).unwrap();
    assert!(difference(&forth, &back) < 1e-11, "{:e}", difference(&forth, &back));
}

/// Truth: closed form (turning array and point together changes nothing; a mirror image leaves L
/// and turns the sign of S). Tolerance: rounding of angles times orders.
#[test]
fn turning_and_mirroring_the_scene() {
    let place = |angle: f64, mirror: f64| {
        let at = |k: usize| {
            let p = Point::new(0.001 * k as f64 - 0.004, 0.045 + 0.0007 * (k * k) as f64 / 9.0);
            vec![LineSource { at: Point::new(mirror * p.x, p.y).rotated(angle), weight: 1.0 }]
        };
        LineArray::from_sources((0..24).map(at).collect()).unwrap()
    };
    let (band, drives) = (band(Passage::First, 0.0), drives());
    let point = Point::new(0.006, 0.009);
    for mode in [Mode::L, Mode::S] {
        let field = |angle: f64, mirror: f64| {
            let array = place(angle, mirror);
            let at = Point::new(mirror * point.x, point.y).rotated(angle);
            band.illuminate(&array).unwrap().fields_at(&drives, &[at], mode).unwrap().remove(0)
        };
        let plain = field(0.0, 1.0);
        assert!(difference(&plain, &field(2.345, 1.0)) < 1e-10);
        let mirrored = field(0.0, -1.0);
        let sign = if mode == Mode::L { 1.0 } else { -1.0 };
        for (a, b) in plain.iter().flatten().zip(mirrored.iter().flatten()) {
            assert!((a - sign * b).norm() < 1e-10 * a.norm().max(1e-3 * b.norm()), "{a}, {b}");
        }
    }
}

/// Truth: the plain way (own code): a map's values are the peaks of single points.
/// Tolerance: 0.02 dB for the parabola through the map's samples where waves interfere.
#[test]
fn a_map_shows_what_single_points_show() {
    let step = 1.0 / 20.48e-6;
    let frequencies: Vec<f64> = (19..186).map(|k| f64::from(k) * step).collect();
    let pulse: Vec<Complex64> = frequencies
        .iter()
        .map(|f| Complex64::new((-0.5 * ((f - 5e6) / 1.27e6).powi(2)).exp(), 0.0))
        .collect();
    let band =
        CylinderBand::new(0.021, &steel(), &water(), &frequencies, 0.0, Passage::First).unwrap();
    let (array, drives) = (ring(), drives());
    let illumination = band.illuminate(&array).unwrap();
    let radii = vec![0.0, 0.004, 0.0117, 0.0195];
    let grid = MapGrid { times: 512, ..MapGrid::full(radii.clone(), 720, frequencies.len()) };
    let synthesis = Synthesis::new(&band, 0.0, 1024.0 * step, 1024).unwrap();
    for mode in [Mode::L, Mode::S] {
        let map = illumination.map(&drives[1], mode, &grid, &pulse).unwrap();
        let sector = MapGrid { sector: (700, 50), ..grid.clone() };
        let part = illumination.map(&drives[1], mode, &sector, &pulse).unwrap();
        let largest = map.peak.iter().copied().fold(0.0, f64::max);
        for (ring, &radius) in radii.iter().enumerate() {
            for m in [0_usize, 100, 185, 190, 400, 719] {
                let at = Point::polar(radius, TAU * m as f64 / 720.0);
                let field = illumination.fields_at(&drives[1..2], &[at], mode).unwrap();
                let pulsed: Vec<_> =
                    field[0].row(0).iter().zip(&pulse).map(|(p, s)| p * s).collect();
                let want = peak_envelope(&synthesis.analytic(&pulsed).unwrap()).0;
                let got = map.ring(ring)[m];
                // Far below the beam's maximum the envelope has several narrow peaks.
                if want > 0.03 * largest {
                    let off = 20.0 * (got / want).log10();
                    assert!(off.abs() < 0.02, "{mode:?} {radius} {m}: off by {off} dB");
                }
            }
            for m in 0..50 {
                assert_eq!(part.ring(ring)[m], map.ring(ring)[(700 + m) % 720]);
            }
        }
    }
}

/// Truth: closed form (a lone line source in water: no bar needed). The surface echo of the bar
/// arrives when it must, and the damped record equals the undamped one where nothing wraps.
/// Tolerance: a tenth of a period for the time, e^-5 of the tail for the record.
#[test]
fn the_surface_echo_arrives_in_time_and_damping_is_taken_out() {
    let step = 1.0 / 60e-6;
    let frequencies: Vec<f64> = (80..520).map(|k| f64::from(k) * step).collect();
    let source = vec![vec![LineSource { at: Point::new(0.0, 0.06), weight: 1.0 }]];
    let array = LineArray::from_sources(source).unwrap();
    let drive = [Drive::new(&[0], &[0.0]).unwrap()];
    let record = |damping: f64| {
        let band =
            CylinderBand::new(0.021, &steel(), &water(), &frequencies, damping, Passage::Full)
                .unwrap();
        let spectrum = band.illuminate(&array).unwrap().received(&drive, &drive).unwrap();
        // The pulse continued to the complex frequency, so that its shape is kept.
        let pulsed: Vec<Complex64> = spectrum
            .row(0)
            .iter()
            .zip(band.angular_frequencies())
            .map(|(p, w)| {
                let off = (w / TAU - 5e6) / 0.7e6;
                p * (-0.5 * off * off).exp()
            })
            .collect();
        let fast = Synthesis::new(&band, 40e-6, 3000.0 * step, 2000).unwrap();
        let plain = Synthesis::new(&band, 40e-6, 3000.4 * step, 3000).unwrap();
        let (fast, plain) = (fast.analytic(&pulsed).unwrap(), plain.analytic(&pulsed).unwrap());
        assert!((fast[0] - plain[0]).norm() < 1e-9 * peak_envelope(&fast).0);
        fast
    };
    let damped = record(1.5e5);
    let (peak, at) = peak_envelope(&damped[..1000]);
    let time = 40e-6 + at * 60e-6 / 3000.0;
    let want = 2.0 * 0.039 / 1480.0;
    assert!((time - want).abs() < 0.02e-6, "surface echo at {time}, expected {want}");
    // More damping wraps less still: they agree to what wraps, e^-9 of the later echoes.
    let twice = record(2.5e5);
    for (j, (a, b)) in damped.iter().zip(&twice).enumerate().take(1800) {
        assert!((a - b).norm() < 2e-3 * peak, "sample {j}: {a} against {b}");
    }
}

#[test]
fn impossible_requests_say_why() {
    let band = band(Passage::First, 0.0);
    let array = ring();
    let illumination = band.illuminate(&array).unwrap();
    let drive = Drive::new(&[99], &[0.0]).unwrap();
    let text = illumination.fields_at(&[drive], &[Point::default()], Mode::L).unwrap_err();
    assert!(text.to_string().contains("99"), "{text}");
    let outside = illumination.fields_at(&drives(), &[Point::new(0.03, 0.0)], Mode::L);
    assert!(outside.unwrap_err().to_string().contains("0.03"));
    assert!(Drive::new(&[1, 2], &[0.0]).is_err());
    assert!(illumination.received(&drives(), &drives()[..1]).is_err());
    let inside =
        LineArray::from_sources(vec![vec![LineSource { at: Point::new(0.0, 0.01), weight: 1.0 }]])
            .unwrap();
    assert!(band.illuminate(&inside).is_err());
    assert!(Synthesis::new(&band, 0.0, 1e6, 10).is_err());
    let falling = CylinderBand::new(0.02, &steel(), &water(), &[2e6, 1e6], 0.0, Passage::Full);
    assert!(falling.is_err());
}

//! Speed of the least-time solver in bulk and of ray maps, beside a compiled Newton loop in Python
//! (numba) on the same cases.
//!
//! `cargo bench -p barwright-wave --bench fermat`

mod support;

use barwright_wave::fermat::{Fermat, Rays, aperture_times};
use barwright_wave::pulse::Pulse;
use barwright_wave::ray::{self, Aperture, Attenuation, RayMedium};
use barwright_wave::{Element, Fluid, Mode, Point, Solid, Surface, array, delay};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::f64::consts::{FRAC_PI_2, PI};
use support::{Row, Timing, print, time_s};

const WATER_M_S: f64 = 1480.0;
const L_M_S: f64 = 5900.0;
const S_M_S: f64 = 3230.0;
const RADIUS_M: f64 = 0.03;
const BAR: Surface = Surface::Round { centre: Point::new(0.0, 0.0), radius_m: RADIUS_M };
/// Angle between successive points of a sunflower pattern.
const GOLDEN_RAD: f64 = 2.399_963_229_728_653;
const RUNS: usize = 9;
/// Targets whose rays are solved into one set of buffers.
const BUFFER: usize = 4096;

fn main() {
    let peak = peak_gflops();
    println!("multiply-add peak of one core, measured: {peak:.1} GFLOP/s");
    // The peer runs before and after us, and its shortest runs count: whatever else the machine does
    // meanwhile must not be to our favour.
    let before = support::peer("fermat.py");
    let mut rows = solver_rows(&before, peak);
    let after = support::peer("fermat.py");
    for row in &mut rows {
        if let (Some((_, s)), Some(again)) = (&mut row.peer, after.get(&row.case)) {
            *s = s.min(*again);
        }
    }
    print("Least-time paths", &rows);
    print("Ray maps, 128 elements, 60 mm bar", &map_rows());
}

fn solver_rows(peers: &BTreeMap<String, f64>, peak: f64) -> Vec<Row> {
    let mut rows = Vec::new();
    let (x, y) = sunflower(1_000_000);
    let from = Point::polar(0.055, 1.9);
    for (mode, c) in [("L", L_M_S), ("S", S_M_S)] {
        let solver = Fermat::new(&BAR, from, WATER_M_S, c).expect("a source in the water");
        let mut times = vec![0.0; x.len()];
        let timing = time_s(RUNS, || solver.times(&x, &y, &mut times).expect("times"));
        let case = format!("1e6 targets, 1 element, {mode}, times");
        agree(peers, &case, times.iter().sum());
        rows.push(row(case, timing, x.len(), 1, peers, Some(peak)));
        // In buffers that stay in the cache, as maps use them; else the memory sets the pace.
        let mut rays = Rays::new(BUFFER);
        let mut all = || {
            x.chunks(BUFFER).zip(y.chunks(BUFFER)).fold(0.0, |sum, (x, y)| {
                rays.resize(x.len());
                solver.rays(x, y, &mut rays.as_mut()).expect("rays");
                sum + rays.time_s.iter().sum::<f64>()
            })
        };
        let timing = time_s(RUNS, &mut all);
        let case = format!("1e6 targets, 1 element, {mode}, full rays");
        agree(peers, &case, all());
        rows.push(row(case, timing, x.len(), 1, peers, Some(peak)));
    }
    let from: Vec<Point> = probe(64).iter().map(|e| e.centre).collect();
    let (x, y) = square(300);
    for (mode, c) in [("L", L_M_S), ("S", S_M_S)] {
        let mut times = vec![0.0; x.len() * from.len()];
        for threads in [1, cores()] {
            let timing = on(threads, || {
                time_s(RUNS, || {
                    aperture_times(&BAR, &from, WATER_M_S, c, &x, &y, &mut times).expect("times")
                })
            });
            let case = format!("64 elements, 300 x 300 grid, {mode}");
            agree(peers, &case, times.iter().sum());
            rows.push(row(case, timing, times.len(), threads, peers, None));
        }
    }
    rows
}

/// Maps against the plain engine, one point at a time on as many threads.
fn map_rows() -> Vec<Row> {
    let mut rows = Vec::new();
    let elements = probe(128);
    let medium = RayMedium {
        fluid: Fluid::new(WATER_M_S, 1000.0).expect("water"),
        solid: Solid::new(L_M_S, S_M_S, 7800.0).expect("steel"),
        attenuation: Attenuation::default(),
    };
    let lossy = RayMedium {
        attenuation: Attenuation {
            longitudinal_np_m: 3.0,
            shear_np_m: 6.0,
            ..Attenuation::default()
        },
        ..medium
    };
    let pulse = Pulse::new(5e6, 0.6).expect("a pulse");
    let (x, y) = square(100);
    let points: Vec<Point> = x.iter().zip(&y).map(|(x, y)| Point::new(*x, *y)).collect();
    for (name, mode, medium) in
        [("L", Mode::L, &medium), ("S", Mode::S, &medium), ("L, attenuated", Mode::L, &lossy)]
    {
        let c = medium.solid.velocity_m_s(mode);
        let target = Point::new(0.005, -0.01);
        let law = delay::focus(&BAR, &elements, target, WATER_M_S, c, Some(5e-9)).expect("a law");
        let aperture = Aperture { elements: &elements, delays_s: &law.delays_s, weights: None };
        for threads in [1, cores()] {
            let ours = on(threads, || {
                time_s(RUNS, || {
                    ray::map(&BAR, medium, &aperture, mode, &pulse, &points).expect("a map")
                })
            });
            let plain = on(threads, || {
                time_s(3, || {
                    points
                        .par_iter()
                        .map(|p| ray::peak_envelope(&BAR, medium, &aperture, mode, &pulse, *p))
                        .collect::<Vec<_>>()
                })
            });
            rows.push(Row {
                case: format!("100 x 100 grid, {name}, {threads} thread(s)"),
                ours,
                peer: Some(("point by point".to_owned(), plain.least_s)),
                note: format!("{:.0} thousand points/s", points.len() as f64 / ours.median_s / 1e3),
            });
        }
    }
    rows
}

fn row(
    case: String,
    ours: Timing,
    solves: usize,
    threads: usize,
    peers: &BTreeMap<String, f64>,
    peak: Option<f64>,
) -> Row {
    let rate = solves as f64 / ours.median_s / 1e6;
    let mut note = format!("{rate:.1} M solves/s on {threads} thread(s)");
    if let Some(peak) = peak {
        // Counted in the kernel, a fused multiply-add as two, a root or quotient as one, half of it in
        // single precision: 15 to start, 72 a step (two single, one double), 20 to finish.
        let flops = rate * 1e6 * (15.0 + 2.0 * 72.0 / 2.0 + 72.0 + 20.0);
        note += &format!(", {:.0} % of the multiply-add peak", flops / (peak * 1e9) * 100.0);
    }
    // The peer uses one thread.
    let peer = peers.get(&case).filter(|_| threads == 1).map(|s| ("numba".to_owned(), *s));
    Row { case, ours, peer, note }
}

/// Compares our check value with the peer's; 1e-12 s in every single time.
fn agree(peers: &BTreeMap<String, f64>, case: &str, sum: f64) {
    let Some(theirs) = peers.get(&format!("{case}, check")) else { return };
    let count = if case.starts_with("64") { 64.0 * 90_000.0 } else { 1e6 };
    let off = (sum - theirs).abs() / count;
    assert!(off < 1e-12, "{case}: sums of times {sum} and {theirs} differ by {off} s a target");
}

/// Targets all over the bar, close to the surface too.
fn sunflower(count: usize) -> (Vec<f64>, Vec<f64>) {
    (0..count)
        .map(|i| {
            let r = 0.9999 * RADIUS_M * ((i as f64 + 0.5) / count as f64).sqrt();
            let p = Point::polar(r, (i as f64 * GOLDEN_RAD) % (2.0 * PI));
            (p.x, p.y)
        })
        .unzip()
}

/// A square grid inside the bar, `side` points a side.
fn square(side: usize) -> (Vec<f64>, Vec<f64>) {
    let at = |i: usize| RADIUS_M * 1.4 * (i as f64 / (side - 1) as f64 - 0.5);
    (0..side * side).map(|k| (at(k % side), at(k / side))).unzip()
}

fn probe(count: usize) -> Vec<Element> {
    array::arc(0.055, FRAC_PI_2, count, 6e-4, 5e-4, 1e-2)
}

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

fn on<T: Send>(threads: usize, work: impl FnOnce() -> T + Send) -> T {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    pool.expect("threads").install(work)
}

/// Rate of a loop of fused multiply-adds in registers: twelve independent chains of four lanes.
fn peak_gflops() -> f64 {
    struct Chains;
    impl pulp::WithSimd for Chains {
        type Output = f64;
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, simd: S) -> f64 {
            let (a, b) = (simd.splat_f64s(0.999_999), simd.splat_f64s(1e-9));
            let mut x = [simd.splat_f64s(1.0); 12];
            for _ in 0..2_000_000 {
                for v in &mut x {
                    *v = simd.mul_add_f64s(*v, a, b);
                }
            }
            x.iter().map(|v| simd.reduce_sum_f64s(*v)).sum()
        }
    }
    let timing = time_s(RUNS, || pulp::Arch::new().dispatch(Chains));
    let lanes = lanes();
    2.0 * 12.0 * 2e6 * lanes as f64 / timing.least_s / 1e9
}

fn lanes() -> usize {
    struct Width;
    impl pulp::WithSimd for Width {
        type Output = usize;
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, _: S) -> usize {
            S::F64_LANES
        }
    }
    pulp::Arch::new().dispatch(Width)
}

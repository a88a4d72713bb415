//! Speed, accuracy and memory of exact maps of a round bar, beside SciPy and numba on the same cases.
//!
//! `cargo bench -p barwright-wave --bench exact_map`

mod support;

use barwright_wave::array::arc;
use barwright_wave::cylinder::{CylinderBand, Drive, FieldMap, LineArray, MapGrid, Passage};
use barwright_wave::{Fluid, Mode, Point, Solid};
use num_complex::{Complex, Complex32, Complex64};
use rustfft::FftPlanner;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;
use support::{Row, Timing, print, time_s};

const PEER: &str = "exact_map.py";
const RUNS: usize = 9;
const ELEMENTS: usize = 16;
/// Set in the child process that measures its memory.
const MEMORY: &str = "BARWRIGHT_EXACT_MAP_MEMORY";

/// A bar and its grid.
struct Size {
    name: &'static str,
    radius_m: f64,
    rings: usize,
    angles: usize,
    period_s: f64,
    times: usize,
}

const SIZES: [Size; 2] = [
    Size {
        name: "60 mm",
        radius_m: 0.03,
        rings: 150,
        angles: 1024,
        period_s: 20.48e-6,
        times: 256,
    },
    Size {
        name: "120 mm",
        radius_m: 0.06,
        rings: 200,
        angles: 2048,
        period_s: 40.96e-6,
        times: 512,
    },
];
const LARGEST: Size = Size {
    name: "254 mm",
    radius_m: 0.127,
    rings: 300,
    angles: 4096,
    period_s: 81.92e-6,
    times: 1024,
};

impl Size {
    fn frequencies(&self) -> Vec<f64> {
        let (low, high) = ((0.92e6 * self.period_s).ceil(), (9.08e6 * self.period_s).floor());
        (low as usize..=high as usize).map(|k| k as f64 / self.period_s).collect()
    }

    fn spectrum(&self) -> Vec<Complex64> {
        let gauss = |f: &f64| (-0.5 * ((f - 5e6) / 1.274e6_f64).powi(2)).exp();
        self.frequencies().iter().map(|f| Complex64::new(gauss(f), 0.0)).collect()
    }

    fn array(&self) -> LineArray {
        let face = self.radius_m + 0.03;
        let elements = arc(face, FRAC_PI_2, ELEMENTS, 0.8e-3, 0.7e-3, 0.01);
        LineArray::new(&elements, 4, Point::default(), Some(face)).expect("an array")
    }

    fn band(&self) -> CylinderBand {
        let steel = Solid::new(5900.0, 3230.0, 7800.0).expect("steel");
        let water = Fluid::new(1480.0, 1000.0).expect("water");
        let first = Passage::First;
        CylinderBand::new(self.radius_m, &steel, &water, &self.frequencies(), 0.0, first)
            .expect("a band")
    }

    /// The whole section, or every few rings of it.
    fn grid(&self, every: usize, times: usize) -> MapGrid {
        let radius = |k| self.radius_m * k as f64 / self.rings as f64;
        let radii = (0..self.rings).step_by(every).map(radius).collect();
        MapGrid { times, ..MapGrid::full(radii, self.angles, times) }
    }

    /// Operations of the transforms of one map: 5 N log2 N each, in 10^9.
    fn transform_gflop(&self) -> [f64; 2] {
        let one = |n: usize| 5.0 * n as f64 * (n as f64).log2() * 1e-9;
        let rings = (self.rings * self.frequencies().len()) as f64 * one(self.angles);
        [rings, (self.rings * self.angles) as f64 * one(self.times)]
    }
}

/// Straight for L, steered for S.
fn drive(mode: Mode) -> Drive {
    let slope = if mode == Mode::L { 0.0 } else { 1.4e-7 };
    let delays: Vec<f64> = (0..ELEMENTS).map(|e| slope * e as f64).collect();
    Drive::new(&(0..ELEMENTS).collect::<Vec<_>>(), &delays).expect("a drive")
}

fn main() {
    if std::env::var_os(MEMORY).is_some() {
        return memory_of_the_largest();
    }
    let (single, double) = (peak_gflops::<f32>(), peak_gflops::<f64>());
    println!(
        "multiply-add peak of one core, measured: {single:.0} GFLOP/s single, {double:.0} double"
    );
    println!("memory to memory, one core, measured: {:.1} GB/s read and written", copy_gb_s());
    // The peer runs before and after us, and its shortest runs count: whatever else the machine does
    // meanwhile must not be to our favour.
    let before = support::peer(PEER);
    let mut rows: Vec<Row> = SIZES.iter().flat_map(|size| rows(size, &before, single)).collect();
    let after = support::peer(PEER);
    for row in &mut rows {
        if let (Some((_, s)), Some(again)) = (&mut row.peer, after.get(&row.case)) {
            *s = s.min(*again);
        }
    }
    print("Exact maps of a new law on a kept modal solution", &rows);
    let program = std::env::current_exe().expect("this program has a place");
    let child = std::process::Command::new(program).env(MEMORY, "1").status();
    if !child.is_ok_and(|status| status.success()) {
        eprintln!("SKIPPED: the run that measures memory did not end well");
    }
}

fn rows(size: &Size, peers: &BTreeMap<String, f64>, peak: f64) -> Vec<Row> {
    let mut rows = Vec::new();
    let spectrum = size.spectrum();
    let peer = |case: &str| peers.get(case).map(|s| ("scipy and numba".to_owned(), *s));
    let case = format!("{}, band", size.name);
    let ours = on(1, || time_s(3, || size.band()));
    rows.push(Row {
        peer: peer(&case),
        case,
        ours,
        note: format!("set-up, kept: {} frequencies, 1 thread", spectrum.len()),
    });
    let band = size.band();
    let array = size.array();
    let ours = on(1, || time_s(3, || band.illuminate(&array).expect("outside")));
    let case = format!("{}, illumination", size.name);
    rows.push(Row { case, ours, peer: None, note: "set-up, kept, 1 thread".into() });
    let illumination = band.illuminate(&array).expect("outside");
    let grid = size.grid(1, size.times);
    for mode in [Mode::L, Mode::S] {
        let drive = drive(mode);
        let fast = || illumination.map(&drive, mode, &grid, &spectrum).expect("a map");
        let case = format!("{}, {mode:?}", size.name);
        agree(peers, &case, &fast());
        let ours = on(1, || time_s(RUNS, fast));
        let total: f64 = size.transform_gflop().iter().sum();
        let rate = total / ours.median_s;
        let note = format!(
            "single, 1 thread; transforms {total:.1} GFLOP, {rate:.0} GFLOP/s of all time, {:.0} % of peak",
            100.0 * rate / peak
        );
        rows.push(Row { peer: peer(&case), case, ours, note });
        let two = on(2, || time_s(RUNS, fast));
        rows.push(Row {
            case: format!("{}, {mode:?}, 2 threads", size.name),
            ours: two,
            peer: None,
            note: format!("single, {:.2} times as fast as 1 thread", ours.median_s / two.median_s),
        });
        let plain = || illumination.map_plain(&drive, mode, &grid, &spectrum).expect("a map");
        let every = size.rings / 15;
        let (few, fine) = (size.grid(every, size.times), size.grid(every, 16 * size.times));
        let few = illumination.map(&drive, mode, &few, &spectrum).expect("a map");
        let fine = illumination.map_plain(&drive, mode, &fine, &spectrum).expect("a map");
        rows.push(Row {
            case: format!("{}, {mode:?}, plain", size.name),
            ours: on(1, || time_s(3, plain)),
            peer: None,
            note: format!(
                "double, 1 thread; single with {} times against double with {}: {:.4} dB at worst within 40 dB",
                size.times,
                16 * size.times,
                worst_db(&few, &fine)
            ),
        });
    }
    rows.extend(transforms(size, peak));
    rows
}

/// The library's transforms alone, as many as a map takes, on data that stay in the cache.
fn transforms(size: &Size, peak: f64) -> Vec<Row> {
    let frequencies = size.frequencies().len();
    let kinds = [
        ("rings", size.angles, size.rings * frequencies),
        ("times", size.times, size.rings * size.angles),
    ];
    let row = |(gflop, (name, length, count)): (f64, (&str, usize, usize))| {
        let fft = FftPlanner::<f32>::new().plan_fft_forward(length);
        let mut data = vec![Complex32::ZERO; length];
        let mut scratch = vec![Complex::ZERO; fft.get_inplace_scratch_len()];
        let ours = time_s(3, || {
            for _ in 0..count {
                fft.process_with_scratch(&mut data, &mut scratch);
            }
        });
        let rate = gflop / ours.median_s;
        let note = format!(
            "{count} transforms of {length}: {rate:.0} GFLOP/s, {:.0} % of peak",
            100.0 * rate / peak
        );
        Row { case: format!("{}, {name} alone", size.name), ours, peer: None, note }
    };
    size.transform_gflop().into_iter().zip(kinds).map(row).collect()
}

/// Compares peaks with the peer's. It follows no peak between its samples, which costs it 0.05 dB
/// where the beam is, more where weak waves interfere.
fn agree(peers: &BTreeMap<String, f64>, case: &str, map: &FieldMap) {
    let largest = map.peak.iter().copied().fold(0.0, f64::max);
    let (mut compared, mut worst) = (0, 0.0_f64);
    for point in 0..8 {
        let of = |what: &str| peers.get(&format!("{case}, {what} {point}"));
        let (Some(&angle), Some(&theirs)) = (of("angle"), of("point")) else { continue };
        let ring = (2 * point + 1) * map.radii_m.len() / 18;
        let ours = map.ring(ring)[angle as usize];
        let off = (ours - theirs).abs() / (0.006 * ours + 0.001 * largest);
        assert!(off < 1.0, "{case}, ring {ring}: {ours} and {theirs}, largest {largest}");
        worst = worst.max((20.0 * (ours / theirs).log10()).abs());
        compared += 1;
    }
    println!("{case}: {compared} peaks agree with the peer's, {worst:.3} dB at worst");
}

/// Largest difference in dB where the truth lies within 40 dB of its peak.
fn worst_db(map: &FieldMap, truth: &FieldMap) -> f64 {
    let peak = truth.peak.iter().copied().fold(0.0, f64::max);
    let pairs = map.peak.iter().zip(&truth.peak).filter(|(_, t)| **t > 0.01 * peak);
    pairs.map(|(a, b)| (20.0 * (a / b).log10()).abs()).fold(0.0, f64::max)
}

/// A thick bar in a process of its own, on all cores.
fn memory_of_the_largest() {
    let size = &LARGEST;
    let band = size.band();
    let array = size.array();
    let illumination = band.illuminate(&array).expect("outside");
    let kept = peak_memory_mib();
    let (grid, spectrum) = (size.grid(1, size.times), size.spectrum());
    let timing =
        time_s(1, || illumination.map(&drive(Mode::S), Mode::S, &grid, &spectrum).expect("a map"));
    let (rings, angles, count) = (size.rings, size.angles, spectrum.len());
    println!(
        "\n{}, {rings} x {angles}, {count} frequencies, S, all cores: {:.2} s; peak memory {:.0} MiB, {:.0} MiB before the map",
        size.name,
        timing.median_s,
        peak_memory_mib(),
        kept
    );
}

/// Largest resident size of this process so far; NaN where the system does not tell.
fn peak_memory_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|rest| rest.split_whitespace().next()?.parse::<f64>().ok());
    kib.map_or(f64::NAN, |kib| kib / 1024.0)
}

fn on<T: Send>(threads: usize, work: impl FnOnce() -> T + Send) -> T {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    pool.expect("threads").install(work)
}

/// Bytes read and written a second by a copy of 256 MB.
fn copy_gb_s() -> f64 {
    let from = vec![1_u64; 32 << 20];
    let mut to = vec![0_u64; 32 << 20];
    let timing = time_s(5, || to.copy_from_slice(std::hint::black_box(&from)));
    2.0 * 8.0 * (32 << 20) as f64 / timing.least_s / 1e9
}

/// Rate of a loop of fused multiply-adds in registers: twelve independent chains of vectors.
fn peak_gflops<T: Chain>() -> f64 {
    struct Chains<T>(std::marker::PhantomData<T>);
    impl<T: Chain> pulp::WithSimd for Chains<T> {
        type Output = usize;
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, simd: S) -> usize {
            T::run(simd)
        }
    }
    let run = || pulp::Arch::new().dispatch(Chains::<T>(std::marker::PhantomData));
    let lanes = run();
    let timing: Timing = time_s(RUNS, run);
    2.0 * 12.0 * CHAIN as f64 * lanes as f64 / timing.least_s / 1e9
}

const CHAIN: usize = 2_000_000;

/// A precision whose multiply-adds can be timed.
trait Chain {
    /// Runs the loop; lanes of a vector.
    fn run<S: pulp::Simd>(simd: S) -> usize;
}

impl Chain for f32 {
    #[inline(always)]
    fn run<S: pulp::Simd>(simd: S) -> usize {
        let (a, b) = (simd.splat_f32s(0.999_999), simd.splat_f32s(1e-9));
        let mut x = [simd.splat_f32s(1.0); 12];
        for _ in 0..CHAIN {
            for v in &mut x {
                *v = simd.mul_add_f32s(*v, a, b);
            }
        }
        std::hint::black_box(x.map(|v| simd.reduce_sum_f32s(v)));
        S::F32_LANES
    }
}

impl Chain for f64 {
    #[inline(always)]
    fn run<S: pulp::Simd>(simd: S) -> usize {
        let (a, b) = (simd.splat_f64s(0.999_999), simd.splat_f64s(1e-9));
        let mut x = [simd.splat_f64s(1.0); 12];
        for _ in 0..CHAIN {
            for v in &mut x {
                *v = simd.mul_add_f64s(*v, a, b);
            }
        }
        std::hint::black_box(x.map(|v| simd.reduce_sum_f64s(v)));
        S::F64_LANES
    }
}

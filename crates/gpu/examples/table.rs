//! Times of both engines on this machine, what bounds the device, and how far they agree.
//!
//! `cargo run --release -p barwright-gpu --features cuda --example table`

#[cfg(feature = "cuda")]
mod table {
    use barwright_gpu::Device;
    use barwright_wave::array::arc;
    use barwright_wave::cylinder::batch::{
        BarBand, FieldEngine, MapBatch, MapItem, Processors, RingShares, Wanted,
    };
    use barwright_wave::cylinder::{Drive, LineArray};
    use barwright_wave::{Fluid, Mode, Point, Solid};
    use num_complex::Complex64;
    use std::f64::consts::{FRAC_PI_2, TAU};
    use std::time::Instant;

    const ELEMENTS: usize = 16;
    const SOURCES: usize = 4;

    /// A bar, its grid and pulse.
    #[derive(Clone, Copy)]
    struct Size {
        radius_m: f64,
        rings: usize,
        angles: usize,
        centre_hz: f64,
        record_s: f64,
        times: usize,
    }

    impl Size {
        fn frequencies(&self) -> Vec<f64> {
            let share = self.centre_hz / 5e6;
            let low = (0.92e6 * share * self.record_s).ceil() as usize;
            let high = (9.08e6 * share * self.record_s).floor() as usize;
            (low..=high).map(|k| k as f64 / self.record_s).collect()
        }

        fn words(&self) -> String {
            format!(
                "{:.0} mm, {} MHz, {} x {}, {} frequencies",
                2e3 * self.radius_m,
                self.centre_hz / 1e6,
                self.rings,
                self.angles,
                self.frequencies().len()
            )
        }
    }

    /// Apertures and offsets: steered by some angle, the bar up to a millimetre off centre.
    fn items(count: usize, bars: usize) -> Vec<MapItem> {
        (0..count)
            .map(|i| {
                let slope = 2e-7 * ((i * 7 % 41) as f64 / 20.0 - 1.0);
                let delays: Vec<f64> = (0..ELEMENTS).map(|e| slope * e as f64).collect();
                let all: Vec<usize> = (0..ELEMENTS).collect();
                let off = 1e-3 * ((i * 13 % 97) as f64 / 97.0).sqrt();
                MapItem {
                    bar: i % bars,
                    array: 0,
                    drive: Drive::new(&all, &delays).expect("a drive"),
                    centre: Point::polar(off, TAU * (i * 31 % 360) as f64 / 360.0),
                }
            })
            .collect()
    }

    struct Made {
        frequencies: Vec<f64>,
        spectrum: Vec<Complex64>,
        bars: Vec<BarBand>,
        arrays: Vec<LineArray>,
        items: Vec<MapItem>,
        rings: RingShares,
        times: usize,
    }

    fn made(size: &Size, count: usize, bars: usize) -> Made {
        let frequencies = size.frequencies();
        let sigma = 1.274e6 * size.centre_hz / 5e6;
        let gauss = |f: &f64| (-0.5 * ((f - size.centre_hz) / sigma).powi(2)).exp().into();
        let face = size.radius_m + 0.03;
        let pitch = 0.8e-3 * 5e6 / size.centre_hz;
        let elements = arc(face, FRAC_PI_2, ELEMENTS, pitch, 0.9 * pitch, 0.01);
        Made {
            spectrum: frequencies.iter().map(gauss).collect(),
            frequencies,
            bars: (0..bars)
                .map(|b| BarBand {
                    radius_m: size.radius_m * (1.0 + 0.01 * (b as f64 / bars as f64 - 0.5)),
                    solid: Solid::new(5900.0, 3230.0, 7800.0).expect("steel"),
                    fluid: Fluid::new(1480.0, 1000.0).expect("water"),
                    attenuation: Vec::new(),
                })
                .collect(),
            arrays: vec![
                LineArray::new(&elements, SOURCES, Point::default(), Some(face)).expect("an array"),
            ],
            items: items(count, bars),
            rings: RingShares {
                shares: (0..size.rings).map(|k| k as f64 / size.rings as f64).collect(),
                angles: size.angles,
            },
            times: size.times,
        }
    }

    impl Made {
        fn batch(&self, mode: Mode, count: usize) -> MapBatch<'_> {
            MapBatch {
                frequencies_hz: &self.frequencies,
                spectrum: &self.spectrum,
                mode,
                bars: &self.bars,
                arrays: &self.arrays,
                items: &self.items[..count.min(self.items.len())],
                rings: &self.rings,
                sector: (0, self.rings.angles),
                times: self.times,
            }
        }
    }

    fn seconds<T>(work: impl FnOnce() -> T) -> (f64, T) {
        let clock = Instant::now();
        let done = work();
        (clock.elapsed().as_secs_f64(), done)
    }

    fn on<T: Send>(threads: usize, work: impl FnOnce() -> T + Send) -> T {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.expect("threads").install(work)
    }

    fn worst_db(got: &[f64], want: &[f64]) -> f64 {
        let largest = want.iter().copied().fold(0.0, f64::max);
        let pairs = got.iter().zip(want).filter(|x| *x.1 > 0.01 * largest);
        pairs.map(|(a, b)| (20.0 * (a / b).log10()).abs()).fold(0.0, f64::max)
    }

    /// Bytes a map moves through device memory, at the least: rows written and read once.
    fn row_bytes(size: &Size) -> f64 {
        2.0 * 8.0 * (size.rings * size.angles * size.frequencies().len()) as f64
    }

    /// Operations of the transforms of one map, 5 N log2 N each.
    fn transform_flop(size: &Size, times: usize) -> f64 {
        let one = |n: usize| 5.0 * n as f64 * (n as f64).log2();
        (size.rings * size.frequencies().len()) as f64 * one(size.angles)
            + (size.rings * size.angles) as f64 * one(times)
    }

    pub fn run() {
        let (opened, device) = seconds(Device::open);
        let device = match device {
            Ok(device) => device,
            Err(e) => {
                eprintln!("SKIPPED: {e} ({})", e.hint());
                return;
            }
        };
        let info = device.info();
        println!(
            "device: {}, compute capability {}, driver of CUDA {}, NVRTC {}, {:.0} MiB; opened with its \
             kernels in {opened:.2} s; {} processors",
            info.name,
            info.capability,
            info.driver,
            info.compiler,
            info.memory as f64 / f64::from(1 << 20),
            rayon::current_num_threads()
        );
        let copy = device.copy_bytes_s().expect("a copy");
        println!("copy within the device, read and written: {:.2} TB/s", copy * 1e-12);
        let base = Size {
            radius_m: 0.03,
            rings: 150,
            angles: 1024,
            centre_hz: 5e6,
            record_s: 20.48e-6,
            times: 256,
        };
        heading("60 mm: one modal solution, apertures and offsets");
        let of_one = made(&base, 2000, 1);
        for mode in [Mode::L, Mode::S] {
            row(&device, &base, &of_one, mode, 2000, copy, true);
        }
        heading("batch");
        for count in [1, 10, 100, 1000] {
            row(&device, &base, &of_one, Mode::L, count, copy, false);
        }
        heading("a modal solution for each map");
        let of_many = made(&base, 500, 500);
        for mode in [Mode::L, Mode::S] {
            row(&device, &base, &of_many, mode, 500, copy, false);
        }
        heading("diameter");
        for (radius_m, rings, angles, record_s, times, count) in [
            (0.01, 50, 512, 20.48e-6, 256, 500),
            (0.06, 200, 2048, 40.96e-6, 512, 100),
            (0.127, 300, 4096, 81.92e-6, 1024, 20),
        ] {
            let size = Size { radius_m, rings, angles, record_s, times, ..base };
            let made = made(&size, count, 1);
            for mode in [Mode::L, Mode::S] {
                row(&device, &size, &made, mode, count, copy, radius_m < 0.1);
            }
        }
        heading("frequency");
        for (centre_hz, angles, record_s) in [(2.25e6, 512, 45.5e-6), (10e6, 2048, 10.24e-6)] {
            let size = Size { centre_hz, angles, record_s, ..base };
            let made = made(&size, 200, 1);
            row(&device, &size, &made, Mode::L, 200, copy, false);
        }
    }

    fn heading(words: &str) {
        println!("\n{words}");
    }

    /// One line, and where `plain` says so the processors' time and the agreement.
    fn row(
        device: &Device,
        size: &Size,
        made: &Made,
        mode: Mode,
        count: usize,
        copy: f64,
        plain: bool,
    ) {
        let batch = made.batch(mode, count);
        // Kernels of this shape are compiled once.
        device.maps(&made.batch(mode, 1), Wanted::Extremes).expect("maps");
        let (whole, answer) = seconds(|| device.maps(&batch, Wanted::Extremes).expect("maps"));
        device.time_kernels();
        device.maps(&batch, Wanted::Extremes).expect("maps");
        let kernels = device.kernel_seconds();
        let each = |s: f64| 1e3 * s / count as f64;
        let bytes = row_bytes(size);
        let of = |name: &str| kernels.get(name).copied().unwrap_or_default();
        let moving = of("circles") + of("peaks");
        println!(
            "{}, {mode:?}, batch {count}: {:.3} ms a map; rows {:.0} MB a map at {:.2} TB/s over circles \
             and peaks, {:.0} % of the copy rate; transforms {:.1} TFLOP/s",
            size.words(),
            each(whole),
            bytes * 1e-6,
            bytes * count as f64 / moving * 1e-12,
            100.0 * bytes * count as f64 / moving / copy,
            transform_flop(size, size.times.max(256)) * count as f64 / moving * 1e-12,
        );
        let list: Vec<String> =
            kernels.iter().map(|(name, s)| format!("{name} {:.4}", each(*s))).collect();
        println!("    ms a map by kernel: {}", list.join(", "));
        if !plain {
            return;
        }
        let few = made.batch(mode, 3);
        let got = device.maps(&few, Wanted::Maps).expect("maps");
        let band = made.bars[0].solve(&made.frequencies).expect("a band");
        let array = made.arrays[0].seen_from(few.items[1].centre);
        let lit = band.illuminate(&array).expect("outside");
        let (two, _) = on(2, || {
            seconds(|| {
                let field = lit.incident(&few.items[1].drive).expect("a field");
                let grid = barwright_wave::cylinder::MapGrid {
                    times: size.times,
                    ..barwright_wave::cylinder::MapGrid::full(
                        made.rings.radii_m(&made.bars[0]),
                        size.angles,
                        made.frequencies.len(),
                    )
                };
                band.map_of(&field, mode, &grid, &made.spectrum).expect("a map")
            })
        });
        let (all, want) = seconds(|| Processors.maps(&few, Wanted::Maps).expect("maps"));
        let off = got.maps.iter().zip(&want.maps).map(|(a, b)| worst_db(a, b)).fold(0.0, f64::max);
        println!(
            "    processors: {:.0} ms a map on 2 threads (aperture, rings, times), {:.0} ms on all with the \
             modal solution shared by three; both engines within {off:.4} dB; device {:.0} times 2 threads; \
             least of all maps {:.3e}",
            1e3 * two,
            1e3 * all / 3.0,
            two / (whole / count as f64),
            answer.extremes.least.iter().map(|e| e.value).fold(f64::INFINITY, f64::min),
        );
    }
}

#[cfg(feature = "cuda")]
fn main() {
    table::run();
}

#[cfg(not(feature = "cuda"))]
fn main() {
    eprintln!("SKIPPED: built without graphics processors (feature `cuda`)");
}

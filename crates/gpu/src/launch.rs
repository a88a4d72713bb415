//! Kernels and how they are started: the one file with unsafe code.
//!
//! Every start hands raw memory to code that the borrow checker does not see. What must hold is the same
//! everywhere: slices are as long as the sizes beside them say (checked here), scalars are laid out as in the
//! kernels' sources (`repr(C)`, the same order), and only one stream works, so that starts follow each other.
#![allow(unsafe_code, reason = "starting a kernel hands it raw memory")]

use std::sync::Arc;

use cudarc::driver::{
    CudaContext, CudaFunction, CudaModule, CudaSlice, CudaStream, DeviceRepr, DriverError,
    LaunchConfig, PushKernelArg, result, sys,
};
use cudarc::nvrtc::{self, CompileError, CompileOptions};

use crate::device::{DeviceInfo, failed};
use crate::error::DeviceError;
use crate::shape::Shape;

/// Sources that do not depend on lengths.
const MODAL: [&str; 6] = [
    include_str!("kernels/complex.cu"),
    include_str!("kernels/ladders.cu"),
    include_str!("kernels/boundary.cu"),
    include_str!("kernels/incident.cu"),
    include_str!("kernels/radial.cu"),
    include_str!("kernels/extremes.cu"),
];
/// Sources that do.
const SHAPED: [&str; 4] = [
    include_str!("kernels/fourier.cu"),
    include_str!("kernels/circles.cu"),
    include_str!("kernels/times.cu"),
    include_str!("kernels/echoes.cu"),
];
/// Threads of a block of simple kernels.
const BLOCK: u32 = 128;
/// Numbers of a bar, a source, an echo in their arrays.
pub(crate) const BAR: usize = 5;
pub(crate) const SOURCE: usize = 4;
pub(crate) const ECHO: usize = 3;
/// Ladders of a bar and frequency.
pub(crate) const LADDERS: usize = 6;
/// Most sources of an item: eight for each thread of a block.
pub(crate) const MOST_SOURCES: usize = 1024;

/// Whether the driver's library can be loaded.
pub(crate) fn driver_is_there() -> bool {
    // SAFETY: loads a library, whose start-up code is the driver's own.
    unsafe { sys::is_culib_present() }
}

/// Whether the compiler's library can be loaded.
pub(crate) fn compiler_is_there() -> bool {
    // SAFETY: loads a library, whose start-up code is the compiler's own.
    unsafe { nvrtc::sys::is_culib_present() }
}

/// Loads the compiler from a file and keeps it; it is then found by its name.
pub(crate) fn load_compiler(path: &str) -> bool {
    // SAFETY: as `compiler_is_there`.
    match unsafe { libloading::Library::new(path) } {
        Ok(library) => {
            std::mem::forget(library);
            true
        }
        Err(_) => false,
    }
}

/// Starts the driver.
pub(crate) fn start() -> Result<(), DriverError> {
    result::init()
}

/// CUDA version of the driver times a thousand; nought if it does not say.
pub(crate) fn driver_version() -> i32 {
    let mut version = 0;
    // SAFETY: writes one number to a place that holds one.
    let answer = unsafe { sys::cuDriverGetVersion(&raw mut version) };
    if answer == sys::CUresult::CUDA_SUCCESS { version } else { 0 }
}

/// CUDA version of the compiler times a thousand; nought if it does not say.
pub(crate) fn compiler_version() -> i32 {
    let (mut major, mut minor) = (0, 0);
    // SAFETY: writes two numbers to places that hold one each.
    let answer = unsafe { nvrtc::sys::nvrtcVersion(&raw mut major, &raw mut minor) };
    if answer == nvrtc::sys::nvrtcResult::NVRTC_SUCCESS { 1000 * major + 10 * minor } else { 0 }
}

/// Spares the events that keep several streams apart.
pub(crate) fn one_stream_only(context: &Arc<CudaContext>) {
    // SAFETY: all work of this crate goes to one stream, whose order is that of the calls.
    unsafe { context.disable_event_tracking() }
}

fn compile(
    context: &Arc<CudaContext>,
    source: &str,
    architecture: &'static str,
    info: &DeviceInfo,
) -> Result<Arc<CudaModule>, DeviceError> {
    let options = CompileOptions {
        arch: Some(architecture),
        options: vec!["--std=c++17".into()],
        ..CompileOptions::default()
    };
    let ptx = nvrtc::compile_ptx_with_opts(source, options).map_err(|e| {
        let log = match e {
            CompileError::CompileError { log, .. } => log.to_string_lossy().into_owned(),
            other => other.to_string(),
        };
        DeviceError::Compile { log: log.chars().take(2000).collect() }
    })?;
    context.load_module(ptx).map_err(|e| match e.0 {
        sys::CUresult::CUDA_ERROR_UNSUPPORTED_PTX_VERSION => DeviceError::DriverTooOld {
            driver: info.driver.clone(),
            compiler: info.compiler.clone(),
        },
        _ => failed("loaded its kernels", &e),
    })
}

/// Compiles kernels of a shape, and those that have none, to see whether they compile; needs no device.
///
/// # Errors
/// [`DeviceError::NoCompiler`], [`DeviceError::Compile`].
#[cfg(test)]
fn compile_only(shape: Shape) -> Result<(), DeviceError> {
    if !compiler_is_there() {
        return Err(DeviceError::NoCompiler { looked: "the loader's folders".into() });
    }
    for source in [MODAL.concat(), shape.definitions() + &SHAPED.concat()] {
        let options = CompileOptions {
            arch: Some("compute_80"),
            options: vec!["--std=c++17".into()],
            ..CompileOptions::default()
        };
        nvrtc::compile_ptx_with_opts(source, options)
            .map_err(|e| DeviceError::Compile { log: e.to_string() })?;
    }
    Ok(())
}

/// Scalars as the kernels lay them out.
macro_rules! scalars {
    ($(#[$doc:meta])* $name:ident { $($field:ident: $kind:ty),* $(,)? }) => {
        $(#[$doc])*
        #[repr(C)]
        #[derive(Debug, Clone, Copy, Default)]
        pub(crate) struct $name { $(pub $field: $kind),* }
        // SAFETY: numbers only, laid out in C's order as in the kernel's source.
        unsafe impl DeviceRepr for $name {}
    };
}

scalars!(
    /// Sizes of modal tables.
    BandSize { bars: i32, frequencies: i32, orders: i32, shear: i32, ratios: i32 }
);
scalars!(
    /// Sizes of what drives send.
    DrivesSize { frequencies: i32, orders: i32, last: i32, shear: i32, items: i32 }
);
scalars!(
    /// Sizes of radial tables.
    RingsSize {
        bars: i32, rings: i32, frequencies: i32, ratios: i32, shear: i32, last: i32, table: u64,
    }
);
scalars!(
    /// Sizes of rings of the field.
    CirclesSize { frequencies: i32, rings: i32, last: i32, pad: i32, table: u64, first: i32, end: i32 }
);
scalars!(
    /// Sizes of maps of peaks.
    TimesSize { frequencies: i32, rings: i32, wanted: i32, sector: i32, first: i32 }
);
scalars!(
    /// Sizes of a search for echoes.
    SearchSize { frequencies: i32, places: i32, count: i32, headings: i32, step: f32 }
);
scalars!(
    /// A place at which an echo is asked for.
    PlaceOnDevice { task: i32, angle: i32, row: f32, weights: i32, rows: i32, offset: i32 }
);

/// Modal tables and what they were made from.
pub(crate) struct Tables {
    pub size: BandSize,
    pub bars: CudaSlice<f64>,
    pub omega: CudaSlice<f64>,
    pub losses: CudaSlice<f64>,
    pub highest: CudaSlice<i32>,
    pub inside: CudaSlice<f64>,
    pub water: CudaSlice<f64>,
    pub steel: CudaSlice<f64>,
}

/// Radial functions of some rings.
pub(crate) struct RadialTables {
    pub size: RingsSize,
    pub pitch: CudaSlice<i32>,
    pub offset: CudaSlice<i64>,
    /// One or, with losses, two floats a value.
    pub table: CudaSlice<f32>,
    pub lossy: bool,
}

/// Items' sources.
pub(crate) struct Senders {
    pub size: DrivesSize,
    pub bar_of: CudaSlice<i32>,
    pub first_source: CudaSlice<i32>,
    pub sources: CudaSlice<f64>,
    pub scales: CudaSlice<f64>,
    pub strengths: CudaSlice<f32>,
    /// Most sources of one item.
    pub most: usize,
}

fn grid(x: usize, y: usize, z: usize) -> (u32, u32, u32) {
    (x.max(1) as u32, y.max(1) as u32, z.max(1) as u32)
}

/// Kernels in double precision, and the reduction.
pub(crate) struct ModalKernels {
    ladders: CudaFunction,
    boundary: CudaFunction,
    send: [CudaFunction; 4],
    radial_real: CudaFunction,
    radial_lossy: CudaFunction,
    extremes: CudaFunction,
}

impl ModalKernels {
    pub fn compile(
        context: &Arc<CudaContext>,
        architecture: &'static str,
        info: &DeviceInfo,
    ) -> Result<Self, DeviceError> {
        let module = compile(context, &MODAL.concat(), architecture, info)?;
        let of =
            |name: &str| module.load_function(name).map_err(|e| failed("loaded its kernels", &e));
        Ok(Self {
            ladders: of("ladders")?,
            boundary: of("boundary")?,
            send: [of("send_1")?, of("send_2")?, of("send_4")?, of("send_8")?],
            radial_real: of("radial_real")?,
            radial_lossy: of("radial_lossy")?,
            extremes: of("extremes")?,
        })
    }

    /// Bessel and Hankel functions of all bars and frequencies.
    pub fn ladders(
        &self,
        stream: &Arc<CudaStream>,
        t: &Tables,
        mantissa: &mut CudaSlice<f64>,
        exponent: &mut CudaSlice<i32>,
    ) -> Result<(), DriverError> {
        let values =
            LADDERS * t.size.bars as usize * t.size.frequencies as usize * t.size.orders as usize;
        assert!(mantissa.len() >= 2 * values && exponent.len() >= values);
        let config = LaunchConfig {
            grid_dim: grid(
                (t.size.frequencies as usize).div_ceil(32),
                LADDERS,
                t.size.bars as usize,
            ),
            block_dim: (32, 1, 1),
            shared_mem_bytes: 0,
        };
        let mut start = stream.launch_builder(&self.ladders);
        start.arg(&t.size).arg(&t.bars).arg(&t.omega).arg(&t.losses).arg(&t.highest);
        start.arg(mantissa).arg(exponent);
        // SAFETY: see the head of this file; a thread writes its own ladder of `orders` values.
        unsafe { start.launch(config) }.map(drop)
    }

    /// Boundary equations of all bars, frequencies and orders.
    pub fn boundary(
        &self,
        stream: &Arc<CudaStream>,
        t: &mut Tables,
        mantissa: &mut CudaSlice<f64>,
        exponent: &mut CudaSlice<i32>,
        failed: &mut CudaSlice<i32>,
    ) -> Result<(), DriverError> {
        let of_band = t.size.bars as usize * t.size.frequencies as usize;
        assert!(t.inside.len() >= 2 * of_band * t.size.orders as usize);
        assert!(t.water.len() >= of_band * t.size.orders as usize);
        assert!(t.steel.len() >= of_band * t.size.ratios as usize);
        let config = LaunchConfig {
            grid_dim: grid(
                (t.size.frequencies as usize).div_ceil(64),
                t.size.orders.max(t.size.ratios) as usize,
                t.size.bars as usize,
            ),
            block_dim: (64, 1, 1),
            shared_mem_bytes: 0,
        };
        let mut start = stream.launch_builder(&self.boundary);
        start.arg(&t.size).arg(&t.bars).arg(&t.omega).arg(&t.losses).arg(&t.highest);
        start.arg(mantissa).arg(exponent);
        start.arg(&mut t.inside).arg(&mut t.water).arg(&mut t.steel).arg(failed);
        // SAFETY: see the head of this file; a thread writes its own order of each table.
        unsafe { start.launch(config) }.map(drop)
    }

    /// Orders that each item sends.
    pub fn send(
        &self,
        stream: &Arc<CudaStream>,
        t: &Tables,
        s: &Senders,
        sent: &mut CudaSlice<f32>,
    ) -> Result<(), DriverError> {
        assert!(s.most <= MOST_SOURCES);
        let values =
            s.size.items as usize * s.size.frequencies as usize * (s.size.last as usize + 1);
        assert!(sent.len() >= 4 * values);
        let threads = s.most.next_power_of_two().clamp(32, 128);
        let each = s.most.div_ceil(threads);
        let kernel = &self.send[match each {
            ..=1 => 0,
            2 => 1,
            3..=4 => 2,
            _ => 3,
        }];
        let config = LaunchConfig {
            grid_dim: grid(s.size.frequencies as usize, s.size.items as usize, 1),
            block_dim: (threads as u32, 1, 1),
            // Eight orders of four sums, one column a thread and one to keep banks apart.
            shared_mem_bytes: (32 * (threads + 1) * 8) as u32,
        };
        let mut start = stream.launch_builder(kernel);
        start.arg(&s.size).arg(&t.bars).arg(&s.bar_of).arg(&s.first_source).arg(&s.sources);
        start.arg(&t.omega).arg(&s.scales).arg(&s.strengths).arg(&t.inside).arg(&t.water).arg(sent);
        // SAFETY: see the head of this file; a block writes the row of its item and frequency.
        unsafe { start.launch(config) }.map(drop)
    }

    /// Radial functions of all bars, rings and frequencies.
    pub fn radial(
        &self,
        stream: &Arc<CudaStream>,
        t: &Tables,
        shares: &CudaSlice<f64>,
        r: &mut RadialTables,
    ) -> Result<(), DriverError> {
        let floats = if r.lossy { 2 } else { 1 };
        assert!(r.table.len() as u64 >= floats * r.size.bars as u64 * r.size.table);
        let config = LaunchConfig {
            grid_dim: grid(
                (r.size.frequencies as usize).div_ceil(64),
                r.size.rings as usize,
                r.size.bars as usize,
            ),
            block_dim: (64, 1, 1),
            shared_mem_bytes: 0,
        };
        let kernel = if r.lossy { &self.radial_lossy } else { &self.radial_real };
        let mut start = stream.launch_builder(kernel);
        start.arg(&r.size).arg(&t.bars).arg(&t.omega).arg(&t.losses).arg(&t.highest).arg(shares);
        start.arg(&r.pitch).arg(&r.offset).arg(&t.steel).arg(&mut r.table);
        // SAFETY: see the head of this file; a thread writes the row of its ring and frequency.
        unsafe { start.launch(config) }.map(drop)
    }

    /// Takes maps into the extremes.
    #[expect(clippy::too_many_arguments, reason = "as many as the kernel has")]
    pub fn extremes(
        &self,
        stream: &Arc<CudaStream>,
        items: usize,
        places: usize,
        first: usize,
        peaks: &CudaSlice<f32>,
        values: [&mut CudaSlice<f32>; 2],
        numbers: [&mut CudaSlice<i32>; 2],
    ) -> Result<(), DriverError> {
        assert!(peaks.len() >= items * places);
        let [least, greatest] = values;
        let [least_at, greatest_at] = numbers;
        assert!([least.len(), greatest.len()].into_iter().all(|n| n >= places));
        assert!([least_at.len(), greatest_at.len()].into_iter().all(|n| n >= places));
        let config = LaunchConfig {
            grid_dim: grid(places.div_ceil(BLOCK as usize), 1, 1),
            block_dim: (BLOCK, 1, 1),
            shared_mem_bytes: 0,
        };
        let [items, places, first] = [items, places, first].map(|n| n as i32);
        let mut start = stream.launch_builder(&self.extremes);
        start.arg(&items).arg(&places).arg(&first).arg(peaks);
        start.arg(least).arg(least_at).arg(greatest).arg(greatest_at);
        // SAFETY: see the head of this file; a thread reads and writes its own place.
        unsafe { start.launch(config) }.map(drop)
    }
}

/// Kernels whose transforms have fixed lengths.
pub(crate) struct ShapedKernels {
    pub shape: Shape,
    circles: CudaFunction,
    peaks: CudaFunction,
    echoes: CudaFunction,
    circle_turns: CudaSlice<f32>,
    time_turns: CudaSlice<f32>,
}

impl ShapedKernels {
    pub fn compile(
        context: &Arc<CudaContext>,
        stream: &Arc<CudaStream>,
        architecture: &'static str,
        info: &DeviceInfo,
        shape: Shape,
    ) -> Result<Self, DeviceError> {
        let module =
            compile(context, &(shape.definitions() + &SHAPED.concat()), architecture, info)?;
        let failed = |e: DriverError| failed("loaded its kernels", &e);
        let of = |name: &str, room: u32| -> Result<CudaFunction, DeviceError> {
            let kernel = module.load_function(name).map_err(failed)?;
            if room > 48 << 10 {
                let what =
                    sys::CUfunction_attribute::CU_FUNC_ATTRIBUTE_MAX_DYNAMIC_SHARED_SIZE_BYTES;
                kernel.set_attribute(what, room as i32).map_err(failed)?;
            }
            Ok(kernel)
        };
        let turns = |count: usize| {
            let turns: Vec<f32> = (0..count)
                .flat_map(|k| {
                    let (sin, cos) = (std::f64::consts::TAU * k as f64 / count as f64).sin_cos();
                    [cos as f32, sin as f32]
                })
                .collect();
            stream.clone_htod(&turns).map_err(failed)
        };
        Ok(Self {
            shape,
            circles: of("circles", shape.circle_room())?,
            peaks: of("peaks", shape.time_room())?,
            echoes: of("echoes", shape.time_room())?,
            circle_turns: turns(shape.angles)?,
            time_turns: turns(shape.times)?,
        })
    }

    /// Rings of tasks `first..end`.
    #[expect(clippy::too_many_arguments, reason = "as many as the kernel has")]
    pub fn circles(
        &self,
        stream: &Arc<CudaStream>,
        size: CirclesSize,
        tasks: &CudaSlice<i32>,
        bar_of: &CudaSlice<i32>,
        r: &RadialTables,
        sent: &CudaSlice<f32>,
        rows: &mut CudaSlice<f32>,
    ) -> Result<(), DriverError> {
        let count = (size.end - size.first) as usize;
        let frequencies = size.frequencies as usize;
        assert!(tasks.len() >= size.end as usize && r.lossy == self.shape.lossy);
        assert!(rows.len() >= 2 * count * frequencies * self.shape.angles);
        let together = self.shape.together();
        let config = LaunchConfig {
            grid_dim: grid(frequencies.div_ceil(together), count, 1),
            block_dim: ((self.shape.circle_lanes() * together) as u32, 1, 1),
            shared_mem_bytes: self.shape.circle_room(),
        };
        let mut start = stream.launch_builder(&self.circles);
        start.arg(&size).arg(tasks).arg(bar_of).arg(&r.pitch).arg(&r.offset).arg(sent);
        start.arg(&r.table).arg(&self.circle_turns).arg(rows);
        // SAFETY: see the head of this file; a block writes the rows of its task and frequencies.
        unsafe { start.launch(config) }.map(drop)
    }

    /// Peaks of `count` tasks from `size.first` on.
    #[expect(clippy::too_many_arguments, reason = "as many as the kernel has")]
    pub fn peaks(
        &self,
        stream: &Arc<CudaStream>,
        size: TimesSize,
        count: usize,
        tasks: &CudaSlice<i32>,
        rows: &CudaSlice<f32>,
        weights: &CudaSlice<f32>,
        found: &mut CudaSlice<f32>,
    ) -> Result<(), DriverError> {
        let wanted = size.wanted as usize;
        assert!(found.len() >= (size.first as usize + count) * wanted);
        assert!(rows.len() >= 2 * count * size.frequencies as usize * self.shape.angles);
        let mut start = stream.launch_builder(&self.peaks);
        start.arg(&size).arg(tasks).arg(rows).arg(weights).arg(&self.time_turns).arg(found);
        let config = self.records(wanted, count);
        // SAFETY: see the head of this file; a block writes the peaks of its angles.
        unsafe { start.launch(config) }.map(drop)
    }

    /// Echoes of places.
    #[expect(clippy::too_many_arguments, reason = "as many as the kernel has")]
    pub fn echoes(
        &self,
        stream: &Arc<CudaStream>,
        size: SearchSize,
        places: &CudaSlice<PlaceOnDevice>,
        sent: &CudaSlice<f32>,
        heard: &CudaSlice<f32>,
        weights: &CudaSlice<f32>,
        around: &CudaSlice<f32>,
        found: &mut CudaSlice<f32>,
    ) -> Result<(), DriverError> {
        let count = size.places as usize;
        assert!(places.len() >= count && found.len() >= ECHO * count);
        let mut start = stream.launch_builder(&self.echoes);
        start.arg(&size).arg(places).arg(sent).arg(heard).arg(weights).arg(around);
        start.arg(&self.time_turns).arg(found);
        let config = self.records(count, 1);
        // SAFETY: see the head of this file; a block writes the echoes of its places.
        unsafe { start.launch(config) }.map(drop)
    }

    fn records(&self, columns: usize, tasks: usize) -> LaunchConfig {
        LaunchConfig {
            grid_dim: grid(columns.div_ceil(self.shape.places()), tasks, 1),
            block_dim: ((self.shape.time_lanes() * self.shape.places()) as u32, 1, 1),
            shared_mem_bytes: self.shape.time_room(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The compiler needs no device. Where it is not installed either, this says so and ends.
    #[test]
    fn kernels_compile() {
        for (angles, times, lossy) in
            [(1024, 256, false), (480, 512, true), (6, 4096, false), (8192, 64, true)]
        {
            let shape = Shape::for_echoes(angles, times, lossy).expect("a shape");
            match compile_only(shape) {
                Err(e @ DeviceError::NoCompiler { .. }) => {
                    eprintln!("SKIPPED: {e}");
                    return;
                }
                answer => answer.expect("kernels compile"),
            }
        }
    }
}

//! A device of NVIDIA: found, asked what it is, its kernels compiled.

use std::collections::BTreeMap;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use barwright_wave::cylinder::batch::{
    EchoAnswer, EchoBatch, EngineError, FieldEngine, MapBatch, MapsAnswer, Wanted,
};
use cudarc::driver::{CudaContext, CudaSlice, CudaStream, DeviceRepr, DriverError, sys};

use crate::error::DeviceError;
use crate::launch::{self, ModalKernels, ShapedKernels};
use crate::shape::Shape;

type Result<T> = std::result::Result<T, DeviceError>;

/// Least compute capability: doubles, shuffles and 16-bit launch grids of Maxwell and later would do; the
/// compilers of today know no older ones than this.
const NEED_MAJOR: i32 = 7;
/// Compilers of kernels that are looked for beside those the loader finds.
const FOLDERS: [&str; 5] = [
    "/usr/local/cuda/lib64",
    "/usr/local/cuda/targets/x86_64-linux/lib",
    "/usr/lib/x86_64-linux-gnu",
    "/opt/cuda/lib64",
    "/usr/lib64",
];
const COMPILERS: [&str; 2] = ["libnvrtc.so.13", "libnvrtc.so.12"];

/// What a device is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceInfo {
    /// Its name.
    pub name: String,
    /// Compute capability, "9.0".
    pub capability: String,
    /// CUDA version that the driver serves, "13.0".
    pub driver: String,
    /// CUDA version of the compiler of kernels.
    pub compiler: String,
    /// Memory in bytes.
    pub memory: usize,
}

/// A device with its kernels.
pub struct Device {
    pub(crate) context: Arc<CudaContext>,
    pub(crate) stream: Arc<CudaStream>,
    pub(crate) modal: ModalKernels,
    shaped: Mutex<HashMap<Shape, Arc<ShapedKernels>>>,
    info: DeviceInfo,
    architecture: &'static str,
    /// One batch at a time: memory is shared out by what is free when a batch begins.
    busy: Mutex<()>,
    /// Seconds by kernel, where they are wanted.
    seconds: Mutex<Option<BTreeMap<&'static str, f64>>>,
    /// Most bytes that are taken, for tests of batches that are cut.
    pub(crate) most_bytes: Option<usize>,
}

impl std::fmt::Debug for Device {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Device").field("info", &self.info).finish_non_exhaustive()
    }
}

impl Device {
    /// Opens the first device.
    ///
    /// # Errors
    /// Why there is none, with the numbers.
    pub fn open() -> Result<Self> {
        if !launch::driver_is_there() {
            return Err(DeviceError::NoDriver);
        }
        find_compiler()?;
        // The bindings panic where a driver lacks a function that they name.
        std::panic::catch_unwind(Self::opened).unwrap_or_else(|_| {
            Err(DeviceError::DriverTooOld {
                driver: "(an older one)".into(),
                compiler: version(launch::compiler_version()),
            })
        })
    }

    fn opened() -> Result<Self> {
        let doing = "was opened";
        let failed = |e: DriverError| failed(doing, &e);
        launch::start().map_err(|e| match e.0 {
            sys::CUresult::CUDA_ERROR_NO_DEVICE => DeviceError::NoDevice,
            _ => failed(e),
        })?;
        if CudaContext::device_count().map_err(failed)? < 1 {
            return Err(DeviceError::NoDevice);
        }
        let context = CudaContext::new(0).map_err(failed)?;
        let (major, minor) = context.compute_capability().map_err(failed)?;
        if major < NEED_MAJOR {
            return Err(DeviceError::DeviceTooOld { major, minor, need_major: NEED_MAJOR });
        }
        let stream = context.new_stream().map_err(failed)?;
        launch::one_stream_only(&context);
        let info = DeviceInfo {
            name: context.name().map_err(failed)?,
            capability: format!("{major}.{minor}"),
            driver: version(launch::driver_version()),
            compiler: version(launch::compiler_version()),
            memory: context.total_mem().map_err(failed)?,
        };
        let architecture = architecture(major, minor);
        let modal = ModalKernels::compile(&context, architecture, &info)?;
        Ok(Self {
            context,
            stream,
            modal,
            shaped: Mutex::default(),
            info,
            architecture,
            busy: Mutex::default(),
            seconds: Mutex::default(),
            most_bytes: None,
        })
    }

    /// What the device is.
    #[must_use]
    pub fn info(&self) -> &DeviceInfo {
        &self.info
    }

    /// The same device that takes at most so many bytes of its memory: batches are cut to that.
    #[must_use]
    pub fn with_memory(mut self, bytes: usize) -> Self {
        self.most_bytes = Some(bytes);
        self
    }

    /// Begins to time each kernel apart, which slows batches down a little.
    pub fn time_kernels(&self) {
        *lock(&self.seconds) = Some(BTreeMap::new());
    }

    /// Seconds by kernel since [`Self::time_kernels`], which end with this.
    #[must_use]
    pub fn kernel_seconds(&self) -> BTreeMap<&'static str, f64> {
        lock(&self.seconds).take().unwrap_or_default()
    }

    /// Bytes a second that a copy within the device reads and writes, of a gibibyte.
    ///
    /// # Errors
    /// [`DeviceError::Failed`].
    pub fn copy_bytes_s(&self) -> Result<f64> {
        let _alone = lock(&self.busy);
        const VALUES: usize = 1 << 28;
        let from: CudaSlice<f32> = self.zeros(VALUES)?;
        let mut to: CudaSlice<f32> = self.zeros(VALUES)?;
        let mut best = f64::INFINITY;
        for _ in 0..10 {
            self.wait()?;
            let clock = Instant::now();
            self.stream.memcpy_dtod(&from, &mut to).map_err(|e| failed("copied", &e))?;
            self.wait()?;
            best = best.min(clock.elapsed().as_secs_f64());
        }
        Ok(2.0 * 4.0 * VALUES as f64 / best)
    }

    /// Kernels of a shape, compiled once.
    pub(crate) fn shaped(&self, shape: Shape) -> Result<Arc<ShapedKernels>> {
        let mut known = lock(&self.shaped);
        if let Some(kernels) = known.get(&shape) {
            return Ok(Arc::clone(kernels));
        }
        let kernels = Arc::new(ShapedKernels::compile(
            &self.context,
            &self.stream,
            self.architecture,
            &self.info,
            shape,
        )?);
        known.insert(shape, Arc::clone(&kernels));
        Ok(kernels)
    }

    /// The right to compute.
    pub(crate) fn alone(&self) -> MutexGuard<'_, ()> {
        lock(&self.busy)
    }

    /// Bytes that may be taken.
    pub(crate) fn free_bytes(&self) -> Result<usize> {
        let (free, _) =
            self.context.mem_get_info().map_err(|e| failed("was asked for memory", &e))?;
        Ok(self.most_bytes.map_or(free, |most| most.min(free)))
    }

    pub(crate) fn wait(&self) -> Result<()> {
        self.stream.synchronize().map_err(|e| failed("computed", &e))
    }

    pub(crate) fn zeros<T: DeviceRepr + cudarc::driver::ValidAsZeroBits>(
        &self,
        count: usize,
    ) -> Result<CudaSlice<T>> {
        // An empty allocation is none.
        self.stream.alloc_zeros(count.max(1)).map_err(|e| failed("was given memory", &e))
    }

    pub(crate) fn put<T: DeviceRepr + Default + Clone>(
        &self,
        values: &[T],
    ) -> Result<CudaSlice<T>> {
        let failed = |e: DriverError| failed("was given data", &e);
        if values.is_empty() {
            return self.stream.clone_htod(&[T::default()]).map_err(failed);
        }
        self.stream.clone_htod(values).map_err(failed)
    }

    pub(crate) fn get<T: DeviceRepr>(&self, values: &CudaSlice<T>, count: usize) -> Result<Vec<T>> {
        let failed = |e: DriverError| failed("gave its results", &e);
        let values = self.stream.clone_dtoh(&values.slice(..count)).map_err(failed)?;
        self.wait()?;
        Ok(values)
    }

    /// Runs a launch, timing it where that is wanted.
    pub(crate) fn run(
        &self,
        kernel: &'static str,
        launch: impl FnOnce() -> std::result::Result<(), DriverError>,
    ) -> Result<()> {
        let timed = lock(&self.seconds).is_some();
        if timed {
            self.wait()?;
        }
        let clock = Instant::now();
        launch().map_err(|e| failed("started a kernel", &e))?;
        if timed {
            self.wait()?;
            if let Some(seconds) = lock(&self.seconds).as_mut() {
                *seconds.entry(kernel).or_default() += clock.elapsed().as_secs_f64();
            }
        }
        Ok(())
    }
}

impl FieldEngine for Device {
    fn name(&self) -> String {
        format!("{} (driver of CUDA {})", self.info.name, self.info.driver)
    }

    fn maps(
        &self,
        batch: &MapBatch<'_>,
        wanted: Wanted,
    ) -> std::result::Result<MapsAnswer, EngineError> {
        let step_hz = batch.check()?;
        Ok(self.map_batch(batch, wanted, step_hz)?)
    }

    fn echoes(&self, batch: &EchoBatch<'_>) -> std::result::Result<EchoAnswer, EngineError> {
        let step_hz = batch.check()?;
        Ok(self.echo_batch(batch, step_hz)?)
    }
}

/// Loads the compiler of kernels where the loader alone would not find it.
fn find_compiler() -> Result<()> {
    if launch::compiler_is_there() {
        return Ok(());
    }
    let own = ["CUDA_HOME", "CUDA_PATH"]
        .into_iter()
        .filter_map(|name| std::env::var(name).ok())
        .map(|folder| format!("{folder}/lib64"));
    let folders: Vec<String> = own.chain(FOLDERS.map(String::from)).collect();
    for folder in &folders {
        for name in COMPILERS {
            if launch::load_compiler(&format!("{folder}/{name}")) && launch::compiler_is_there() {
                return Ok(());
            }
        }
    }
    Err(DeviceError::NoCompiler {
        looked: format!(
            "{}, in the loader's folders and {}",
            COMPILERS.join(", "),
            folders.join(", ")
        ),
    })
}

/// What the compiler is told; those newer than it knows of run what it makes for the newest it knows.
fn architecture(major: i32, minor: i32) -> &'static str {
    match (major, minor) {
        (7, ..5) => "compute_70",
        (7, _) => "compute_75",
        (8, 0) => "compute_80",
        (8, ..9) => "compute_86",
        (8, _) => "compute_89",
        (9, _) => "compute_90",
        (10, _) => "compute_100",
        _ => "compute_120",
    }
}

fn version(number: i32) -> String {
    format!("{}.{}", number / 1000, number % 1000 / 10)
}

pub(crate) fn failed(doing: &'static str, error: &DriverError) -> DeviceError {
    DeviceError::Failed { doing, text: error.to_string() }
}

fn lock<T>(what: &Mutex<T>) -> MutexGuard<'_, T> {
    what.lock().unwrap_or_else(PoisonError::into_inner)
}

//! Why a device does not compute.

use barwright_wave::cylinder::batch::EngineError;

/// Why a device does not compute, with the numbers.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DeviceError {
    /// The program was built without devices.
    #[error("this program was built without graphics processors")]
    NotBuilt,
    /// No driver is installed.
    #[error("no driver of a graphics processor is installed (libcuda was not found)")]
    NoDriver,
    /// A driver without a device.
    #[error("the driver knows no graphics processor")]
    NoDevice,
    /// The device's architecture lacks what the kernels need.
    #[error(
        "the graphics processor has compute capability {major}.{minor}; the kernels need {need_major}.0"
    )]
    DeviceTooOld {
        /// Compute capability, major number.
        major: i32,
        /// Compute capability, minor number.
        minor: i32,
        /// Least major number.
        need_major: i32,
    },
    /// The driver does not understand what the compiler of kernels makes.
    #[error(
        "the driver serves CUDA up to {driver}, the compiler of kernels (NVRTC) is of CUDA {compiler}"
    )]
    DriverTooOld {
        /// CUDA version of the driver, "12.4".
        driver: String,
        /// CUDA version of the compiler.
        compiler: String,
    },
    /// The compiler of kernels is not installed.
    #[error("the compiler of kernels (libnvrtc) was not found; looked at: {looked}")]
    NoCompiler {
        /// Names and places that were tried.
        looked: String,
    },
    /// The kernels did not compile.
    #[error("the kernels did not compile: {log}")]
    Compile {
        /// What the compiler said.
        log: String,
    },
    /// One field needs more memory than the device has free.
    #[error("one field needs {need_mib} MiB on the graphics processor, {free_mib} MiB are free")]
    Memory {
        /// Memory that one item of the batch needs, in MiB.
        need_mib: u64,
        /// Memory that is free, in MiB.
        free_mib: u64,
    },
    /// A request that the kernels are not made for.
    #[error("{what} is {got}; the graphics processor takes {expected}")]
    NotMade {
        /// What does not fit.
        what: &'static str,
        /// Its number.
        got: usize,
        /// What is taken.
        expected: &'static str,
    },
    /// The device or its driver failed in the middle.
    #[error("the graphics processor failed while it {doing}: {text}")]
    Failed {
        /// What it was doing.
        doing: &'static str,
        /// The driver's words.
        text: String,
    },
}

impl DeviceError {
    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NotBuilt => "build it with the feature `gpu`",
            Self::NoDriver | Self::NoDevice => {
                "install the driver of the graphics processor, or go on with the processors"
            }
            Self::DeviceTooOld { .. } => "use a newer device, or go on with the processors",
            Self::DriverTooOld { .. } => {
                "install a newer driver, or a compiler of kernels of the driver's CUDA version"
            }
            Self::NoCompiler { .. } => {
                "install NVRTC of CUDA 12 or 13, or name its folder in LD_LIBRARY_PATH"
            }
            Self::Compile { .. } => "tell the makers of this program; the processors go on",
            Self::Memory { .. } => {
                "free memory on the device, or ask for fewer rings, angles or frequencies"
            }
            Self::NotMade { .. } => "ask for other numbers, or go on with the processors",
            Self::Failed { .. } => "look at the driver's own report; the processors go on",
        }
    }

    /// Whether the device may still serve another request.
    #[must_use]
    pub fn leaves_device_usable(&self) -> bool {
        matches!(self, Self::NotMade { .. } | Self::Memory { .. })
    }
}

impl From<DeviceError> for EngineError {
    fn from(error: DeviceError) -> Self {
        Self::Device {
            reason: error.to_string(),
            hint: error.hint().into(),
            usable: error.leaves_device_usable(),
        }
    }
}

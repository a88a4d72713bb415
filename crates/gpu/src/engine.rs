//! The engine that a command uses: a device if it can, the processors if it must.

use std::sync::Mutex;

use barwright_wave::cylinder::batch::{
    EchoAnswer, EchoBatch, EngineError, FieldEngine, MapBatch, MapsAnswer, Processors, Wanted,
};

use crate::choice::Choice;
use crate::error::DeviceError;

/// Fields by a device, or by the processors where there is none or it fails.
///
/// A batch is computed by one of them as a whole: what a device had computed before it failed is thrown
/// away, and the processors begin the batch anew.
pub struct Engine {
    choice: Choice,
    device: Option<Box<dyn FieldEngine + Send>>,
    told: Mutex<Told>,
}

#[derive(Default)]
struct Told {
    /// Set once the device failed: it is not asked again.
    lost: bool,
    sentences: Vec<String>,
}

impl std::fmt::Debug for Engine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Engine").field("choice", &self.choice).finish_non_exhaustive()
    }
}

impl Engine {
    /// Opens what was chosen. It never fails: without a device the processors compute.
    #[must_use]
    pub fn open(choice: Choice) -> Self {
        if choice == Choice::Cpu {
            return Self::with(choice, Err(DeviceError::NotBuilt));
        }
        Self::with(choice, open_device())
    }

    /// The same with a device that was opened, or the reason why none was.
    #[must_use]
    pub fn with(choice: Choice, device: Result<Box<dyn FieldEngine + Send>, DeviceError>) -> Self {
        let mut told = Told::default();
        let device = match device {
            Ok(device) if choice != Choice::Cpu => {
                told.sentences.push(format!("fields by {}", device.name()));
                Some(device)
            }
            Ok(_) => None,
            Err(reason) => {
                // Whoever chose the processors need not hear that there is nothing else.
                if choice != Choice::Cpu {
                    told.sentences.push(format!(
                        "fields by {}: {reason} ({})",
                        Processors.name(),
                        reason.hint()
                    ));
                }
                None
            }
        };
        Self { choice, device, told: Mutex::new(told) }
    }

    /// What was chosen.
    #[must_use]
    pub fn choice(&self) -> Choice {
        self.choice
    }

    /// Whether a device computes.
    #[must_use]
    pub fn is_on_device(&self) -> bool {
        self.device.is_some() && !self.told().lost
    }

    /// What computed so far and why, to be told with the answer: nothing where the processors were chosen.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        self.told().sentences.clone()
    }

    fn told(&self) -> std::sync::MutexGuard<'_, Told> {
        // A poisoned lock holds whole sentences all the same.
        self.told.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn run<T>(
        &self,
        ask: impl Fn(&dyn FieldEngine) -> Result<T, EngineError>,
    ) -> Result<T, EngineError> {
        if let Some(device) = self.device.as_ref().filter(|_| !self.told().lost) {
            match ask(device.as_ref()) {
                Err(EngineError::Device { reason, hint, usable }) => {
                    self.give_up(&reason, &hint, usable);
                }
                answer => return answer,
            }
        }
        ask(&Processors)
    }

    /// Notes that the processors take a batch over. A device that failed is not asked again; one that the
    /// batch did not suit is.
    fn give_up(&self, reason: &str, hint: &str, usable: bool) {
        let mut told = self.told();
        told.lost |= !usable;
        let sentence = format!("begun anew on {}: {reason} ({hint})", Processors.name());
        if !told.sentences.contains(&sentence) {
            told.sentences.push(sentence);
        }
    }
}

impl FieldEngine for Engine {
    fn name(&self) -> String {
        match &self.device {
            Some(device) if !self.told().lost => device.name(),
            _ => Processors.name(),
        }
    }

    fn maps(&self, batch: &MapBatch<'_>, wanted: Wanted) -> Result<MapsAnswer, EngineError> {
        self.run(|engine| engine.maps(batch, wanted))
    }

    fn echoes(&self, batch: &EchoBatch<'_>) -> Result<EchoAnswer, EngineError> {
        self.run(|engine| engine.echoes(batch))
    }
}

#[cfg(feature = "cuda")]
fn open_device() -> Result<Box<dyn FieldEngine + Send>, DeviceError> {
    Ok(Box::new(crate::device::Device::open()?))
}

#[cfg(not(feature = "cuda"))]
fn open_device() -> Result<Box<dyn FieldEngine + Send>, DeviceError> {
    Err(DeviceError::NotBuilt)
}

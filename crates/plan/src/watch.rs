//! Who watches a search: hears of every layout that is weighed, and may stop it.

use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::error::{PlanError, Result};

/// What a search tells while it goes on, and what stops it. It changes nothing of its answer.
#[derive(Clone, Copy, Default)]
pub struct PlanWatch<'a> {
    /// Set by somebody else when the search is to stop.
    pub cancelled: Option<&'a AtomicBool>,
    /// Called for every layout before it is weighed.
    pub weighing: Option<&'a (dyn Fn() + Sync)>,
}

impl fmt::Debug for PlanWatch<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("PlanWatch").field("cancelled", &self.cancelled).finish_non_exhaustive()
    }
}

impl PlanWatch<'_> {
    /// Demands that the search goes on.
    pub(crate) fn going_on(self) -> Result<()> {
        match self.cancelled {
            Some(flag) if flag.load(Ordering::Relaxed) => Err(PlanError::Cancelled),
            _ => Ok(()),
        }
    }

    /// Another layout is about to be weighed.
    pub(crate) fn weigh(self) -> Result<()> {
        self.going_on()?;
        if let Some(tell) = self.weighing {
            tell();
        }
        Ok(())
    }
}

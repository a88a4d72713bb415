//! Facts about equipment: probes, reference blocks, electronics, and where they are used.

use serde::{Deserialize, Serialize};

use super::{Facts, Record};
use crate::{entry::Kind, error::Result};

/// A piece of equipment as it stands from this entry on. The latest entry of a name counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EquipmentFacts {
    /// Serial number or mark.
    pub equipment: String,
    /// What it is: probe, electronics, reference bar, thermometer.
    pub what: String,
    /// Its calibration; absent where it needs none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<Calibration>,
}

/// A calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Number of the certificate.
    pub certificate: String,
    /// Last day on which it holds.
    pub until: jiff::civil::Date,
}

/// Equipment put to use on the entry's line, or taken off it. Either ends the stretch that a check
/// opened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MountFacts {
    /// Serial number or mark.
    pub equipment: String,
    /// Where on the line: a probe's number in the station, or a word.
    pub place: String,
    /// Whether it is there from here on; otherwise it was taken off.
    pub on: bool,
}

impl Record {
    /// A piece of equipment and its calibration.
    #[must_use]
    pub fn equipment(facts: EquipmentFacts) -> Self {
        Self::new(facts.equipment.clone(), "", Facts::Equipment(facts))
    }

    /// Equipment put to use on a line, or taken off it.
    ///
    /// # Errors
    /// [`crate::LedgerError::Incomplete`] when no line is given.
    pub fn mount(facts: MountFacts, line: &str) -> Result<Self> {
        super::demand_line(Kind::Mount, line)?;
        Ok(Self::new(facts.equipment.clone(), line, Facts::Mount(facts)))
    }
}

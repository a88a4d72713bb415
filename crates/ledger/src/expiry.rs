//! What is no longer valid: certifications of people, calibrations of equipment. Values that are
//! returned; what follows is said by the rules of the job.

use jiff::civil::Date;
use serde::Serialize;

use crate::record::{EquipmentFacts, PersonFacts, Role};

/// A certification or calibration that does not hold on a day. The last day of validity still
/// counts as valid.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Expiry {
    /// A certification ended.
    Certification {
        /// Whose.
        person: String,
        /// Its last day.
        until: Date,
        /// The day asked for.
        on: Date,
    },
    /// A role needs a certification, and none is on record.
    NoCertification {
        /// Whose.
        person: String,
        /// The role.
        role: Role,
    },
    /// A calibration ended.
    Calibration {
        /// Serial number.
        equipment: String,
        /// What it is.
        what: String,
        /// Its last day.
        until: Date,
        /// The day asked for.
        on: Date,
    },
    /// Something is in use that is on no record.
    UnknownEquipment {
        /// Serial number.
        equipment: String,
        /// Where on the line.
        place: String,
    },
}

impl Expiry {
    /// What must be said of a person on a day, if anything.
    #[must_use]
    pub fn of_person(facts: &PersonFacts, on: Date) -> Option<Self> {
        let person = facts.person.clone();
        match facts.certified_until {
            _ if facts.roles.is_empty() => None,
            Some(until) => (until < on).then_some(Self::Certification { person, until, on }),
            None => {
                let role = *facts.roles.iter().find(|role| role.is_certified())?;
                Some(Self::NoCertification { person, role })
            }
        }
    }

    /// What must be said of a piece of equipment on a day, if anything.
    #[must_use]
    pub fn of_equipment(facts: &EquipmentFacts, on: Date) -> Option<Self> {
        let until = facts.calibration.as_ref()?.until;
        (until < on).then(|| Self::Calibration {
            equipment: facts.equipment.clone(),
            what: facts.what.clone(),
            until,
            on,
        })
    }

    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Certification { person, until, on } => {
                format!(
                    "the certification of {person} ended on {until}, {} before {on}",
                    days(*until, *on)
                )
            }
            Self::NoCertification { person, role } => {
                format!("no certification of {person} as {} is on record", role.words())
            }
            Self::Calibration { equipment, what, until, on } => format!(
                "the calibration of {what} {equipment} ended on {until}, {} before {on}",
                days(*until, *on)
            ),
            Self::UnknownEquipment { equipment, place } => {
                format!("{equipment}, in use at {place}, is on no record")
            }
        }
    }
}

fn days(from: Date, to: Date) -> String {
    match to.since(from).map(|span| span.get_days()) {
        Ok(1) => "1 day".into(),
        Ok(n) => format!("{n} days"),
        Err(_) => "long".into(),
    }
}

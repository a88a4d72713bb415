//! Who may write what, by role, and what must be signed. Pure tables with their reasons.
//!
//! Roles that build on each other: an inspector runs a line, level 2 also judges, level 3 also
//! approves. Quality stands beside them and neither runs lines nor judges. An auditor changes
//! nothing. Whether a person has a role at some entry is said by [`crate::people`].

use crate::{
    entry::Kind,
    record::{Facts, Role},
};

use Role::{Inspector, Level2, Level3, Quality};

/// One line of the table.
struct Right {
    kinds: &'static [Kind],
    roles: &'static [Role],
    reason: &'static str,
}

/// Every kind of entry stands in one line.
const TABLE: [Right; 9] = [
    Right {
        kinds: &[
            Kind::Order,
            Kind::Station,
            Kind::Technique,
            Kind::Proof,
            Kind::ReferenceBar,
            Kind::Paper,
        ],
        roles: &[Inspector, Level2, Level3, Quality],
        reason: "that a document was entered claims nothing yet; what counts is who approves and judges",
    },
    Right {
        kinds: &[Kind::Rules],
        roles: &[Level3, Quality],
        reason: "acceptance rules decide what leaves the house",
    },
    Right {
        kinds: &[Kind::Level, Kind::Check, Kind::BarScreened, Kind::Operator],
        roles: &[Inspector, Level2, Level3],
        reason: "whoever runs the line levels, checks and screens on it",
    },
    Right {
        kinds: &[Kind::Mount, Kind::Cut],
        roles: &[Inspector, Level2, Level3, Quality],
        reason: "probes are changed and bars are cut where the work is done",
    },
    Right {
        kinds: &[Kind::Judgement, Kind::SecondLook],
        roles: &[Level2, Level3],
        reason: "results are interpreted and evaluated from level 2 on (ISO 9712)",
    },
    Right {
        kinds: &[Kind::Approval],
        roles: &[Level3],
        reason: "techniques are approved by level 3 alone (ISO 9712)",
    },
    Right {
        kinds: &[Kind::Correction, Kind::Retest, Kind::Shipment],
        roles: &[Quality],
        reason: "what calls work into question, or lets steel leave, is decided by somebody who did not do the work",
    },
    Right {
        kinds: &[Kind::Equipment],
        roles: &[Quality],
        reason: "certificates of calibration are kept by somebody who is not held up by their end",
    },
    Right {
        kinds: &[Kind::Person, Kind::Key, Kind::Access],
        roles: &KEEPERS,
        reason: "quality keeps people; level 3 too, who answers for the staff (ISO 9712) and may be the first one here",
    },
];

/// Roles that keep people, their keys and their access.
pub const KEEPERS: [Role; 2] = [Quality, Level3];

fn right(kind: Kind) -> &'static Right {
    TABLE.iter().find(|right| right.kinds.contains(&kind)).expect("every kind stands in the table")
}

/// Whether somebody of this role may write entries of this kind.
#[must_use]
pub fn may(role: Role, kind: Kind) -> bool {
    holders(kind).contains(&role)
}

/// The roles that may write entries of this kind.
#[must_use]
pub fn holders(kind: Kind) -> &'static [Role] {
    right(kind).roles
}

/// The roles that may write an entry that says this: those of its kind, but that a judgement by the
/// rules alone follows from the screening, and is entered by whoever runs the line.
#[must_use]
pub fn holders_of(facts: &Facts) -> &'static [Role] {
    match facts {
        Facts::Judgement(judgement) if judgement.decided_by.is_none() => holders(Kind::BarScreened),
        other => holders(other.kind()),
    }
}

/// Why it is these roles.
#[must_use]
pub fn reason(kind: Kind) -> &'static str {
    right(kind).reason
}

/// Whether an entry that says this must be signed: what opens or closes a stretch, approves,
/// corrects, orders a retest, changes people or keys, and judgements that a person decided. What
/// follows from documents by rule needs none: it can be computed again.
#[must_use]
pub fn needs_signature(facts: &Facts) -> bool {
    match facts {
        Facts::Judgement(judgement) => judgement.decided_by.is_some(),
        other => matches!(
            other.kind(),
            Kind::Check
                | Kind::Approval
                | Kind::Correction
                | Kind::Retest
                | Kind::Person
                | Kind::Key
        ),
    }
}

impl Role {
    /// All roles.
    pub const ALL: [Self; 5] = [Inspector, Level2, Level3, Quality, Self::Auditor];

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Inspector => "inspector",
            Level2 => "level 2",
            Level3 => "level 3",
            Quality => "quality",
            Self::Auditor => "auditor",
        }
    }

    /// Whether it rests on a certification that ends (ISO 9712).
    #[must_use]
    pub fn is_certified(self) -> bool {
        matches!(self, Level2 | Level3)
    }
}

/// Roles in words, for sentences: "level 2 or level 3".
#[must_use]
pub fn either(roles: &[Role]) -> String {
    let words: Vec<&str> = roles.iter().map(|role| role.words()).collect();
    match words.as_slice() {
        [] => "nobody".into(),
        [one] => (*one).to_owned(),
        [most @ .., last] => format!("{} or {last}", most.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Own rule: every kind stands once, so that none has two answers.
    #[test]
    fn every_kind_stands_in_one_line() {
        for kind in Kind::ALL {
            let lines = TABLE.iter().filter(|right| right.kinds.contains(&kind)).count();
            assert_eq!(lines, 1, "{kind}");
            assert!(!holders(kind).is_empty(), "nobody may write {kind}");
        }
    }

    // Own rules, in a second writing: who can do more can do all that who can do less.
    #[test]
    fn levels_build_on_each_other_and_an_auditor_changes_nothing() {
        for kind in Kind::ALL {
            assert!(!may(Role::Auditor, kind), "{kind}");
            assert!(!may(Inspector, kind) || may(Level2, kind), "{kind}");
            assert!(!may(Level2, kind) || may(Level3, kind), "{kind}");
        }
        let only = |kind, role| holders(kind) == [role];
        assert!(only(Kind::Approval, Level3));
        for kind in [Kind::Correction, Kind::Retest, Kind::Shipment, Kind::Equipment] {
            assert!(only(kind, Quality), "{kind}");
        }
        for kind in [Kind::Level, Kind::Check, Kind::BarScreened, Kind::Judgement, Kind::SecondLook]
        {
            assert!(!may(Quality, kind), "{kind}");
        }
        assert!(!may(Inspector, Kind::Judgement) && may(Level2, Kind::Judgement));
    }
}

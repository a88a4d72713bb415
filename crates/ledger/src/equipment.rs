//! Which equipment there is, whether its calibration holds, and what is used where. Pure: entries
//! in, register out. As for [`crate::people`], only entries count whose author might write them,
//! and questions name an entry: the answer is what holds after it.

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::{
    entry::{Entry, Kind},
    error::Result,
    expiry::Expiry,
    people::{History, People},
    record::{EquipmentFacts, Facts, MountFacts},
};

/// A place on a line: line, and a probe's number or a word.
type Place = (String, String);

/// The equipment of a ledger, over all its entries.
#[derive(Debug, Clone, Default)]
pub struct Equipment {
    /// By serial number; nothing where the entry was withdrawn.
    pieces: BTreeMap<String, History<Option<EquipmentFacts>>>,
    /// What is in each place; nothing after it was taken off.
    places: BTreeMap<Place, History<Option<String>>>,
    uncounted: Vec<i64>,
}

impl Equipment {
    /// The register of a ledger: its entries in order (those of other kinds than equipment, mount and
    /// correction may be left out), and its people.
    ///
    /// # Errors
    /// [`crate::LedgerError::Unreadable`] for an entry of these kinds whose content does not fit.
    pub fn of(entries: &[Entry], people: &People) -> Result<Self> {
        let mut found = Self::default();
        for entry in entries {
            if !matches!(entry.kind, Kind::Equipment | Kind::Mount | Kind::Correction) {
                continue;
            }
            let facts = entry.facts()?;
            if people.allowed(entry).is_err() {
                if entry.kind != Kind::Correction {
                    found.uncounted.push(entry.seq);
                }
                continue;
            }
            match facts {
                Facts::Equipment(facts) => {
                    let piece = found.pieces.entry(facts.equipment.clone()).or_default();
                    piece.push(entry.seq, Some(facts));
                }
                Facts::Mount(facts) => found.mount(entry, facts),
                Facts::Correction(facts) if facts.withdraws => {
                    for piece in found.pieces.values_mut() {
                        if piece.at(entry.seq).is_some_and(|(from, _)| *from == facts.corrects) {
                            piece.push(entry.seq, None);
                        }
                    }
                }
                _ => {}
            }
        }
        Ok(found)
    }

    /// A piece is in one place at a time, and a place holds one piece.
    fn mount(&mut self, entry: &Entry, facts: MountFacts) {
        let here = (entry.line.clone(), facts.place);
        let piece = Some(facts.equipment);
        for (place, history) in &mut self.places {
            let leaves = history.at(entry.seq).is_some_and(|(_, there)| *there == piece);
            if leaves && (facts.on || *place == here) {
                history.push(entry.seq, None);
            }
        }
        if facts.on {
            self.places.entry(here).or_default().push(entry.seq, piece);
        }
    }

    /// What is on record of a piece after entry `at`.
    #[must_use]
    pub fn piece(&self, serial: &str, at: i64) -> Option<&EquipmentFacts> {
        self.pieces.get(serial)?.at(at)?.1.as_ref()
    }

    /// Every piece on record after entry `at`, by serial number, with the number of the entry that
    /// says so.
    pub fn pieces(&self, at: i64) -> impl Iterator<Item = (i64, &EquipmentFacts)> {
        self.pieces.values().filter_map(move |history| {
            let (seq, facts) = history.at(at)?;
            Some((*seq, facts.as_ref()?))
        })
    }

    /// What is in use on a line after entry `at`: place and serial number, by place.
    pub fn on_line<'a>(
        &'a self,
        line: &'a str,
        at: i64,
    ) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.places.iter().filter(move |((on, _), _)| on == line).filter_map(
            move |((_, place), history)| Some((place.as_str(), history.at(at)?.1.as_deref()?)),
        )
    }

    /// Where a piece is in use after entry `at`: line and place.
    #[must_use]
    pub fn place_of(&self, serial: &str, at: i64) -> Option<(&str, &str)> {
        self.places.iter().find_map(|((line, place), history)| {
            let there = history.at(at)?.1.as_deref()?;
            (there == serial).then_some((line.as_str(), place.as_str()))
        })
    }

    /// Numbers of the entries about equipment that do not count, as their author had no role for
    /// them.
    #[must_use]
    pub fn uncounted(&self) -> &[i64] {
        &self.uncounted
    }

    /// Calibrations that do not hold on a day, of everything on record after entry `at`.
    #[must_use]
    pub fn expired(&self, on: Date, at: i64) -> Vec<Expiry> {
        self.pieces(at).filter_map(|(_, facts)| Expiry::of_equipment(facts, on)).collect()
    }

    /// What must be said of the equipment in use on a line, on a day: ended calibrations, and pieces
    /// that are on no record.
    #[must_use]
    pub fn expired_on_line(&self, line: &str, on: Date, at: i64) -> Vec<Expiry> {
        self.on_line(line, at)
            .filter_map(|(place, serial)| match self.piece(serial, at) {
                Some(facts) => Expiry::of_equipment(facts, on),
                None => Some(Expiry::UnknownEquipment {
                    equipment: serial.to_owned(),
                    place: place.to_owned(),
                }),
            })
            .collect()
    }
}

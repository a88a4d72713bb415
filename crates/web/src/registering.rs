//! What forms say of people and equipment, as records. Pure.

use barwright_ledger::{
    LedgerError, Record,
    record::{Calibration, EquipmentFacts, MountFacts, PersonFacts, Role},
};
use barwright_phrase::say;
use jiff::civil::Date;

/// Longest name, mark or number, in characters.
const LONGEST: usize = 80;

/// What is wrong with a form.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Wrong {
    /// A field that must say something says nothing.
    #[error("{0} is missing")]
    Missing(&'static str),
    /// A field says too much.
    #[error("{0} is longer than {LONGEST} characters")]
    Long(&'static str),
    /// A date that no calendar has.
    #[error("{0:?} is no date: write year, month and day, as in 2027-03-31")]
    NoDate(String),
    /// A role that is none.
    #[error("{0:?} is no role")]
    NoRole(String),
}

/// Fields of a form, in the order in which they came.
pub struct Fields<'a>(pub &'a [(String, String)]);

impl Fields<'_> {
    fn all(&self, name: &str) -> impl Iterator<Item = &str> {
        self.0.iter().filter(move |(n, _)| n == name).map(|(_, value)| value.trim())
    }

    fn maybe(&self, name: &str, words: &'static str) -> Result<String, Wrong> {
        let value = self.all(name).next().unwrap_or_default();
        if value.chars().count() > LONGEST { Err(Wrong::Long(words)) } else { Ok(value.to_owned()) }
    }

    fn some(&self, name: &str, words: &'static str) -> Result<String, Wrong> {
        match self.maybe(name, words)? {
            value if value.is_empty() => Err(Wrong::Missing(words)),
            value => Ok(value),
        }
    }

    fn date(&self, name: &str, words: &'static str) -> Result<Option<Date>, Wrong> {
        match self.maybe(name, words)? {
            value if value.is_empty() => Ok(None),
            value => value.parse().map(Some).map_err(|_| Wrong::NoDate(value)),
        }
    }

    /// A person as from now on: name, roles (none for somebody who left), certification.
    ///
    /// # Errors
    /// What is wrong with the form.
    pub fn person(&self) -> Result<Record, Wrong> {
        let roles = self
            .all("role")
            .map(|word| {
                let known = Role::ALL.into_iter().find(|role| role.words() == word);
                known.ok_or_else(|| Wrong::NoRole(word.to_owned()))
            })
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Record::person(PersonFacts {
            person: self.some("person", say!("the name"))?,
            roles,
            certified_until: self
                .date("certified_until", say!("the last day of the certification"))?,
            certificate: self.maybe("certificate", say!("the number of the certificate"))?,
        }))
    }

    /// A piece of equipment as from now on: mark, what it is, calibration where it needs one.
    ///
    /// # Errors
    /// What is wrong with the form.
    pub fn equipment(&self) -> Result<Record, Wrong> {
        let certificate = self.maybe("certificate", say!("the number of the certificate"))?;
        let until = self.date("until", say!("the last day of the calibration"))?;
        let calibration = match (certificate.is_empty(), until) {
            (true, None) => None,
            (false, Some(until)) => Some(Calibration { certificate, until }),
            (false, None) => return Err(Wrong::Missing(say!("the last day of the calibration"))),
            (true, Some(_)) => return Err(Wrong::Missing(say!("the number of the certificate"))),
        };
        Ok(Record::equipment(EquipmentFacts {
            equipment: self.some("equipment", say!("the serial number or mark"))?,
            what: self.some("what", say!("what it is"))?,
            calibration,
        }))
    }

    /// Equipment put to use on a line, or taken off it.
    ///
    /// # Errors
    /// What is wrong with the form; [`LedgerError`] for a line without a name.
    pub fn mount(&self, line: &str) -> Result<Result<Record, LedgerError>, Wrong> {
        let facts = MountFacts {
            equipment: self.some("equipment", say!("the serial number or mark"))?,
            place: self.some("place", say!("the place on the line"))?,
            on: self.all("on").next() != Some("off"),
        };
        Ok(Record::mount(facts, line))
    }
}

#[cfg(test)]
mod tests {
    use barwright_ledger::record::Facts;

    use super::*;

    fn fields(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
        pairs.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect()
    }

    // Own rules: what a form leaves open is said by name; what it says comes back as it was said.
    #[test]
    fn a_form_is_a_record_or_says_what_is_wrong() {
        let good = fields(&[
            ("person", " L3 "),
            ("role", "level 3"),
            ("role", "quality"),
            ("certified_until", "2027-03-31"),
            ("certificate", "Z 12"),
        ]);
        let Facts::Person(person) = Fields(&good).person().unwrap().facts else {
            panic!("a person")
        };
        assert_eq!(person.person, "L3");
        assert_eq!(person.roles, [Role::Level3, Role::Quality]);
        assert_eq!(person.certified_until, Some(jiff::civil::date(2027, 3, 31)));

        let wrong = |pairs: &[(&str, &str)]| Fields(&fields(pairs)).person().unwrap_err();
        assert_eq!(wrong(&[("role", "level 3")]), Wrong::Missing("the name"));
        assert_eq!(wrong(&[("person", "A"), ("role", "boss")]), Wrong::NoRole("boss".into()));
        let date = [("person", "A"), ("certified_until", "31.3.27")];
        assert_eq!(wrong(&date), Wrong::NoDate("31.3.27".into()));
        let long = "x".repeat(81);
        assert_eq!(wrong(&[("person", &long)]), Wrong::Long("the name"));

        let half = fields(&[("equipment", "P-7"), ("what", "probe"), ("certificate", "C 1")]);
        let half = Fields(&half).equipment().unwrap_err();
        assert_eq!(half, Wrong::Missing("the last day of the calibration"));
    }
}

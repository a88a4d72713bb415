//! What an entry can be found by.

use std::borrow::Cow;

use super::{BarKey, Facts, Origin};

/// A name that facts contain, and as what.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Mention<'a> {
    pub value: Cow<'a, str>,
    pub role: &'static str,
}

impl Facts {
    /// What these facts name, sorted and without doubles: `document` (their own), `from` (a source),
    /// `heat`, `bar` (heat/bar), `order` (number), `person`, `equipment` and `delivery`.
    pub(crate) fn mentions(&self) -> Vec<Mention<'_>> {
        let mut found = Found::default();
        match self {
            Self::Order(f) => {
                found.origin(&f.origin);
                found.add("order", &f.order);
                found.add("heat", &f.heat);
            }
            Self::Technique(f) => {
                found.origin(&f.origin);
                found.add("order", &f.order);
            }
            Self::Station(f) => found.origin(&f.origin),
            Self::Rules(f) => found.origin(&f.origin),
            Self::Proof(f) => found.origin(&f.origin),
            Self::ReferenceBar(f) => found.origin(&f.origin),
            Self::Level(f) => found.origin(&f.origin),
            Self::Check(f) => found.origin(&f.origin),
            Self::Paper(f) => found.origin(&f.origin),
            Self::BarScreened(f) => {
                found.origin(&f.origin);
                found.bar(&f.bar);
            }
            Self::Judgement(f) => {
                found.origin(&f.origin);
                found.bar(&f.bar);
            }
            Self::SecondLook(f) => {
                found.origin(&f.origin);
                found.bar(&f.bar);
            }
            Self::Retest(f) => found.bar(&f.bar),
            Self::Cut(f) => found.bar(&f.bar),
            Self::Shipment(f) => {
                found.add("delivery", &f.delivery);
                f.items.iter().for_each(|item| found.bar(&item.bar));
            }
            Self::Approval(f) => {
                found.origin(&f.origin);
                found.add("person", &f.person);
            }
            Self::Person(f) => found.add("person", &f.person),
            Self::Key(f) => found.add("person", &f.person),
            Self::Access(f) => found.add("person", &f.person),
            Self::Operator(f) => found.add("person", &f.person),
            Self::Equipment(f) => found.add("equipment", &f.equipment),
            Self::Mount(f) => found.add("equipment", &f.equipment),
            Self::Correction(_) => {}
        }
        found.0.sort();
        found.0.dedup();
        found.0
    }
}

#[derive(Default)]
struct Found<'a>(Vec<Mention<'a>>);

impl<'a> Found<'a> {
    fn add(&mut self, role: &'static str, value: &'a str) {
        self.0.push(Mention { value: value.into(), role });
    }

    fn origin(&mut self, origin: &'a Origin) {
        self.add("document", &origin.document.0);
        origin.made_from.values().for_each(|source| self.add("from", &source.0));
    }

    fn bar(&mut self, bar: &'a BarKey) {
        self.add("heat", &bar.heat);
        self.0.push(Mention { value: bar.to_string().into(), role: "bar" });
    }
}

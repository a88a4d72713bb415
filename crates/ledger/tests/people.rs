//! Who may write what and who signs, under random histories. Truth: a second, declarative statement
//! of the rules in this file, which answers every question by looking back through the entries that
//! count, and keeps no register.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use crate::common::{LINE, START_US, entries, retest, withdraw};
use barwright_ledger::{
    Entry, Equipment, Kind, People, Record, SigningKey,
    expiry::Expiry,
    people::Refused,
    record::{
        Calibration, EquipmentFacts, Facts, KeyEvent, KeyFacts, MountFacts, PersonFacts, Role,
    },
    rights,
};
use jiff::civil::{Date, date};
use proptest::prelude::*;
use std::sync::LazyLock;

const NAMES: [&str; 4] = ["Q1", "L3", "I1", "A1"];

/// Keys are dear to make; the names of their people are told by the entries, not by them.
static KEYS: LazyLock<Vec<SigningKey>> =
    LazyLock::new(|| (0..5).map(|_| SigningKey::make("x").unwrap()).collect());

#[derive(Debug, Clone)]
enum Event {
    Person { who: usize, roles: Vec<Role> },
    Made { key: usize, who: usize },
    Replaces { key: usize, old: usize, who: usize },
    Revoked { key: usize, who: usize },
    Withdraw { back: i64 },
    Retest,
}

fn event() -> impl Strategy<Value = (Event, usize)> {
    let who = 0..NAMES.len();
    let key = 0..5usize;
    let roles = prop::collection::vec(prop::sample::select(Role::ALL.to_vec()), 0..3);
    let what = prop_oneof![
        6 => (who.clone(), roles).prop_map(|(who, roles)| Event::Person { who, roles }),
        4 => (key.clone(), who.clone()).prop_map(|(key, who)| Event::Made { key, who }),
        2 => (key.clone(), key.clone(), who.clone())
            .prop_map(|(key, old, who)| Event::Replaces { key, old, who }),
        2 => (key, who.clone()).prop_map(|(key, who)| Event::Revoked { key, who }),
        2 => (1i64..12).prop_map(|back| Event::Withdraw { back }),
        1 => Just(Event::Retest),
    ];
    // Mostly by the first, so that much of it counts.
    (what, prop_oneof![3 => Just(0usize), 2 => who])
}

fn record(event: &Event, seq: i64) -> Record {
    let key = |key: usize, who: usize, event| {
        Record::key(KeyFacts {
            key: KEYS[key].id(),
            person: NAMES[who].into(),
            public: KEYS[key].public(),
            event,
        })
    };
    match event {
        Event::Person { who, roles } => Record::person(PersonFacts {
            person: NAMES[*who].into(),
            roles: roles.clone(),
            certified_until: None,
            certificate: String::new(),
        }),
        Event::Made { key: k, who } => key(*k, *who, KeyEvent::Made),
        Event::Replaces { key: k, old, who } => key(*k, *who, KeyEvent::Replaces(KEYS[*old].id())),
        Event::Revoked { key: k, who } => key(*k, *who, KeyEvent::Revoked("lost".into())),
        Event::Withdraw { back } => withdraw(seq - back),
        Event::Retest => retest("1"),
    }
}

fn history(events: &[(Event, usize)]) -> Vec<Entry> {
    let records: Vec<(Record, i64)> = events
        .iter()
        .enumerate()
        .map(|(k, (event, _))| (record(event, k as i64 + 1), START_US))
        .collect();
    let mut entries = entries(&records);
    for (entry, (_, author)) in entries.iter_mut().zip(events) {
        entry.author = NAMES[*author].into();
    }
    entries
}

/// The rules once more, without a register: each answer looks back from the end over the entries
/// that count.
struct Model<'a>(Vec<&'a Entry>);

impl<'a> Model<'a> {
    /// After the last of these entries.
    fn after(entries: &'a [Entry]) -> Self {
        entries.iter().fold(Self(Vec::new()), |mut before, entry| {
            if before.counts(entry) {
                before.0.push(entry);
            }
            before
        })
    }

    /// Whether an entry after these counts.
    fn counts(&self, entry: &Entry) -> bool {
        let before = self;
        if !before.may(&entry.author, entry.kind) {
            return false;
        }
        match entry.facts().unwrap() {
            Facts::Person(f) => before.keeper_besides(&f.person) || keeps(&f.roles),
            Facts::Correction(f) if f.withdraws => !NAMES.iter().any(|name| {
                before.stands(name).is_some_and(|e| e.seq == f.corrects)
                    && !before.keeper_besides(name)
            }),
            Facts::Key(f) => match &f.event {
                KeyEvent::Revoked(_) => before.birth(&f.key).is_some_and(|(_, p)| p == f.person),
                KeyEvent::Made => before.birth(&f.key).is_none() && before.stands_here(&f.person),
                KeyEvent::Replaces(old) => {
                    before.birth(&f.key).is_none()
                        && before.stands_here(&f.person)
                        && before.signer(old).is_some_and(|p| p == f.person)
                }
            },
            _ => true,
        }
    }

    fn counted(&self) -> impl DoubleEndedIterator<Item = (&Entry, Facts)> {
        self.0.iter().map(|e| (*e, e.facts().unwrap()))
    }

    fn kept(&self) -> bool {
        self.counted().any(|(_, f)| matches!(f, Facts::Person(_)))
    }

    /// The latest entry about a person, if it was not withdrawn after it.
    fn stands(&self, name: &str) -> Option<&Entry> {
        let (entry, _) = self
            .counted()
            .rev()
            .find(|(_, f)| matches!(f, Facts::Person(f) if f.person == name))?;
        let gone = self.withdrawn(entry.seq);
        (!gone).then_some(entry)
    }

    fn withdrawn(&self, seq: i64) -> bool {
        self.counted().any(|(e, f)| {
            matches!(f, Facts::Correction(f) if f.withdraws && f.corrects == seq && seq < e.seq)
        })
    }

    fn roles(&self, name: &str) -> Vec<Role> {
        match self.stands(name).map(|e| e.facts().unwrap()) {
            Some(Facts::Person(f)) => f.roles,
            _ => Vec::new(),
        }
    }

    fn may(&self, name: &str, kind: Kind) -> bool {
        !self.kept() || self.roles(name).iter().any(|r| rights::holders(kind).contains(r))
    }

    fn stands_here(&self, name: &str) -> bool {
        !self.kept() || !self.roles(name).is_empty()
    }

    fn keeper_besides(&self, name: &str) -> bool {
        NAMES.iter().any(|other| *other != name && keeps(&self.roles(other)))
    }

    /// The entry that made a key, and for whom.
    fn birth(&self, key: &str) -> Option<(i64, String)> {
        self.counted().find_map(|(e, f)| match f {
            Facts::Key(f) if f.key == key && !matches!(f.event, KeyEvent::Revoked(_)) => {
                Some((e.seq, f.person))
            }
            _ => None,
        })
    }

    fn signer(&self, key: &str) -> Option<String> {
        let (seq, person) = self.birth(key)?;
        let ended = self.counted().any(|(_, f)| match f {
            Facts::Key(f) => match f.event {
                KeyEvent::Revoked(_) => f.key == key,
                KeyEvent::Replaces(old) => old == key,
                KeyEvent::Made => false,
            },
            _ => false,
        });
        (!ended && !self.withdrawn(seq) && self.stands_here(&person)).then_some(person)
    }
}

fn keeps(roles: &[Role]) -> bool {
    roles.contains(&Role::Quality) || roles.contains(&Role::Level3)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn the_register_says_what_the_entries_say(events in prop::collection::vec(event(), 1..24)) {
        let entries = history(&events);
        let people = People::of(&entries).unwrap();
        for at in 0..=entries.len() as i64 {
            let model = Model::after(&entries[..at as usize]);
            prop_assert_eq!(people.are_kept(at), model.kept(), "kept after {}", at);
            for name in NAMES {
                prop_assert_eq!(people.roles(name, at), model.roles(name), "{} after {}", name, at);
                for kind in Kind::ALL {
                    prop_assert_eq!(people.may(name, kind, at).is_ok(), model.may(name, kind));
                }
            }
            for key in KEYS.iter() {
                let signer = people.signer(&key.id(), at).map(str::to_owned);
                prop_assert_eq!(signer, model.signer(&key.id()), "key after {}", at);
            }
        }
        let whole = Model::after(&entries);
        let counted: Vec<i64> = whole.0.iter().map(|e| e.seq).collect();
        let about = [Kind::Person, Kind::Key];
        let uncounted: Vec<i64> = entries
            .iter()
            .filter(|e| about.contains(&e.kind) && !counted.contains(&e.seq))
            .map(|e| e.seq)
            .collect();
        let found: Vec<i64> = people.uncounted().iter().map(|u| u.seq).collect();
        prop_assert_eq!(found, uncounted);
    }

    // Properties: what was true after an entry stays true whatever follows; a key that ended never signs
    // again; once people are kept, somebody keeps them.
    #[test]
    fn the_past_does_not_change(events in prop::collection::vec(event(), 2..30)) {
        let entries = history(&events);
        let people = People::of(&entries).unwrap();
        for at in 0..=entries.len() {
            let then = People::of(&entries[..at]).unwrap();
            let at = at as i64;
            for name in NAMES {
                prop_assert_eq!(people.roles(name, at), then.roles(name, at));
            }
            for key in KEYS.iter().map(SigningKey::id) {
                prop_assert_eq!(people.signer(&key, at), then.signer(&key, at));
                if people.key(&key).and_then(|k| k.end.as_ref()).is_some_and(|(end, _)| *end <= at) {
                    prop_assert_eq!(people.signer(&key, at), None);
                }
            }
            let keeper = NAMES.iter().any(|name| keeps(people.roles(name, at)));
            prop_assert_eq!(people.are_kept(at), keeper);
        }
    }
}

fn person(name: &str, roles: &[Role], until: Option<Date>) -> Record {
    Record::person(PersonFacts {
        person: name.into(),
        roles: roles.to_vec(),
        certified_until: until,
        certificate: String::new(),
    })
}

fn by(author: &str, records: &[Record]) -> Vec<Entry> {
    let records: Vec<(Record, i64)> = records.iter().map(|r| (r.clone(), START_US)).collect();
    let mut list = entries(&records);
    list.iter_mut().for_each(|e| e.author = author.into());
    list
}

// Own rules, by construction.
#[test]
fn nobody_makes_himself_level_3() {
    let mut list = by(
        "Q1",
        &[
            person("I1", &[Role::Inspector], None),
            person("Q1", &[Role::Quality], None),
            person("I1", &[Role::Inspector], None),
            person("I1", &[Role::Level3], None),
        ],
    );
    list[3].author = "I1".into();
    let people = People::of(&list).unwrap();
    // The first entry would have left nobody to keep people.
    let why: Vec<_> = people.uncounted().iter().map(|u| (u.seq, &u.why)).collect();
    assert!(
        matches!(why.as_slice(), [(1, Refused::NoKeeper { .. }), (4, Refused::Denied(_))]),
        "{why:?}"
    );
    assert!(!people.are_kept(1) && people.are_kept(2));
    assert_eq!(people.roles("I1", 4), [Role::Inspector]);
    let denied = people.may("I1", Kind::Approval, 4).unwrap_err().to_string();
    assert_eq!(
        denied,
        "I1 may not write this (approval): that takes level 3, and they are inspector"
    );
    for name in ["", " a", "a\u{202e}b", "x\ny", &"n".repeat(65)] {
        let refused = people.admit(&person(name, &[], None).facts).unwrap_err();
        assert!(matches!(refused, Refused::Name { .. }), "{name:?}: {refused}");
        assert!(refused.hint().is_some());
    }
}

// Closed form: the last day counts, the next one does not.
#[test]
fn a_certification_holds_on_its_last_day() {
    let until = date(2026, 11, 25);
    let list = by(
        "Q1",
        &[
            person("Q1", &[Role::Quality], None),
            person("L2", &[Role::Level2], Some(until)),
            person("L3", &[Role::Level3], None),
            person("gone", &[], Some(date(2020, 1, 1))),
        ],
    );
    let people = People::of(&list).unwrap();
    let lacks = Expiry::NoCertification { person: "L3".into(), role: Role::Level3 };
    assert_eq!(people.expired(until, 4), std::slice::from_ref(&lacks));
    let on = date(2026, 11, 27);
    let ended = Expiry::Certification { person: "L2".into(), until, on };
    assert_eq!(
        ended.words(),
        "the certification of L2 ended on 2026-11-25, 2 days before 2026-11-27"
    );
    assert_eq!(people.expired(on, 4), [ended, lacks]);
    assert_eq!(people.expired(on, 1), []);
}

// Closed form: a small story of one line, told entry by entry.
#[test]
fn equipment_is_in_one_place_at_a_time() {
    let piece = |serial: &str, until: Option<Date>| {
        Record::equipment(EquipmentFacts {
            equipment: serial.into(),
            what: "probe".into(),
            calibration: until.map(|until| Calibration { certificate: "C1".into(), until }),
        })
    };
    let mount = |serial: &str, place: &str, on: bool| {
        let facts = MountFacts { equipment: serial.into(), place: place.into(), on };
        Record::mount(facts, LINE).unwrap()
    };
    let until = date(2026, 6, 30);
    let list = by(
        "Q1",
        &[
            person("Q1", &[Role::Quality], None),
            piece("P1", Some(until)),
            piece("P2", None),
            mount("P1", "1", true),
            mount("P2", "1", true),
            mount("P1", "2", true),
            mount("P1", "3", true),
            mount("P1", "2", false),
            mount("P9", "4", true),
            mount("P1", "3", false),
            withdraw(2),
        ],
    );
    let people = People::of(&list).unwrap();
    let equipment = Equipment::of(&list, &people).unwrap();
    let on_line = |at| equipment.on_line(LINE, at).collect::<Vec<_>>();
    assert_eq!(on_line(3), []);
    assert_eq!(on_line(4), [("1", "P1")]);
    assert_eq!(on_line(5), [("1", "P2")]);
    assert_eq!(on_line(6), [("1", "P2"), ("2", "P1")]);
    // Moved; and taking it off a place where it is not changes nothing.
    assert_eq!(on_line(7), [("1", "P2"), ("3", "P1")]);
    assert_eq!(on_line(8), on_line(7));
    assert_eq!(equipment.place_of("P1", 8), Some((LINE, "3")));
    assert_eq!(on_line(10), [("1", "P2"), ("4", "P9")]);
    let on = date(2026, 7, 1);
    let ended = Expiry::Calibration { equipment: "P1".into(), what: "probe".into(), until, on };
    let unknown = Expiry::UnknownEquipment { equipment: "P9".into(), place: "4".into() };
    assert_eq!(
        ended.words(),
        "the calibration of probe P1 ended on 2026-06-30, 1 day before 2026-07-01"
    );
    assert_eq!(equipment.expired_on_line(LINE, on, 9), [ended.clone(), unknown]);
    assert_eq!(equipment.expired(on, 10), [ended]);
    assert_eq!(equipment.expired(until, 10), []);
    // Withdrawn: it is on no record any more.
    assert_eq!(equipment.piece("P1", 11), None);
    assert_eq!(equipment.uncounted(), [0i64; 0]);
    // An auditor mounts nothing.
    let mut foreign = list[..4].to_vec();
    foreign[3].author = "A1".into();
    let none = Equipment::of(&foreign, &People::of(&foreign).unwrap()).unwrap();
    assert_eq!((none.on_line(LINE, 4).count(), none.uncounted()), (0, &[4i64][..]));
}

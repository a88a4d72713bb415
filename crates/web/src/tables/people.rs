//! People, keys, equipment and calibrations, as the ledger has them.

use barwright_ledger::{
    Equipment, People,
    people::{Key, KeyEnd},
    record::{EquipmentFacts, PersonFacts},
};
use barwright_phrase::say;

use super::{Cell, Listed, Made, Rows, Why, cell::joined, date, made, said, text, whole};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 4] = [
    Listed { name: "people", row: "person on record", title: || say!("People"), make: people },
    Listed {
        name: "keys",
        row: "signing key, its public half",
        title: || say!("Keys"),
        make: keys,
    },
    Listed {
        name: "equipment",
        row: "piece of equipment on record",
        title: || say!("Equipment"),
        make: equipment,
    },
    Listed {
        name: "calibrations",
        row: "calibrated piece of equipment",
        title: || say!("Calibrations"),
        make: calibrations,
    },
];

fn unreadable(e: &barwright_ledger::LedgerError) -> Why {
    Why::Damaged(e.to_string())
}

/// The register of people, with the last entry.
fn register(lot: &Lot) -> Result<(People, i64), Why> {
    let entries = &said(lot)?.entries;
    let people = People::of(entries).map_err(|e| unreadable(&e))?;
    Ok((people, entries.last().map_or(0, |entry| entry.seq)))
}

fn people(lot: &Lot) -> Made {
    let rows: Rows<(i64, PersonFacts)> = register(lot)
        .map(|(people, end)| people.persons(end).map(|(seq, p)| (seq, p.clone())).collect());
    made(
        rows,
        [
            text("person", "name, as entries carry it", |(_, p)| (&p.person).into()),
            text("roles", "roles, apart by semicolons; empty for somebody who left", |(_, p)| {
                joined(p.roles.iter().map(|role| role.words()), "; ")
            }),
            date("certified_until", "last day of the certification", |(_, p)| {
                p.certified_until.into()
            }),
            text("certificate", "number of the certificate", |(_, p)| (&p.certificate).into()),
            whole("entry", "entry that says so", |(seq, _)| (*seq).into()),
        ],
    )
}

fn keys(lot: &Lot) -> Made {
    let rows: Rows<(String, Key)> = register(lot)
        .map(|(people, _)| people.keys().map(|(id, key)| (id.to_owned(), key.clone())).collect());
    made(
        rows,
        [
            text("key", "name of the key", |(id, _)| id.into()),
            text("person", "whose it is", |(_, k)| (&k.person).into()),
            text("public", "Ed25519 public key, hexadecimal", |(_, k)| k.public.to_hex().into()),
            whole("from_entry", "entry from which on it signs", |(_, k)| k.from.into()),
            whole("until_entry", "entry from which on it signs no more", |(_, k)| {
                k.end.as_ref().map(|(seq, _)| *seq).into()
            }),
            text("end", "why: replaced, revoked, withdrawn", |(_, k)| match &k.end {
                None => Cell::Absent,
                Some((_, KeyEnd::Replaced(_))) => "replaced".into(),
                Some((_, KeyEnd::Revoked(_))) => "revoked".into(),
                Some((_, KeyEnd::Withdrawn)) => "withdrawn".into(),
            }),
            text("end_detail", "the key in its place, or the reason", |(_, k)| match &k.end {
                Some((_, KeyEnd::Replaced(what) | KeyEnd::Revoked(what))) => what.into(),
                _ => Cell::Absent,
            }),
        ],
    )
}

/// A piece with its entry, and the line and place of its use.
type Piece = (i64, EquipmentFacts, Option<(String, String)>);

fn pieces(lot: &Lot) -> Rows<Piece> {
    let (people, end) = register(lot)?;
    let equipment = Equipment::of(&said(lot)?.entries, &people).map_err(|e| unreadable(&e))?;
    let owned = |(line, place): (&str, &str)| (line.to_owned(), place.to_owned());
    let all = equipment.pieces(end);
    Ok(all
        .map(|(seq, facts)| {
            (seq, facts.clone(), equipment.place_of(&facts.equipment, end).map(owned))
        })
        .collect())
}

fn equipment(lot: &Lot) -> Made {
    made(
        pieces(lot),
        [
            text("equipment", "serial number or mark", |(_, e, _)| (&e.equipment).into()),
            text("what", "what it is", |(_, e, _)| (&e.what).into()),
            text("line", "line on which it is in use", |(.., place)| {
                place.as_ref().map(|(line, _)| line).into()
            }),
            text("place", "where on the line", |(.., place)| {
                place.as_ref().map(|(_, place)| place).into()
            }),
            whole("entry", "entry that says so", |(seq, ..)| (*seq).into()),
        ],
    )
}

fn calibrations(lot: &Lot) -> Made {
    let calibrated = |pieces: Vec<Piece>| {
        pieces.into_iter().filter(|(_, e, _)| e.calibration.is_some()).collect()
    };
    made(
        pieces(lot).map(calibrated),
        [
            text("equipment", "serial number or mark", |(_, e, _): &Piece| (&e.equipment).into()),
            text("what", "what it is", |(_, e, _)| (&e.what).into()),
            text("certificate", "number of the certificate", |(_, e, _)| {
                e.calibration.as_ref().map(|c| &c.certificate).into()
            }),
            date("calibrated_until", "last day on which it holds", |(_, e, _)| {
                e.calibration.as_ref().map(|c| c.until).into()
            }),
            whole("entry", "entry that says so", |(seq, ..)| (*seq).into()),
        ],
    )
}

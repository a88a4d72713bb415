//! Who there is, in what role and how long certified; what equipment there is, where it is used and how long
//! its calibration holds. And the forms for who keeps them.

use barwright_ledger::{
    Entry, Equipment, Kind, People,
    expiry::Expiry,
    record::{PersonFacts, Role},
};
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use crate::{
    access::Viewer,
    chain::{Shape, sentence},
    look::{
        mark, shell,
        table::{prose, table, words},
    },
    lot::Lot,
    permission::permitted_by,
    steps::line_of,
};

/// Address of the page.
pub const ADDRESS: &str = "/people";
/// Address that a person is sent to.
pub const PERSON: &str = "/people/person";
/// Address that a piece of equipment is sent to.
pub const EQUIPMENT: &str = "/people/equipment";
/// Address that a mounting is sent to.
pub const MOUNT: &str = "/people/mount";

/// The page. `refused`: why what was sent was not entered.
pub fn page(lot: &Lot, refused: Option<&str>) -> Markup {
    shell::shell(
        lot,
        ADDRESS,
        say!("People and equipment"),
        &html! { "Who may do what, by whose certificate; which probes, electronics and reference bars are in use, and until when they are calibrated. All of it as the ledger has it." },
        &html! {
            @if let Some(why) = refused {
                p.wrong role="alert" { (mark::link(Shape::Split)) span { "Not entered. " (text::visible(&sentence(why))) } }
            }
            @match registers(lot) {
                None => { p { "There is no ledger that answers, so nobody and nothing is on record." } }
                Some(Err(e)) => { p.wrong { (mark::link(Shape::Split)) span { (text::visible(&sentence(&e))) } } }
                Some(Ok((entries, people, equipment))) => { (body(lot, entries, &people, &equipment)) }
            }
        },
    )
}

type Registers<'a> = (&'a [Entry], People, Equipment);

fn registers(lot: &Lot) -> Option<Result<Registers<'_>, String>> {
    let entries = &lot.ledger.here()?.entries;
    let made = People::of(entries).and_then(|people| {
        let equipment = Equipment::of(entries, &people)?;
        Ok((entries.as_slice(), people, equipment))
    });
    Some(made.map_err(|e| e.to_string()))
}

fn body(lot: &Lot, entries: &[Entry], people: &People, equipment: &Equipment) -> Markup {
    let at = entries.last().map_or(0, |entry| entry.seq);
    let mut ended = people.expired(lot.today, at);
    ended.extend(equipment.expired(lot.today, at));
    html! {
        @if !ended.is_empty() {
            section.stop {
                h2 { "Ended" }
                ul { @for e in &ended { li { (text::visible(&sentence(&e.words()))) } } }
            }
        }
        div.two {
            section {
                h2 { "People" }
                (persons(lot, people, at))
                (keys(people))
            }
            section.column {
                @if may(lot, Kind::Person) {
                    @if people.are_keyed(at) {
                        p.quiet { "Keys are kept here, so who keeps people signs: " code { "barwright people add NAME --role ROLE --key FILE" } "." }
                    } @else { (person_form()) }
                }
            }
        }
        div.two {
            section {
                h2 { "Equipment" }
                (pieces(lot, equipment, at))
            }
            section.column {
                @if may(lot, Kind::Equipment) { (equipment_form()) }
                @if may(lot, Kind::Mount) { (mount_form(lot)) }
            }
        }
    }
}

fn may(lot: &Lot, kind: Kind) -> bool {
    let (Viewer::Person(person), Some(said), Some(rules)) =
        (&lot.viewer, lot.ledger.here(), lot.rules.here())
    else {
        return false;
    };
    permitted_by(&said.entries, (person, kind), rules, lot.today).is_ok()
}

fn entry(seq: i64) -> Markup {
    html! { a href=(format!("/ledger#entry-{seq}")) { "entry " (seq) } }
}

fn persons(lot: &Lot, people: &People, at: i64) -> Markup {
    let list: Vec<(i64, &PersonFacts)> = people.persons(at).collect();
    if list.is_empty() {
        return html! { p { "Nobody is on record: until the first person is entered everybody may enter everything." } };
    }
    table(
        say!("People"),
        &[words(say!("Name")), prose(say!("roles")), words(say!("certified until")), prose(say!("certificate")), words(say!("by"))],
        list.into_iter().map(|(seq, p)| {
            let ended = Expiry::of_person(p, lot.today).is_some();
            let roles: Vec<&str> = p.roles.iter().map(|role| role.words()).collect();
            vec![
                html! { strong { (text::visible(&p.person)) } },
                html! { @if roles.is_empty() { span.quiet { "none: has left" } } @else { (roles.join(", ")) } },
                html! {
                    @match p.certified_until {
                        Some(until) if ended => { em.flag { (until) } }
                        Some(until) => { (until) }
                        None if ended => { em.flag { "not on record" } }
                        None => { "–" }
                    }
                },
                html! { (text::visible(&p.certificate)) },
                entry(seq),
            ]
        }),
    )
}

fn keys(people: &People) -> Markup {
    let list: Vec<_> = people.keys().collect();
    html! {
        @if !list.is_empty() {
            (table(
                say!("Keys"),
                &[words(say!("Key")), words(say!("whose")), words(say!("signs from")), prose(say!("until"))],
                list.into_iter().map(|(id, key)| vec![
                    html! { code { (id) } },
                    html! { (text::visible(&key.person)) },
                    entry(key.from),
                    html! { @match &key.end { Some((seq, _)) => { (entry(*seq)) } None => { "it signs" } } },
                ]),
            ))
        }
    }
}

fn pieces(lot: &Lot, equipment: &Equipment, at: i64) -> Markup {
    let list: Vec<_> = equipment.pieces(at).collect();
    if list.is_empty() {
        return html! { p { "No probe, electronics, reference bar or thermometer is on record." } };
    }
    table(
        say!("Equipment"),
        &[
            words(say!("Mark")),
            prose(say!("what it is")),
            words(say!("calibrated until")),
            prose(say!("certificate")),
            prose(say!("in use")),
            words(say!("by")),
        ],
        list.into_iter().map(|(seq, piece)| {
            let ended = Expiry::of_equipment(piece, lot.today).is_some();
            let calibration = piece.calibration.as_ref();
            vec![
                html! { strong { (text::visible(&piece.equipment)) } },
                html! { (text::visible(&piece.what)) },
                html! {
                    @match calibration {
                        Some(c) if ended => { em.flag { (c.until) } }
                        Some(c) => { (c.until) }
                        None => { "–" }
                    }
                },
                html! { (calibration.map_or_else(String::new, |c| text::visible(&c.certificate))) },
                html! {
                    @match equipment.place_of(&piece.equipment, at) {
                        Some((line, place)) => { (text::visible(line)) ", " (text::visible(place)) }
                        None => { span.quiet { "not in use" } }
                    }
                },
                entry(seq),
            ]
        }),
    )
}

fn input(name: &str, words: &str, required: bool) -> Markup {
    html! { label { span { (words) } input name=(name) maxlength="80" autocomplete="off" required[required]; } }
}

fn date(name: &str, words: &str) -> Markup {
    html! { label { span { (words) } input name=(name) type="date"; } }
}

fn person_form() -> Markup {
    html! {
        h2 { "Enter a person" }
        p.quiet { "Of a name that is on record the new entry counts from now on. Without a role: has left." }
        form.entry method="post" action=(PERSON) {
            (input("person", say!("Name, as entries carry it"), true))
            fieldset {
                legend { "Roles" }
                @for role in Role::ALL {
                    label.tick { input type="checkbox" name="role" value=(role.words()); span { (role.words()) } }
                }
            }
            (date("certified_until", say!("Certified until")))
            (input("certificate", say!("Number of the certificate"), false))
            button.main type="submit" { "Enter this person" }
        }
    }
}

fn equipment_form() -> Markup {
    html! {
        h2 { "Enter equipment" }
        form.entry method="post" action=(EQUIPMENT) {
            (input("equipment", say!("Serial number or mark"), true))
            (input("what", say!("What it is: probe, electronics, reference bar, thermometer"), true))
            (date("until", say!("Calibrated until")))
            (input("certificate", say!("Number of the certificate"), false))
            button.main type="submit" { "Enter this piece" }
        }
    }
}

fn mount_form(lot: &Lot) -> Markup {
    let Some(station) = lot.station.here() else { return html! {} };
    html! {
        h2 { "Put to use on " (text::visible(line_of(station))) }
        p.quiet { "It ends the stretch that the last check opened: a new check is due." }
        form.entry method="post" action=(MOUNT) {
            (input("equipment", say!("Serial number or mark"), true))
            (input("place", say!("Place: a probe's number, or a word"), true))
            fieldset {
                legend { "From now on" }
                label.tick { input type="radio" name="on" value="on" checked; span { "it is there" } }
                label.tick { input type="radio" name="on" value="off"; span { "it is taken off" } }
            }
            button.main type="submit" { "Enter this change" }
        }
    }
}

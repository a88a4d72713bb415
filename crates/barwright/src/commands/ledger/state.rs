//! Entries that people make by hand: retests, corrections, cuts, shipments, who runs a line.

use barwright_ledger::{
    BarKey, Ledger, Record, State,
    record::{CutFacts, Delivered, Piece, ShipmentFacts},
    store::Stamped,
};

use super::{ask::bar_key, now_us, words};
use crate::bench::Bench;
use crate::commands::register::{self, Signing};
use crate::failure::{Failure, Outcome};
use barwright_web::steps::line_of;

/// Who enters it, and with which key.
#[derive(Debug, clap::Args)]
pub struct By {
    /// Who enters it.
    #[arg(long)]
    pub author: String,
    #[command(flatten)]
    signing: Signing,
}

/// Adds records, all of them or none, and answers with their entries.
pub fn enter(bench: &Bench, records: &[Record], by: &By) -> Result<Outcome, Failure> {
    let ledger = register::open(&bench.job)?;
    let key = by.signing.key(&ledger, records, &by.author)?;
    let time_us = now_us();
    let stamp =
        |record: &Record| Stamped { record: record.clone(), author: by.author.clone(), time_us };
    let stamped: Vec<Stamped> = records.iter().map(stamp).collect();
    let entries = ledger.append_all_signed(&stamped, key.as_ref())?;
    let text: String = entries.iter().map(words::entry_text).collect();
    bench.answer(&text, &entries)?;
    Ok(Outcome::Good)
}

/// Orders retests.
pub fn retest(bench: &Bench, bars: &[String], reason: &str, by: &By) -> Result<Outcome, Failure> {
    let records = bars
        .iter()
        .map(|bar| Ok(Record::retest(&bar_key(bench, bar)?, reason)))
        .collect::<Result<Vec<_>, Failure>>()?;
    enter(bench, &records, by)
}

/// Corrects an entry.
pub fn correct(
    bench: &Bench,
    entry: i64,
    withdraw: bool,
    statement: &str,
    by: &By,
) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let Some(wrong) = ledger.entry(entry)? else {
        return Err(Failure::new(format!("the ledger has no entry {entry}")));
    };
    drop(ledger);
    enter(bench, &[Record::correction(&wrong, withdraw, statement)], by)
}

/// Says who runs the line from now on.
pub fn operator(bench: &Bench, person: &str, by: &By) -> Result<Outcome, Failure> {
    let station = bench.job.station()?;
    enter(bench, &[Record::operator(person, line_of(&station))], by)
}

/// Records that bars were cut as judged.
pub fn cut(bench: &Bench, bars: &[String], by: &By) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let records = bars
        .iter()
        .map(|name| {
            let bar = bar_key(bench, name)?;
            let kept = match ledger.story(&bar, now_us())?.map(|story| story.state.state) {
                Some(State::Cropped { pieces_m }) => pieces_m,
                Some(state) => return Err(not_cropped(&bar, &state.words())),
                None => return Err(not_cropped(&bar, "not in the ledger")),
            };
            // The marks of the trade: A from the head end on.
            let pieces = kept
                .iter()
                .enumerate()
                .map(|(i, [from_m, to_m])| Piece { piece: mark(i), from_m: *from_m, to_m: *to_m })
                .collect();
            Ok(Record::cut(CutFacts { bar, pieces }))
        })
        .collect::<Result<Vec<_>, Failure>>()?;
    drop(ledger);
    enter(bench, &records, by)
}

fn not_cropped(bar: &BarKey, state: &str) -> Failure {
    Failure::new(format!("bar {bar} is not to be cut: it is {state}"))
        .hint(Some("only bars released in pieces are cut".into()))
}

/// Mark of a piece: A to Z, then A2 and so on.
fn mark(i: usize) -> String {
    let letter = char::from(b'A' + u8::try_from(i % 26).unwrap_or(0));
    match i / 26 {
        0 => letter.to_string(),
        round => format!("{letter}{}", round + 1),
    }
}

/// Records that bars or pieces left the house.
pub fn ship(
    bench: &Bench,
    delivery: &str,
    items: &[String],
    although: Option<&str>,
    by: &By,
) -> Result<Outcome, Failure> {
    let order = bench.job.order()?.order;
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let (mut delivered, mut held) = (vec![], vec![]);
    for item in items {
        let (name, piece) = match item.split_once(':') {
            Some((bar, piece)) => (bar, Some(piece.to_owned())),
            None => (item.as_str(), None),
        };
        let bar = bar_key(bench, name)?;
        let story = ledger.story(&bar, now_us())?;
        let state = story.as_ref().map(|story| &story.state.state);
        let fits = match (state, &piece) {
            (Some(State::Released), None) => true,
            (Some(State::Released | State::Cropped { .. }), Some(piece)) => {
                story.as_ref().is_some_and(|s| s.pieces.iter().any(|(mark, ..)| mark == piece))
            }
            _ => false,
        };
        if !fits {
            let state = state.map_or("not in the ledger".into(), |s| s.words());
            held.push(format!("{item} ({state})"));
        }
        delivered.push(Delivered { bar, piece });
    }
    drop(ledger);
    if !held.is_empty() && although.is_none() {
        return Err(Failure::new(format!("not released to leave: {}", held.join(", ")))
            .hint(Some(
            "if it has left already, enter that with --although and the reason: it must come back"
                .into(),
        )));
    }
    let facts = ShipmentFacts {
        delivery: delivery.to_owned(),
        customer: order.customer,
        items: delivered,
        although: if held.is_empty() { "" } else { although.unwrap_or_default() }.to_owned(),
    };
    let done = enter(bench, &[Record::shipment(facts)], by)?;
    Ok(if held.is_empty() { done } else { Outcome::Attention })
}

//! The ledger: entries, states of bars, holds, lines.

use barwright_ledger::{
    BarState, Entry, State,
    store::questions::{Affected, HoldList, LineNow},
};
use barwright_phrase::say;

use super::{
    Cell, Listed, Made, Rows,
    cell::{at, joined, word},
    made, said, text, time, truth, whole,
};
use crate::{lot::Lot, record::document_of};

pub(super) const ALL: [Listed; 4] = [
    Listed {
        name: "ledger_entries",
        row: "entry; of a ledger over 20 000 entries, those of this lot and of kinds that are few",
        title: || say!("Entries of the ledger"),
        make: entries,
    },
    Listed {
        name: "bar_states",
        row: "bar of this lot's heat that the ledger knows",
        title: || say!("State of every bar"),
        make: states,
    },
    Listed {
        name: "holds",
        row: "bar that a cause held, of all lots",
        title: || say!("Holds by their cause"),
        make: holds,
    },
    Listed {
        name: "lines",
        row: "line",
        title: || say!("Lines and their next checks"),
        make: lines,
    },
];

fn entries(lot: &Lot) -> Made {
    let rows: Rows<&Entry> = said(lot).map(|s| s.entries.iter().collect());
    made(
        rows,
        [
            whole("entry", "number, from 1", |e| e.seq.into()),
            time("at", "when, by the clock of whoever wrote it", |e| at(e.time_us)),
            text("by", "who wrote it", |e| (&e.author).into()),
            text("kind", "what it records", |e| word(e.kind)),
            text("about", "a bar (heat/bar), an order, a line, a document", |e| {
                (&e.subject).into()
            }),
            text("line", "line concerned", |e| (&e.line).into()),
            text("document", "hash of the document it stands for", |e| document_of(e).into()),
            text("content", "what it says, as JSON", |e| e.content.to_string().into()),
            text("content_hash", "BLAKE3 hash of the stored text of its content", |e| {
                e.content_hash.0.as_str().into()
            }),
            text("parent_hash", "hash of the entry before it", |e| e.parent_hash.0.as_str().into()),
            text("hash", "hash of this entry", |e| e.hash.0.as_str().into()),
        ],
    )
}

/// The word for a state.
fn state(state: &State) -> Cell {
    match state {
        State::Waiting { .. } => "waiting",
        State::Released => "released",
        State::Cropped { .. } => "cropped",
        State::Held { .. } => "held",
        State::Rejected => "rejected",
    }
    .into()
}

fn states(lot: &Lot) -> Made {
    let rows: Rows<&BarState> = said(lot).map(|s| s.bars.iter().collect());
    made(
        rows,
        [
            text("heat", "heat", |b| (&b.bar.heat).into()),
            text("bar", "bar number within the lot", |b| (&b.bar.bar).into()),
            text("state", "waiting, released, cropped (in pieces), held or rejected", |b| {
                state(&b.state)
            }),
            text("state_words", "the state in words, with pieces or cause", |b| {
                b.state.words().into()
            }),
            text("line", "line of its latest screening", |b| (&b.line).into()),
            whole("screened_entry", "entry of its latest screening", |b| b.screened.into()),
            whole("judged_entry", "entry of the judgement that counts", |b| b.judged.into()),
            whole("check_before_entry", "entry of the good check before it", |b| {
                b.opening_check.into()
            }),
            whole("check_after_entry", "entry of the good check after it", |b| {
                b.closing_check.into()
            }),
            text("technique", "hash of the technique it was screened with", |b| {
                b.technique.as_ref().map(|h| h.0.as_str()).into()
            }),
            text("level", "hash of the level it was screened with", |b| {
                b.level.as_ref().map(|h| h.0.as_str()).into()
            }),
        ],
    )
}

fn holds(lot: &Lot) -> Made {
    let rows: Rows<(&HoldList, &Affected)> = said(lot).map(|s| {
        s.hold_lists.iter().flat_map(|list| list.bars.iter().map(move |bar| (list, bar))).collect()
    });
    made(
        rows,
        [
            text("cause", "word for the cause", |(l, _)| l.why.parts().0.into()),
            whole("cause_entry", "entry that is the cause, where one is", |(l, _)| {
                l.why.parts().1.into()
            }),
            text("why", "the cause in words", |(l, _)| l.why.words().into()),
            text("line", "line", |(l, _)| (&l.line).into()),
            whole("last_good_check_entry", "entry of the last good check before", |(l, _)| {
                l.last_good_check.into()
            }),
            text("heat", "heat", |(_, b)| (&b.bar.heat).into()),
            text("bar", "bar number within the lot", |(_, b)| (&b.bar.bar).into()),
            text("state", "its state now", |(_, b)| state(&b.state)),
            text("to_do", "what closes the hold, where it is still open", |(_, b)| {
                match &b.state {
                    State::Held { why } => why.cure().into(),
                    _ => Cell::Absent,
                }
            }),
            whole("screened_entry", "entry of the screening that lost its trust", |(_, b)| {
                b.screened.into()
            }),
            whole("again_entry", "entry of a later screening", |(_, b)| b.again.into()),
            text("pieces", "pieces that it was cut into, apart by semicolons", |(_, b)| {
                joined(&b.pieces, "; ")
            }),
            text(
                "left_the_house",
                "what of it left the house: piece, delivery, customer",
                |(_, b)| {
                    let one = |s: &barwright_ledger::store::questions::Shipped| {
                        let piece = if s.piece.is_empty() { "whole" } else { &s.piece };
                        format!("{piece} with {} to {}", s.delivery, s.customer)
                    };
                    joined(b.shipped.iter().map(one), "; ")
                },
            ),
        ],
    )
}

fn lines(lot: &Lot) -> Made {
    let rows: Rows<&LineNow> = said(lot).map(|s| s.lines.iter().collect());
    made(
        rows,
        [
            text("line", "line", |l| (&l.line).into()),
            text("operator", "who runs it, as recorded", |l| l.operator.as_deref().into()),
            whole("last_check_entry", "entry of its latest check, good or bad", |l| {
                l.last_check.into()
            }),
            time("next_check_at", "latest time of the next check", |l| at(l.next_check_us)),
            truth("overdue", "whether it is overdue now", |l| l.overdue.into()),
            text(
                "closed",
                "why nothing screened now could be released; empty while it could",
                |l| l.closed.as_ref().map(barwright_ledger::Why::words).into(),
            ),
        ],
    )
}

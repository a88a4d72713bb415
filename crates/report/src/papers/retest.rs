//! The retest list: every bar that must not leave or must come back, by the cause that holds it.

use barwright_phrase::say;
use serde_json::{Value, json};

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};

/// A cause that holds bars, as the ledger tells it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RetestCause {
    /// The cause, a sentence or its beginning.
    pub cause: String,
    /// Its line; empty where it is of no line.
    pub line: String,
    /// Entry and date of the last good check before.
    pub last_good: Option<(String, String)>,
    /// Every bar it holds or held.
    pub bars: Vec<RetestBar>,
}

/// A bar of a retest list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RetestBar {
    /// The bar.
    pub bar: String,
    /// Its heat.
    pub heat: String,
    /// What must be done, or how it was closed.
    pub closes: String,
    /// Whether it is still held.
    pub open: bool,
    /// Pieces it was cut into.
    pub pieces: Vec<String>,
    /// Deliveries that hold it or pieces of it, in words.
    pub shipped: Vec<String>,
}

/// What a retest list is made from.
#[derive(Debug, Clone, Copy)]
pub struct RetestInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// Name of the ledger.
    pub ledger: &'a str,
    /// Bars that are held now, over all causes.
    pub held: usize,
    /// The causes.
    pub causes: &'a [RetestCause],
}

/// The retest list as PDF.
///
/// # Errors
/// An unreadable moment.
pub fn retest_list(input: &RetestInput<'_>) -> Result<Vec<u8>> {
    let running = [say!("ledger {}", input.ledger)];
    let mut data = parts::frame(say!("Retest list"), &running, &input.issue);
    let out = input.causes.iter().flat_map(|c| &c.bars).filter(|b| b.open && !b.shipped.is_empty());
    let out = out.count();
    data["held"] = json!(input.held);
    data["words"] = json!(match input.held {
        0 => say!("NO BAR IS HELD").to_owned(),
        1 => say!("ONE BAR IS HELD").to_owned(),
        n => say!("{n} BARS ARE HELD"),
    });
    data["sentence"] = json!(match (input.held, out) {
        (0, _) => say!("Nothing has to be inspected again or come back.").to_owned(),
        (_, 0) =>
            say!("They must not leave. None of them is in a delivery that is on record.").to_owned(),
        (_, out) => say!(
            "They must not leave. Of {out} of them something has left the house and must come back."
        ),
    });
    data["facts"] = json!([
        [say!("Ledger"), input.ledger],
        [say!("Bars held"), input.held.to_string()],
        [say!("Causes"), input.causes.len().to_string()],
        [say!("Left the house"), out.to_string()],
    ]);
    data["lists"] = input.causes.iter().map(list).collect();
    data["evidence"] = json!([]);
    engine::set(Paper { name: "retest.typ", data, pictures: vec![] }, &input.issue)
}

fn list(cause: &RetestCause) -> Value {
    let words = |list: &[String], between| match list {
        [] => "–".to_owned(),
        list => list.join(between),
    };
    let row = |b: &RetestBar| {
        json!({
            "row": [b.bar, b.heat, b.closes, words(&b.pieces, ", "), words(&b.shipped, "; ")],
            "open": b.open,
            "shipped": b.open && !b.shipped.is_empty(),
        })
    };
    json!({
        "cause": cause.cause,
        "line": cause.line,
        "open": cause.bars.iter().filter(|b| b.open).count().to_string(),
        "all": cause.bars.len().to_string(),
        "last_good": cause.last_good,
        "bars": cause.bars.iter().map(row).collect::<Vec<_>>(),
    })
}

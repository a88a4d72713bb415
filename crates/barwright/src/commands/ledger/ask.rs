//! Questions to the ledger.

use barwright_job::Hash;
use barwright_ledger::{
    BarKey, Head, Ledger, State,
    store::questions::{After, Which},
};
use serde::Deserialize;

use super::{now_us, words};
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Which bars, and which part of the list.
#[derive(Debug, clap::Args)]
pub struct BarsArgs {
    /// Bars of this heat; without any of these options, all bars.
    #[arg(long, group = "which")]
    heat: Option<String>,
    /// Bars screened with a technique of this order.
    #[arg(long, group = "which", value_name = "NUMBER")]
    order: Option<String>,
    /// Bars screened for the orders of this customer.
    #[arg(long, group = "which", value_name = "NAME")]
    customer: Option<String>,
    /// Bars screened while this probe or other equipment was in use.
    #[arg(long, group = "which", value_name = "SERIAL")]
    equipment: Option<String>,
    /// Bars screened with this level; the beginning of its hash does.
    #[arg(long, group = "which", value_name = "HASH")]
    level: Option<String>,
    /// Bars screened with this technique; the beginning of its hash does.
    #[arg(long, group = "which", value_name = "HASH")]
    technique: Option<String>,
    /// Bars screened by this version of the program.
    #[arg(long, group = "which", value_name = "VERSION")]
    program: Option<String>,
    /// Bars screened on this line.
    #[arg(long, group = "which")]
    line: Option<String>,
    /// Go on after this bar (of a heat) or entry.
    #[arg(long, value_name = "BAR|ENTRY", requires = "which")]
    after: Option<String>,
    /// At most so many.
    #[arg(long, default_value_t = 200, requires = "which")]
    limit: u32,
}

impl BarsArgs {
    fn which(&self, ledger: &Ledger) -> Result<Option<Which>, Failure> {
        let text = |value: &Option<String>, which: fn(String) -> Which| value.clone().map(which);
        let named = text(&self.heat, Which::Heat)
            .or_else(|| text(&self.order, Which::Order))
            .or_else(|| text(&self.customer, Which::Customer))
            .or_else(|| text(&self.equipment, Which::Equipment))
            .or_else(|| text(&self.program, Which::Program))
            .or_else(|| text(&self.line, Which::Line));
        if named.is_some() {
            return Ok(named);
        }
        if let Some(begin) = &self.level {
            return Ok(Some(Which::Level(whole_hash(ledger, begin)?)));
        }
        if let Some(begin) = &self.technique {
            return Ok(Some(Which::Technique(whole_hash(ledger, begin)?)));
        }
        Ok(None)
    }
}

/// The document whose hash begins so.
fn whole_hash(ledger: &Ledger, begin: &str) -> Result<Hash, Failure> {
    let found = ledger.documents(begin)?;
    match found.as_slice() {
        [one] => Ok(one.clone()),
        [] => {
            Err(Failure::new(format!("no document in the ledger has a hash that begins {begin}")))
        }
        several => Err(Failure::new(format!(
            "{} documents have a hash that begins {begin}",
            several.len()
        ))
        .hint(Some("give more of it".into()))),
    }
}

/// Lists bars.
pub fn bars(bench: &Bench, args: &BarsArgs) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let Some(which) = args.which(&ledger)? else {
        let bars = ledger.bars(now_us())?;
        let line = |b: &barwright_ledger::BarState| format!("{}: {}\n", b.bar, b.state.words());
        let text: String = bars.iter().map(line).collect();
        bench.answer(if bars.is_empty() { "none" } else { &text }, &bars)?;
        let held = bars.iter().any(|b| matches!(b.state, State::Held { .. }));
        return Ok(Outcome::good_if(!held));
    };
    let after = match (&args.after, &which) {
        (None, _) => None,
        (Some(bar), Which::Heat(_)) => Some(After::Bar(bar.clone())),
        (Some(seq), _) => Some(After::Screening(
            seq.parse()
                .map_err(|_| Failure::new(format!("{seq} is not the number of an entry")))?,
        )),
    };
    let found = ledger.bars_of(&which, after.as_ref(), args.limit, now_us())?;
    bench.answer(&words::bars_text(&found), &found)?;
    let held = found.bars.iter().any(|b| matches!(b.state.state, State::Held { .. }));
    Ok(Outcome::good_if(!held))
}

/// Lists holds by cause.
pub fn holds(bench: &Bench) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let lists = ledger.hold_lists(now_us())?;
    bench.answer(&words::hold_lists_text(&lists), &lists)?;
    Ok(Outcome::good_if(lists.is_empty()))
}

/// Lists what left the house of bars that are held.
pub fn shipped(bench: &Bench) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let found = ledger.shipped_although_held(now_us())?;
    let line = |(bar, shipped): &(barwright_ledger::BarState, _)| {
        let shipped: &barwright_ledger::store::questions::Shipped = shipped;
        let piece = if shipped.piece.is_empty() { "whole" } else { &shipped.piece };
        format!(
            "{} ({piece}): {}, but shipped with {} to {} (entry {})\n",
            bar.bar,
            bar.state.words(),
            shipped.delivery,
            shipped.customer,
            shipped.seq
        )
    };
    let text: String = found.iter().map(line).collect();
    bench.answer(
        if found.is_empty() { "nothing of a held bar left the house" } else { &text },
        &found,
    )?;
    Ok(Outcome::good_if(found.is_empty()))
}

/// The bar of a name: HEAT/BAR, or the number of a bar of the job's heat.
pub fn bar_key(bench: &Bench, name: &str) -> Result<BarKey, Failure> {
    match name.split_once('/') {
        Some((heat, bar)) => Ok(BarKey::new(heat, bar)),
        None => Ok(BarKey::new(bench.job.order()?.order.heat, name)),
    }
}

/// Tells everything about one bar.
pub fn bar(bench: &Bench, name: &str) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let key = bar_key(bench, name)?;
    let Some(story) = ledger.story(&key, now_us())? else {
        return Err(Failure::new(format!("the ledger does not know bar {key}")));
    };
    bench.answer(&words::story_text(&story), &story)?;
    Ok(Outcome::good_if(!matches!(story.state.state, State::Held { .. })))
}

/// Lists lines and their next checks.
pub fn lines(bench: &Bench) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let lines = ledger.lines(now_us())?;
    bench.answer(&words::lines_text(&lines), &lines)?;
    Ok(Outcome::good_if(!lines.iter().any(|line| line.overdue)))
}

/// Lists who changed what.
pub fn changes(bench: &Bench, author: Option<&str>, from: i64) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let found = ledger.changes(author, from, u32::MAX)?;
    let text: String = found.iter().map(words::entry_text).collect();
    bench.answer(if found.is_empty() { "none" } else { &text }, &found)?;
    Ok(Outcome::Good)
}

/// Proves every entry, against a printed head where one is given.
pub fn verify(bench: &Bench, entry: Option<i64>, hash: Option<&str>) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let printed = match (entry, hash) {
        (Some(seq), Some(hash)) => Some(Head {
            ledger: ledger.identity().clone(),
            seq,
            time_us: 0,
            hash: read_hash(hash)?,
        }),
        _ => None,
    };
    let found = ledger.verify(printed.as_ref())?;
    let text = match &found.first_fault {
        None => {
            let head = if printed.is_some() { ", and the printed head is in it" } else { "" };
            format!("{} entries, the chain is whole{head}\n{}", found.entries, found.head)
        }
        Some(fault) => format!(
            "{} entries are as they were written; then, at entry {}: {}",
            found.entries, fault.seq, fault.what
        ),
    };
    bench.answer(&text, &found)?;
    Ok(Outcome::good_if(found.is_whole()))
}

fn read_hash(text: &str) -> Result<Hash, Failure> {
    let read = serde_json::Value::String(text.trim().to_lowercase());
    let fits = text.trim().len() == 64 && text.trim().chars().all(|c| c.is_ascii_hexdigit());
    match Hash::deserialize(read) {
        Ok(hash) if fits => Ok(hash),
        _ => Err(Failure::new(format!("{text} is not a hash: 64 hexadecimal digits are"))),
    }
}

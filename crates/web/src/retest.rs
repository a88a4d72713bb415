//! The retest list: every bar that the ledger holds, by cause, as a paper.

use barwright_ledger::{
    Ledger, State,
    store::questions::{Affected, HoldList},
};
use barwright_phrase::say;
use barwright_report::papers::{RetestBar, RetestCause, RetestInput, retest_list};

use crate::{
    chain::sentence,
    folder::JobFolder,
    papers::{Moment, Result},
};

/// Name of its paper.
pub const NAME: &str = "retest-list";

/// The retest list of a folder's ledger as it is at `time_us`, as PDF. It needs no other document.
///
/// # Errors
/// [`crate::papers::PaperError`]: the ledger does not answer, or the paper cannot be set.
pub fn paper(job: &JobFolder, time_us: i64) -> Result<Vec<u8>> {
    let ledger = Ledger::open_to_read(&job.ledger_home())?;
    let head = ledger.head()?;
    let lists = ledger.hold_lists(time_us)?;
    let moment = Moment::of(job, Some(head), time_us)?;
    moment.spoken(|| {
        let causes =
            lists.iter().map(|list| cause(&ledger, list)).collect::<Result<Vec<RetestCause>>>()?;
        Ok(retest_list(&RetestInput {
            issue: moment.issue(),
            ledger: &ledger.identity().name,
            held: lists.iter().map(|list| list.open).sum(),
            causes: &causes,
        })?)
    })
}

fn cause(ledger: &Ledger, list: &HoldList) -> Result<RetestCause> {
    let last_good = match list.last_good_check {
        Some(seq) => ledger.entry(seq)?.map(|e| (seq.to_string(), e.date())),
        None => None,
    };
    Ok(RetestCause {
        cause: sentence(&list.why.words()),
        line: list.line.clone(),
        last_good,
        bars: list.bars.iter().map(bar).collect(),
    })
}

fn bar(affected: &Affected) -> RetestBar {
    let (closes, open) = match (&affected.state, affected.again) {
        (State::Held { why }, _) => (why.cure().to_owned(), true),
        (state, Some(seq)) => (say!("{}, inspected again (entry {seq})", state.words()), false),
        (state, None) => (state.words(), false),
    };
    let shipped = affected.shipped.iter().map(|s| {
        let (delivery, customer) = (&s.delivery, &s.customer);
        match s.piece.as_str() {
            "" => say!("whole with {delivery} to {customer}"),
            piece => say!("{piece} with {delivery} to {customer}"),
        }
    });
    RetestBar {
        bar: affected.bar.bar.clone(),
        heat: affected.bar.heat.clone(),
        closes,
        open,
        pieces: affected.pieces.clone(),
        shipped: shipped.collect(),
    }
}

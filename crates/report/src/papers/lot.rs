//! The paper of a lot: a certificate if every bar ordered is released, a summary if not.

use barwright_job::{Order, Rules, Sealed, Technique, judgement::Judgement, screened::ScreenedBar};
use barwright_phrase::say;
use serde_json::{Value, json};

use super::{
    CheckEntry, Issue, Result, Standing,
    engine::{self, Paper},
    parts,
    standing::{Outcome, outcome, said},
};
use crate::text;

/// One bar of a lot.
#[derive(Debug, Clone, Copy)]
pub struct LotBar<'a> {
    /// What was inspected.
    pub screened: &'a Sealed<ScreenedBar>,
    /// The judgement.
    pub judgement: &'a Sealed<Judgement>,
    /// What the ledger says.
    pub standing: Standing<'a>,
    /// The last good check before the bar.
    pub opening: Option<CheckEntry<'a>>,
    /// The first check after it.
    pub closing: Option<CheckEntry<'a>>,
}

/// What the paper of a lot is made from.
#[derive(Debug, Clone, Copy)]
pub struct LotInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The order.
    pub order: &'a Order,
    /// The acceptance rules.
    pub rules: &'a Rules,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// The bars screened so far, in order.
    pub bars: &'a [LotBar<'a>],
}

/// The paper of a lot as PDF: titled `Lot certificate` only if as many bars as ordered are there and
/// each is released; else `Lot summary`.
///
/// # Errors
/// Documents that were not made for each other, or an unreadable moment.
pub fn lot_certificate(input: &LotInput<'_>) -> Result<Vec<u8>> {
    input.technique.demand("technique", "order", &input.order.hash())?;
    let rules = input.rules.hash();
    let mut bars: Vec<(&LotBar<'_>, Outcome)> = Vec::with_capacity(input.bars.len());
    for bar in input.bars {
        let name = |what: &str| say!("{what} of bar {}", bar.judgement.body.bar);
        bar.screened.demand(&name("screening"), "technique", &input.technique.hash)?;
        bar.judgement.demand(&name("judgement"), "screened", &bar.screened.hash)?;
        bar.judgement.demand(&name("judgement"), "rules", &rules)?;
        for entry in [bar.opening, bar.closing].into_iter().flatten() {
            entry.check.demand(&name("check"), "technique", &input.technique.hash)?;
        }
        let o = outcome(
            &bar.judgement.body,
            bar.standing,
            bar.opening.map(|c| &c.check.body),
            bar.closing.map(|c| &c.check.body),
        );
        bars.push((bar, o));
    }
    let ordered = usize::try_from(input.order.bars.count).unwrap_or(usize::MAX);
    let released = bars.iter().filter(|(_, o)| o.released).count();
    let whole = released == bars.len() && bars.len() >= ordered && !bars.is_empty();
    let title = if whole { say!("Lot certificate") } else { say!("Lot summary") };
    let running =
        [say!("order {}", input.order.order.number), say!("heat {}", input.order.order.heat)];
    let mut data = parts::frame(title, &running, &input.issue);
    let mut facts = parts::order_facts(input.order);
    facts.extend([
        json!([say!("Bars"), say!("{} ordered, {} judged", input.order.bars.count, bars.len())]),
        json!([say!("Ordered flaws"), parts::flaws(input.order)]),
        json!([say!("Rules"), parts::rules_words(&input.rules.rules)]),
        json!([say!("Station"), input.technique.body.station]),
        json!([say!("Technique"), input.technique.body.name]),
    ]);
    data["released"] = json!(whole);
    data["words"] = json!(if whole { say!("LOT RELEASED") } else { say!("LOT NOT COMPLETE") });
    data["sentence"] = json!(say!(
        "{released} of {ordered} ordered bars are released. Only pieces named as kept on the certificate of a released bar may be delivered."
    ));
    data["facts"] = json!(facts);
    data["counts"] = counts(&bars);
    data["bars"] = bars.iter().map(|(bar, o)| row(bar, o)).collect();
    let sum = |value: fn(&Judgement) -> f64| -> f64 {
        bars.iter().filter(|(_, o)| o.released).map(|(b, _)| value(&b.judgement.body)).sum()
    };
    data["kept"] = json!(text::number(sum(|j| j.cut.kept_m), 3));
    data["length"] = json!(text::number(sum(|j| j.length_m), 3));
    data["evidence"] = json!([
        parts::hash_line("order", &input.order.hash()),
        parts::hash_line("rules", &rules),
        parts::hash_line("technique", &input.technique.hash),
    ]);
    engine::set(Paper { name: "lot.typ", data, pictures: vec![] }, &input.issue)
}

fn counts(bars: &[(&LotBar<'_>, Outcome)]) -> Value {
    ["RELEASED", "RELEASED AFTER CROPPING", "WAITING", "HELD", "REJECTED"]
        .into_iter()
        .map(|words| {
            let count = bars.iter().filter(|(_, o)| o.words == words).count();
            json!([said(words).to_lowercase(), count.to_string()])
        })
        .collect()
}

fn row(bar: &LotBar<'_>, outcome: &Outcome) -> Value {
    let j = &bar.judgement.body;
    let share = bar.screened.body.inspected.iter().map(|i| i.share).fold(f64::INFINITY, f64::min);
    json!({
        "released": outcome.released,
        "row": [
            j.bar,
            said(outcome.words).to_lowercase(),
            text::mm(j.length_m, 0),
            if outcome.released { text::mm(j.cut.kept_m, 0) } else { "–".to_owned() },
            text::percent(share, 1),
            j.indications.len().to_string(),
            bar.judgement.hash.short(),
        ],
    })
}

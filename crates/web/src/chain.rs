//! The chain of evidence: six links from the order to the released lot, each closed, open or
//! split, with why and what to do.

use barwright_job::{DocumentError, Sealed, level::BeamState, seal::Document};
use barwright_ledger::State;
use barwright_phrase::say;
use barwright_report::text;

use crate::{
    cache::Doc,
    lot::{Lot, Standing},
    record::Ledger,
};

/// Shape of a link; it tells the state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Sound.
    Closed,
    /// Work is due.
    Open,
    /// Something broke it.
    Split,
}

impl Shape {
    /// The state in a word, for those who do not see the shape.
    pub fn word(self) -> &'static str {
        match self {
            Self::Closed => say!("closed"),
            Self::Open => say!("open"),
            Self::Split => say!("split"),
        }
    }
}

/// One link.
#[derive(Debug, Clone, PartialEq)]
pub struct Link {
    /// Its name.
    pub name: &'static str,
    /// The page behind it.
    pub href: &'static str,
    /// Closed, open or split.
    pub shape: Shape,
    /// Two or three words.
    pub words: String,
    /// When it was entered in the ledger.
    pub time: Option<String>,
    /// Why it stands as it does, in a plain sentence.
    pub why: String,
    /// What closes it: a sentence, and the command where there is one.
    pub next: Option<(String, Option<String>)>,
}

impl Link {
    fn draft(name: &'static str, href: &'static str) -> Draft {
        Draft { name, href }
    }
}

#[derive(Clone, Copy)]
struct Draft {
    name: &'static str,
    href: &'static str,
}

impl Draft {
    fn link(self, shape: Shape, words: impl Into<String>, why: impl Into<String>) -> Link {
        Link {
            name: self.name,
            href: self.href,
            shape,
            words: words.into(),
            time: None,
            why: why.into(),
            next: None,
        }
    }

    /// The file is there but unusable.
    fn damaged<T>(self, doc: &Doc<T>) -> Option<Link> {
        let e = doc.error()?;
        let link = self.link(Shape::Split, say!("not readable"), format!("{e}."));
        Some(match e.hint() {
            Some(hint) => link.next(sentence(&hint), None),
            None => link,
        })
    }
}

impl Link {
    fn next(mut self, what: impl Into<String>, command: Option<&str>) -> Self {
        self.next = Some((what.into(), command.map(str::to_owned)));
        self
    }

    fn at(mut self, time: Option<String>) -> Self {
        self.time = time;
        self
    }
}

/// The words with a capital and a full stop.
pub fn sentence(words: &str) -> String {
    let mut chars = words.chars();
    let first = chars.next().map(|c| c.to_uppercase().collect::<String>()).unwrap_or_default();
    format!("{first}{}.", chars.as_str().trim_end_matches('.'))
}

/// Why something was not done, and what helps where that is known.
pub fn with_hint(why: &dyn std::fmt::Display, hint: Option<String>) -> String {
    hint.map_or_else(|| why.to_string(), |hint| format!("{why}; {hint}"))
}

/// The six links of a lot.
pub fn chain(lot: &Lot) -> [Link; 6] {
    [order(lot), technique(lot), levelled(lot), checked(lot), screened(lot), released(lot)]
}

fn order(lot: &Lot) -> Link {
    let draft = Link::draft(say!("Order"), "/order");
    let damaged = draft
        .damaged(&lot.order)
        .or_else(|| draft.damaged(&lot.station))
        .or_else(|| draft.damaged(&lot.rules));
    if let Some(link) = damaged {
        return link;
    }
    let (Some(order), Some(_), Some(rules)) =
        (lot.order.here(), lot.station.here(), lot.rules.here())
    else {
        let files = [
            ("order.toml", lot.order.here().is_none()),
            ("station.toml", lot.station.here().is_none()),
            ("rules.toml", lot.rules.here().is_none()),
        ];
        let missing: Vec<&str> = files.iter().filter(|(_, gone)| *gone).map(|(n, _)| *n).collect();
        return draft
            .link(Shape::Open, say!("to be written"), say!("{} missing.", missing.join(", ")))
            .next(
                say!("Write order, station and acceptance rules, or begin with the example."),
                Some("barwright example"),
            );
    };
    if order.order.rules != rules.rules.name {
        return draft
            .link(
                Shape::Split,
                say!("other rules"),
                say!(
                    "The order asks for the rules {}, the rules document is {}.",
                    order.order.rules,
                    rules.rules.name
                ),
            )
            .next(say!("Put the ordered rules into the folder."), None);
    }
    draft
        .link(
            Shape::Closed,
            order.order.number.clone(),
            say!(
                "{} bars, {}, for {}.",
                order.bars.count,
                text::section(&order.section()),
                order.order.customer
            ),
        )
        .at(lot.entered(&order.hash()))
}

/// A document made from something else than what is in the folder now.
fn stale<T: Document>(
    sealed: &Sealed<T>,
    roles: &[(&str, Option<&barwright_job::Hash>)],
) -> Option<String> {
    roles.iter().find_map(|(role, wanted)| match sealed.demand(T::KIND, role, (*wanted)?) {
        Err(DocumentError::Mismatch { found, wanted, .. }) => Some(say!(
            "This {} belongs to another {} ({found}) than the one in force ({wanted}).",
            T::KIND,
            text::role(role),
        )),
        _ => None,
    })
}

fn technique(lot: &Lot) -> Link {
    let draft = Link::draft(say!("Technique"), "/technique");
    if let Some(link) = draft.damaged(&lot.technique).or_else(|| draft.damaged(&lot.proof)) {
        return link;
    }
    let Some(technique) = lot.technique.here() else {
        return draft
            .link(Shape::Open, say!("to be planned"), say!("No technique was worked out yet."))
            .next(say!("Plan it from order and station."), Some("barwright plan"));
    };
    let order = lot.order.here().map(|o| o.hash());
    let station = lot.station.here().map(|s| s.hash());
    let roles = [("order", order.as_ref()), ("station", station.as_ref())];
    if let Some(why) = stale(technique, &roles) {
        return draft
            .link(Shape::Split, say!("out of date"), why)
            .next(say!("Plan and prove again."), Some("barwright plan"));
    }
    let at = lot.entered(&technique.hash);
    let Some(proof) = lot.proof.here() else {
        return draft
            .link(
                Shape::Open,
                say!("not proved"),
                say!("What it sees of the ordered flaws is not proved yet."),
            )
            .next(say!("Prove the coverage."), Some("barwright prove"))
            .at(at);
    };
    if let Some(why) = stale(proof, &[("technique", Some(&technique.hash))]) {
        return draft
            .link(Shape::Split, say!("proof out of date"), why)
            .next(say!("Prove the coverage again."), Some("barwright prove"))
            .at(at);
    }
    if !proof.body.met {
        let short: Vec<String> = proof
            .body
            .classes
            .iter()
            .filter(|c| c.worst < c.ordered)
            .map(|c| {
                say!(
                    "{} {} % of {} % ordered",
                    text::proved(c.class),
                    text::percent(c.worst, 1),
                    text::percent(c.ordered, 1)
                )
            })
            .collect();
        return draft
            .link(
                Shape::Split,
                say!("coverage short"),
                say!("In the worst case it covers {}.", short.join(", ")),
            )
            .next(say!("See the weakest place on the proof, and change order or station."), None)
            .at(at);
    }
    draft
        .link(
            Shape::Closed,
            format!("{} m/s", text::number(technique.body.line_speed_m_s, 2)),
            say!(
                "{} beams, proved over the tolerances of the station.",
                technique.body.beams.len()
            ),
        )
        .at(at)
}

fn levelled(lot: &Lot) -> Link {
    let draft = Link::draft(say!("Levelled"), "/level");
    if let Some(link) = draft.damaged(&lot.level).or_else(|| draft.damaged(&lot.reference)) {
        return link;
    }
    let Some(level) = lot.level.here() else {
        let link = draft.link(
            Shape::Open,
            say!("to be levelled"),
            say!("The beams have no common level yet."),
        );
        return if lot.reference.here().is_none() {
            link.next(say!("Lay out the reference bar."), Some("barwright refbar"))
        } else {
            link.next(
                say!("Turn the reference bar, then level from its capture."),
                Some("barwright level CAPTURE"),
            )
        };
    };
    let technique = lot.technique.here().map(|t| &t.hash);
    if let Some(why) = stale(level, &[("technique", technique)]) {
        return draft
            .link(Shape::Split, say!("out of date"), why)
            .next(say!("Level again."), Some("barwright level CAPTURE"));
    }
    let at = lot.entered(&level.hash);
    let beams = &level.body.beams;
    let bad = beams.iter().filter(|b| !b.state.is_level()).count();
    if !level.body.good {
        // Gain may have done its part while a bar off centre or an exchanged plug waits for a hand.
        let (short, why) = if bad == 0 {
            (
                say!("needs a hand").to_owned(),
                say!("What explains the readings is not for gain to hide.").to_owned(),
            )
        } else {
            let of = beams.len();
            (say!("{bad} of {of} off"), say!("{bad} of {of} beams could not be levelled."))
        };
        return draft
            .link(Shape::Split, short, why)
            .next(say!("See the findings: what gain cures and what needs a hand."), None)
            .at(at);
    }
    let corrected = beams.iter().filter(|b| b.state == BeamState::Corrected).count();
    let why = match corrected {
        0 => say!("All {} beams read inside the accepted band.", beams.len()),
        n => say!("{n} of {} beams were given a new gain.", beams.len()),
    };
    draft.link(Shape::Closed, say!("{} beams", beams.len()), why).at(at)
}

fn checked(lot: &Lot) -> Link {
    let draft = Link::draft(say!("Checked"), "/checks");
    if let Some(link) = lot.checks.iter().find_map(|(_, check)| draft.damaged(check)) {
        return link;
    }
    let again = Some("barwright check CAPTURE");
    let Some((_, last)) = lot.checks.last() else {
        return draft
            .link(
                Shape::Open,
                say!("to be checked"),
                say!("The reference bar was not yet passed at line speed."),
            )
            .next(say!("Pass it, then judge the passes."), again);
    };
    let Some(last) = last.here() else {
        return draft.link(Shape::Split, say!("not readable"), say!("The last check is gone."));
    };
    let roles = [
        ("technique", lot.technique.here().map(|t| &t.hash)),
        ("level", lot.level.here().map(|l| &l.hash)),
    ];
    let at = lot.entered(&last.hash);
    if let Some(why) = stale(last, &roles) {
        return draft
            .link(Shape::Split, say!("out of date"), why)
            .next(say!("Check again."), again)
            .at(at);
    }
    let good = lot.checks.iter().filter(|(_, c)| c.here().is_some_and(|c| c.body.good)).count();
    let all = lot.checks.len();
    if !last.body.good {
        return draft
            .link(
                Shape::Split,
                say!("last one failed"),
                say!("The last check did not meet the rules: every bar since the last good one is held."),
            )
            .next(say!("Find the cause on the check's page, cure it, level and check again."), again)
            .at(at);
    }
    let why = if good == all && all == 1 {
        say!("1 check, all good.").to_owned()
    } else if good == all {
        say!("{all} checks, all good.")
    } else {
        say!("The last check is good; {} of {all} before it failed.", all - good)
    };
    draft.link(Shape::Closed, say!("{good} of {all} good"), why).at(at)
}

fn screened(lot: &Lot) -> Link {
    let draft = Link::draft(say!("Screened"), "/bars");
    if let Some(link) = lot.bars.iter().find_map(|b| draft.damaged(&b.screened)) {
        return link;
    }
    let done = lot.bars.len();
    let ordered = lot.order.here().map(|o| o.bars.count as usize);
    let next = Some("barwright screen CAPTURE");
    if done == 0 {
        return draft
            .link(Shape::Open, say!("no bar yet"), say!("No bar was screened yet."))
            .next(say!("Screen the bars of the lot."), next);
    }
    let last = lot.bars.last().and_then(|b| b.screened.here());
    let at = last.and_then(|s| lot.entered(&s.hash));
    match ordered {
        Some(all) if done < all => draft
            .link(
                Shape::Open,
                say!("{done} of {all}"),
                say!("{} of {all} bars are still to be screened.", all - done),
            )
            .next(say!("Screen the rest of the lot."), next)
            .at(at),
        _ => draft
            .link(Shape::Closed, say!("{done} bars"), say!("Every bar of the lot was screened."))
            .at(at),
    }
}

fn released(lot: &Lot) -> Link {
    let draft = Link::draft(say!("Released"), "/ledger");
    let said = match &lot.ledger {
        Ledger::Here(said) => said,
        Ledger::Absent => {
            return draft
                .link(
                    Shape::Open,
                    say!("no ledger"),
                    say!("Nothing was entered yet, so nothing is released."),
                )
                .next(say!("Enter the documents of the lot."), Some("barwright ledger add"));
        }
        Ledger::Bad { what, hint } => {
            let link = draft.link(Shape::Split, say!("ledger broken"), format!("{what}."));
            return match hint {
                Some(hint) => link.next(sentence(hint), None),
                None => link,
            };
        }
    };
    if let Some(fault) = said.verification.as_ref().and_then(|v| v.first_fault.as_ref()) {
        return draft
            .link(Shape::Split, say!("ledger altered"), sentence(&fault.what))
            .next(say!("Trust no state after that entry, and work on from a copy."), None);
    }
    let count = |wanted: fn(&State) -> bool| said.bars.iter().filter(|b| wanted(&b.state)).count();
    let held = count(|s| matches!(s, State::Held { .. }));
    let out = count(|s| matches!(s, State::Released | State::Cropped { .. }));
    let rejected = count(|s| matches!(s, State::Rejected));
    let bars = lot.bars.len().max(said.bars.len());
    let at = said.entries.last().map(|e| crate::lot::to_the_minute(&e.date()));
    if held > 0 {
        return draft
            .link(
                Shape::Split,
                say!("{held} held"),
                say!("{out} of {bars} bars are released, {held} must not leave."),
            )
            .next(say!("Do what the list of holds says of each."), None)
            .at(at);
    }
    if bars == 0 {
        return draft
            .link(Shape::Open, say!("no bar yet"), say!("No bar stands in the ledger."))
            .at(at);
    }
    let due = bars - out.min(bars) - rejected.min(bars - out.min(bars));
    if due > 0 {
        let unjudged = lot.bars.iter().filter(|b| lot.standing(b) == Standing::Unjudged).count();
        let link = draft
            .link(
                Shape::Open,
                say!("{out} of {bars}"),
                say!("{due} of {bars} bars wait for a judgement, a closing check or an entry."),
            )
            .at(at);
        return if unjudged > 0 {
            link.next(say!("Judge the screened bars."), Some("barwright sentence"))
        } else {
            link.next(say!("Make the closing check and enter it."), Some("barwright check CAPTURE"))
        };
    }
    let why = match rejected {
        0 => say!("All {bars} bars stand between two good checks."),
        n => say!("{out} of {bars} bars stand between two good checks, {n} are rejected."),
    };
    draft.link(Shape::Closed, say!("{out} of {bars}"), why).at(at)
}

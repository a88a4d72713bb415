//! What goes through the whole folder: steps of a changeover, findings of all documents, papers.

use barwright_job::{
    Finding,
    changeover::{Changeover, Step},
};
use barwright_ledger::Kind;
use barwright_phrase::say;

use super::{
    Cell, Listed, Made, Rows, Why,
    cell::{at, joined, list, mm, word},
    listed, made, need, number, text, time, whole,
};
use crate::{cache::Doc, lot::Lot};

pub(super) const ALL: [Listed; 3] = [
    Listed {
        name: "changeover_steps",
        row: "step of the changeover",
        title: || say!("Steps of the changeover"),
        make: steps,
    },
    Listed {
        name: "findings",
        row: "finding of a document",
        title: || say!("What was noticed, in all documents"),
        make: findings,
    },
    Listed { name: "papers", row: "paper", title: || say!("Papers"), make: papers },
];

fn steps(lot: &Lot) -> Made {
    let rows: Rows<(&Changeover, &Step)> = need(&lot.changeover, "changeover")
        .map(|c| c.body.steps.iter().map(|step| (&c.body, step)).collect());
    made(
        rows,
        [
            text("step", "which", |(_, s)| word(s.kind)),
            text("to_do", "what is to be done", |(_, s)| s.kind.words().into()),
            text("state", "open, done, verified, wrong or not_told", |(_, s)| word(s.state)),
            time("done_at", "when it was ended", |(_, s)| at(s.done_us)),
            number("took_s", "s", "time since the step before it was ended", |(c, s)| {
                c.took_s(s.kind).into()
            }),
            text("evidence", "what the capture says", |(_, s)| joined(&s.evidence, " ")),
            text("cure", "what to do", |(_, s)| (&s.cure).into()),
        ],
    )
}

/// Kind of the document, what it is about, the finding.
type Found<'a> = (&'static str, &'a str, &'a Finding);

fn findings(lot: &Lot) -> Made {
    made(
        found(lot),
        [
            text("document", "kind of the document", |(kind, ..): &Found<'_>| (*kind).into()),
            text(
                "about",
                "name of the check or bar; empty for what the lot has one of",
                |(_, name, _)| (*name).into(),
            ),
            text("topic", "what it is about, for machines", |(.., f)| word(f.topic)),
            text("message", "one sentence with its numbers", |(.., f)| (&f.message).into()),
            text("beams", "beams concerned, apart by spaces; empty for all or none", |(.., f)| {
                list(&f.beams)
            }),
            number(
                "from_mm",
                "mm",
                "start of the stretch concerned, from the head end",
                |(.., f)| mm(f.stretch_m.map(|s| s[0])),
            ),
            number("to_mm", "mm", "its end", |(.., f)| mm(f.stretch_m.map(|s| s[1]))),
        ],
    )
}

fn found<'a>(lot: &'a Lot) -> Rows<Found<'a>> {
    listed(lot)?;
    let mut rows: Vec<Found<'a>> = Vec::new();
    let mut any = false;
    let mut take = |kind, name, list: Option<&'a [Finding]>| {
        any |= list.is_some();
        rows.extend(list.unwrap_or_default().iter().map(|finding| (kind, name, finding)));
    };
    take("technique", "", there(&lot.technique)?.map(|d| d.body.findings.as_slice()));
    take("coverage proof", "", there(&lot.proof)?.map(|d| d.body.findings.as_slice()));
    take("reference bar", "", there(&lot.reference)?.map(|d| d.body.findings.as_slice()));
    take("changeover", "", there(&lot.changeover)?.map(|d| d.body.findings.as_slice()));
    take("level", "", there(&lot.level)?.map(|d| d.body.findings.as_slice()));
    for (name, check) in &lot.checks {
        take("check", name, there(check)?.map(|d| d.body.findings.as_slice()));
    }
    for bar in &lot.bars {
        take("screened bar", &bar.name, there(&bar.screened)?.map(|d| d.body.findings.as_slice()));
        take("judgement", &bar.name, there(&bar.judgement)?.map(|d| d.body.findings.as_slice()));
    }
    take("lot cut", "", there(&lot.cut_plan)?.map(|d| d.body.findings.as_slice()));
    if any { Ok(rows) } else { Err(Why::Absent("there is no document yet".into())) }
}

/// A document, where there is one.
fn there<T>(doc: &Doc<T>) -> Result<Option<&T>, Why> {
    match doc {
        Doc::Absent => Ok(None),
        other => need(other, "document").map(Some),
    }
}

/// A paper with its entry and time.
type Paper<'a> = (&'a str, Option<(i64, i64)>);

fn papers(lot: &Lot) -> Made {
    let rows: Rows<Paper<'_>> = listed(lot).and_then(|()| {
        let entries = said_if_any(lot)?;
        let entered = |name: &str| {
            let entry =
                entries.iter().rev().find(|e| e.kind == Kind::Paper && e.subject == name)?;
            Some((entry.seq, entry.time_us))
        };
        if lot.papers.is_empty() {
            return Err(Why::Absent("no paper is set yet".into()));
        }
        Ok(lot.papers.iter().map(|name| (name.as_str(), entered(name))).collect())
    });
    made(
        rows,
        [
            text("paper", "name of the paper", |(name, _)| (*name).into()),
            whole("entry", "its entry in the ledger; empty where it was not entered", |(_, e)| {
                Cell::from(e.map(|(seq, _)| seq))
            }),
            time("at", "when it was entered", |(_, e)| at(e.map(|(_, us)| us))),
        ],
    )
}

/// The entries of the ledger, none where there is none.
fn said_if_any(lot: &Lot) -> Result<&[barwright_ledger::Entry], Why> {
    match super::said(lot) {
        Ok(said) => Ok(&said.entries),
        Err(Why::Absent(_)) => Ok(&[]),
        Err(why) => Err(why),
    }
}

//! What follows for the bar: outcome, verdict, pieces, what was not inspected, findings, cautions, hashes.

use barwright_job::{Hash, judgement::Fate};
use dicom_dictionary_std::tags;

use super::{
    ObjectInput,
    indications::{class, verdict},
    moment::Moment,
    private,
    sheet::Sheet,
};
use crate::{
    papers::{Outcome, Result, cautions, outcome},
    text,
};

/// Most stretches told in words; all of them stand in the sequence.
const TOLD: usize = 40;

/// Puts it in and returns the outcome that it says.
pub(super) fn fill(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<Outcome> {
    let outcome = approval(sheet, input)?;
    reasons(sheet, input);
    pieces(sheet, input);
    not_inspected(sheet, input);
    noticed(sheet, input);
    evidence(sheet, input);
    Ok(outcome)
}

/// What the paper of the bar would say in large words.
fn approval(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<Outcome> {
    let (bar, r) = (&input.bar, &input.recorded);
    let j = &bar.judgement.body;
    let outcome = outcome(
        j,
        bar.standing,
        bar.opening.map(|c| &c.check.body),
        bar.closing.map(|c| &c.check.body),
    );
    sheet.text(private::OUTCOME, outcome.words);
    let statement = format!("{} As of entry {} of the ledger.", outcome.sentence, r.head.entry);
    sheet.text(private::OUTCOME_STATEMENT, &statement);
    sheet.terms(private::VERDICT, &[verdict(j.verdict)]);
    let status = match (outcome.released, outcome.words) {
        (true, _) => "APPROVED",
        (false, "REJECTED") => "REJECTED",
        _ => "UNAPPROVED",
    };
    sheet.terms(tags::APPROVAL_STATUS, &[status]);
    let decided = j.decisions.last().map(|d| (d.by.as_str(), d.time_us));
    let entered = r.judgement.as_ref().map(|e| (e.author, e.time_us));
    match decided.or(entered) {
        Some((by, time_us)) if status != "UNAPPROVED" => {
            sheet.moment([tags::REVIEW_DATE, tags::REVIEW_TIME], &Moment::of(time_us)?);
            sheet.text(tags::REVIEWER_NAME, by);
        }
        Some(_) => sheet.open(tags::REVIEWER_NAME, "neither released nor rejected"),
        None => {
            sheet.open(tags::REVIEWER_NAME, "the ledger does not say who entered the judgement")
        }
    }
    sheet.text(private::CAUTIONS, &cautions().join("\n"));
    sheet.text(private::NOT_VALIDATED, &bar.issue.not_validated.join("\n"));
    let told = format!(
        "{}. {statement}\n{}\n{}",
        outcome.words,
        not_inspected_words(input),
        cautions().join("\n")
    );
    sheet.text(tags::PATIENT_COMMENTS, &told);
    sheet.text(tags::IMAGE_COMMENTS, &told);
    Ok(outcome)
}

fn reasons(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let items = input.bar.judgement.body.reasons.iter().map(|r| {
        let mut item = sheet.item(format!("reason {}", r.clause));
        item.text(private::CLAUSE, &r.clause);
        item.text(private::STATEMENT, &r.statement);
        item.text(private::LETTERS, &r.indications.join(", "));
        item
    });
    let items = items.collect();
    sheet.sequence(private::REASONS, items);
}

fn pieces(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let cut = &input.bar.judgement.body.cut;
    let items = cut.pieces.iter().enumerate().map(|(k, p)| {
        let mut item = sheet.item(format!("piece {}", k + 1));
        item.floats(private::FROM, &[p.from_m]);
        item.floats(private::TO, &[p.to_m]);
        item.terms(
            private::FATE,
            &[match p.fate {
                Fate::Keep => "KEEP",
                Fate::Scrap => "SCRAP",
            }],
        );
        item.text(private::STATEMENT, &p.reason);
        item
    });
    let items = items.collect();
    sheet.sequence(private::PIECES, items);
    sheet.floats(private::KEPT, &[cut.kept_m]);
    sheet.floats(private::LOST, &[cut.lost_m]);
}

fn not_inspected(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let s = &input.bar.screened.body;
    let lost = s.lost.iter().map(|l| {
        let mut item = sheet.item("stretch not inspected");
        item.terms(private::FLAW_CLASS, &[class(l.class)]);
        item.floats(private::FROM, &[l.from_m]);
        item.floats(private::TO, &[l.to_m]);
        item.text(private::STATEMENT, l.cause.words());
        item.longs(private::BEAMS, &l.beams);
        item
    });
    let lost = lost.collect();
    sheet.sequence(private::NOT_INSPECTED, lost);
    let shares = s.inspected.iter().map(|i| {
        let mut item = sheet.item("inspected share");
        item.terms(private::FLAW_CLASS, &[class(i.class)]);
        item.floats(private::SHARE, &[i.share]);
        item
    });
    let shares = shares.collect();
    sheet.sequence(private::INSPECTED, shares);
    sheet.text(private::NOT_INSPECTED_WORDS, &not_inspected_words(input));
    if let Some(why) = &s.broken_off {
        sheet.text(private::BROKEN_OFF, why);
    }
    sheet.whole(private::SHOTS, s.shots);
    sheet.floats(private::NOISE, &[s.noise_fsh]);
}

fn not_inspected_words(input: &ObjectInput<'_>) -> String {
    let s = &input.bar.screened.body;
    let mut told: Vec<String> = s
        .lost
        .iter()
        .take(TOLD)
        .map(|l| {
            let (from, to) = (text::mm(l.from_m, 0), text::mm(l.to_m, 0));
            format!("{} to {} mm for {} ({})", from, to, text::class(l.class), l.cause.words())
        })
        .collect();
    if s.lost.len() > TOLD {
        told.push(format!("and {} more stretches", s.lost.len() - TOLD));
    }
    let mut words = match told.is_empty() {
        true => "Every stretch was inspected.".to_owned(),
        false => format!("NOT INSPECTED: {}.", told.join("; ")),
    };
    if let Some(why) = &s.broken_off {
        words.push_str(&format!(" The screening broke off: {}", text::sentence(why)));
    }
    words
}

fn noticed(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let bar = &input.bar;
    let all = bar
        .screened
        .body
        .findings
        .iter()
        .chain(&bar.judgement.body.findings)
        .chain(&bar.technique.body.findings);
    let items = all.map(|f| {
        let mut item = sheet.item("finding");
        item.text(private::TOPIC, text::topic(f.topic));
        item.text(private::STATEMENT, &f.message);
        if !f.beams.is_empty() {
            item.longs(private::BEAMS, &f.beams);
        }
        if let Some([from, to]) = f.stretch_m {
            item.floats(private::FROM, &[from]);
            item.floats(private::TO, &[to]);
        }
        item
    });
    let items = items.collect();
    sheet.sequence(private::FINDINGS, items);
}

/// The hashes that the paper prints.
fn evidence(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let bar = &input.bar;
    let (order, rules) = (bar.order.hash(), bar.rules.hash());
    let mut lines: Vec<(&str, &Hash)> = vec![
        ("order", &order),
        ("rules", &rules),
        ("technique", &bar.technique.hash),
        ("level", &bar.level.hash),
    ];
    lines.extend(bar.technique.made_from.get("station").map(|h| ("station", h)));
    lines.extend(bar.opening.iter().map(|c| ("opening check", &c.check.hash)));
    lines.extend(bar.closing.iter().map(|c| ("closing check", &c.check.hash)));
    lines.push(("screened bar", &bar.screened.hash));
    for role in ["capture", "echoes"] {
        lines.extend(bar.screened.made_from.get(role).map(|h| (role, h)));
    }
    lines.push(("judgement", &bar.judgement.hash));
    let items = lines.iter().map(|(role, hash)| {
        let mut item = sheet.item(format!("evidence {role}"));
        item.text(private::ROLE, role);
        item.text(private::HASH, &hash.0);
        item
    });
    let items = items.collect();
    sheet.sequence(private::EVIDENCE, items);
}

//! The paper of one bar: a certificate if it is released, a record if not.

use barwright_job::{
    Order, Rules, Sealed, Technique,
    judgement::{Fate, Indication, Judgement},
    level::Level,
    screened::{Lost, ScreenedBar},
};
use barwright_phrase::say;
use serde_json::{Value, json};

use super::{
    CheckEntry, Issue, Result, Standing,
    engine::{self, Paper},
    parts,
    standing::{outcome, said},
};
use crate::{
    palette::Palette,
    ribbon::{Ribbon, ribbon},
    text,
};

/// What the paper of a bar is made from.
#[derive(Debug, Clone, Copy)]
pub struct BarInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The order.
    pub order: &'a Order,
    /// The acceptance rules.
    pub rules: &'a Rules,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// The level.
    pub level: &'a Sealed<Level>,
    /// What was seen and inspected.
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

/// The paper of a bar as PDF: titled `Bar certificate` only if the bar is released or cropped, the
/// ledger says released and both checks are good; else `Bar record`, with the reason in large words.
///
/// # Errors
/// Documents that were not made for each other, or an unreadable moment.
pub fn bar_certificate(input: &BarInput<'_>) -> Result<Vec<u8>> {
    demand(input)?;
    let j = &input.judgement.body;
    let outcome = outcome(
        j,
        input.standing,
        input.opening.map(|c| &c.check.body),
        input.closing.map(|c| &c.check.body),
    );
    let title = if outcome.released { say!("Bar certificate") } else { say!("Bar record") };
    let running = [
        say!("order {}", input.order.order.number),
        say!("heat {}", j.heat),
        say!("bar {}", j.bar),
    ];
    let mut facts = parts::order_facts(input.order);
    facts.extend([
        json!([say!("Bar"), j.bar]),
        json!([say!("Length"), format!("{} mm", text::mm(j.length_m, 0))]),
        json!([say!("Ordered flaws"), parts::flaws(input.order)]),
        json!([say!("Rules"), parts::rules_words(&input.rules.rules)]),
        json!([say!("Station"), input.technique.body.station]),
        json!([say!("Technique"), input.technique.body.name]),
        json!([
            say!("Line speed"),
            format!("{} m/s", text::number(input.technique.body.line_speed_m_s, 2))
        ]),
    ]);
    let mut evidence = vec![
        parts::hash_line("order", &input.order.hash()),
        parts::hash_line("rules", &input.rules.hash()),
        parts::hash_line("technique", &input.technique.hash),
        parts::hash_line("level", &input.level.hash),
    ];
    for (role, entry) in [("opening check", &input.opening), ("closing check", &input.closing)] {
        evidence.extend(entry.iter().map(|c| parts::hash_line(role, &c.check.hash)));
    }
    evidence.push(parts::hash_line("screened bar", &input.screened.hash));
    for role in ["capture", "echoes"] {
        evidence.extend(input.screened.made_from.get(role).map(|h| parts::hash_line(role, h)));
    }
    evidence.push(parts::hash_line("judgement", &input.judgement.hash));

    let mut data = parts::frame(title, &running, &input.issue);
    data["released"] = json!(outcome.released);
    data["words"] = json!(said(outcome.words));
    data["sentence"] = json!(outcome.sentence);
    data["facts"] = json!(facts);
    data["reasons"] = j
        .reasons
        .iter()
        .map(|r| json!([r.clause, r.statement, r.indications.join(", ")]))
        .collect();
    data["indications"] = j.indications.iter().map(indication).collect();
    data["alarm"] = json!(text::number(input.rules.alarm.height_fsh_percent, 0));
    data["pieces"] = j
        .cut
        .pieces
        .iter()
        .map(|p| {
            json!([
                text::mm(p.from_m, 0),
                text::mm(p.to_m, 0),
                text::mm(p.to_m - p.from_m, 0),
                match p.fate {
                    Fate::Keep => "keep",
                    Fate::Scrap => "scrap",
                },
                p.reason,
            ])
        })
        .collect();
    data["kept"] = json!(text::mm(j.cut.kept_m, 0));
    data["lost_length"] = json!(text::mm(j.cut.lost_m, 0));
    let s = &input.screened.body;
    data["inspected"] = s
        .inspected
        .iter()
        .map(|i| json!([text::class(i.class), text::percent(i.share, 1)]))
        .collect();
    data["lost"] = s.lost.iter().map(lost).collect();
    data["shots"] = json!(s.shots.to_string());
    data["over"] = json!(s.echoes_over_threshold.to_string());
    data["noise"] = json!(text::number(s.noise_fsh * 100.0, 1));
    data["findings"] =
        parts::findings(s.findings.iter().chain(&j.findings).chain(&input.technique.body.findings));
    data["checks"] = json!([
        parts::check_entry(say!("Opening check"), input.opening.as_ref()),
        parts::check_entry(say!("Closing check"), input.closing.as_ref()),
    ]);
    data["evidence"] = Value::Array(evidence);

    let picture = ribbon(
        &Ribbon {
            length_m: j.length_m,
            section: input.technique.body.section,
            lost: &s.lost,
            inspected: &s.inspected,
            indications: &j.indications,
            cut: Some(&j.cut),
            heights: None,
            window_m: None,
        },
        &Palette::paper(),
    );
    engine::set(Paper { name: "bar.typ", data, pictures: vec![("ribbon", picture)] }, &input.issue)
}

/// Every document must have been made for the others: a paper that mixes them would lie.
pub(crate) fn demand(input: &BarInput<'_>) -> Result<()> {
    let technique = &input.technique.hash;
    input.technique.demand("technique", "order", &input.order.hash())?;
    input.level.demand("level", "technique", technique)?;
    input.screened.demand("screened bar", "technique", technique)?;
    input.screened.demand("screened bar", "level", &input.level.hash)?;
    input.judgement.demand("judgement", "screened", &input.screened.hash)?;
    input.judgement.demand("judgement", "rules", &input.rules.hash())?;
    for (name, entry) in [("opening check", input.opening), ("closing check", input.closing)] {
        if let Some(entry) = entry {
            entry.check.demand(name, "technique", technique)?;
            entry.check.demand(name, "level", &input.level.hash)?;
        }
    }
    Ok(())
}

/// The likely kind, and what it rests on.
fn kind_with_reasons(i: &Indication) -> String {
    if i.kind_reasons.is_empty() {
        text::kind(i)
    } else {
        format!("{} ({})", text::kind(i), i.kind_reasons.join("; "))
    }
}

fn indication(i: &Indication) -> Value {
    json!([
        i.letter,
        text::class(i.class),
        kind_with_reasons(i),
        text::clock(i.place.angle()),
        text::mm(i.depth_m, 1),
        text::mm(i.place_uncertainty_m, 1),
        text::mm(i.from_m, 0),
        text::mm(i.to_m, 0),
        format!("{}{}", if i.clipped { "≥ " } else { "" }, text::number(i.height_fsh * 100.0, 0)),
        format!("{}{}", if i.clipped { "≥ " } else { "" }, text::mm(i.size_m, 2)),
        text::number(i.size_uncertainty_db, 1),
        i.beams.len().to_string(),
    ])
}

fn lost(l: &Lost) -> Value {
    json!([
        text::class(l.class),
        text::mm(l.from_m, 0),
        text::mm(l.to_m, 0),
        l.cause.words(),
        if l.beams.is_empty() { say!("all beams").to_owned() } else { parts::beams(&l.beams) },
    ])
}

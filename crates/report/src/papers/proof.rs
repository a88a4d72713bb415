//! The report of a coverage proof.

use barwright_job::{
    Order, Sealed, Technique,
    dense::DenseProof,
    proof::{ClassProof, Proof},
    technique::Section,
};
use barwright_phrase::say;
use serde_json::{Value, json};

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::{
    margin_map::{Case, Map, margin_map},
    palette::Palette,
    text,
    unseen::unseen_words,
};

/// What a proof report is made from.
#[derive(Debug, Clone, Copy)]
pub struct ProofInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The order.
    pub order: &'a Order,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// Its proof.
    pub proof: &'a Sealed<Proof>,
    /// Its dense proof, where one was made.
    pub dense: Option<&'a Sealed<DenseProof>>,
}

/// Names of the pictures of the flaw classes; there are four.
const NOMINAL: [&str; 4] = ["nominal-0", "nominal-1", "nominal-2", "nominal-3"];
const WORST: [&str; 4] = ["worst-0", "worst-1", "worst-2", "worst-3"];

/// The proof report as PDF.
///
/// # Errors
/// A proof made for another technique or order, or an unreadable moment.
pub fn proof_report(input: &ProofInput<'_>) -> Result<Vec<u8>> {
    let p = &input.proof.body;
    let t = &input.technique.body;
    input.proof.demand("coverage proof", "technique", &input.technique.hash)?;
    input.proof.demand("coverage proof", "order", &input.order.hash())?;
    let running = [say!("order {}", input.order.order.number), t.name.clone()];
    let mut data = parts::frame(say!("Coverage proof"), &running, &input.issue);
    let mut facts = parts::order_facts(input.order);
    facts.extend([
        json!([say!("Technique"), t.name]),
        json!([say!("Engine"), text::engine(p.engine)]),
        json!([
            say!("Alarm height"),
            say!("{} % of full screen height", text::number(t.sensitivity.alarm_fsh * 100.0, 0))
        ]),
    ]);
    data["met"] = json!(p.met);
    data["facts"] = json!(facts);
    data["tolerances"] = json!(p.tolerances);
    data["classes"] = p
        .classes
        .iter()
        .enumerate()
        .map(|(i, c)| {
            let mut data = one(c, &t.section);
            data["nominal_map"] = json!(NOMINAL.get(i).map(|n| format!("{n}.svg")));
            data["worst_map"] = json!(WORST.get(i).map(|n| format!("{n}.svg")));
            data
        })
        .collect();
    data["engine"] = json!(text::engine(p.engine));
    data["by_rays"] = beside(p);
    data["findings"] = parts::findings(&p.findings);
    data["evidence"] = parts::hashes("coverage proof", input.proof);
    data["dense"] = Value::Null;
    if let Some(dense) = input.dense {
        let of_it = dense.demand("dense proof", "technique", &input.technique.hash).is_ok();
        data["dense"] = if of_it { together(&dense.body) } else { json!({ "other": true }) };
        if of_it && let Some(rows) = data["evidence"].as_array_mut() {
            rows.push(parts::hash_line("dense proof", &dense.hash));
        }
    }
    let look = Palette::paper();
    let mut pictures = Vec::new();
    for ((class, nominal), worst) in p.classes.iter().zip(NOMINAL).zip(WORST) {
        for (name, case) in [(nominal, Case::Nominal), (worst, Case::Worst)] {
            let map = Map {
                class: class.class,
                map: &class.map,
                weakest: Some(&class.weakest),
                section: t.section,
                probes: &t.probes,
                case,
            };
            pictures.push((name, margin_map(&map, &look)));
        }
    }
    engine::set(Paper { name: "proof.typ", data, pictures }, &input.issue)
}

/// A class as data, without its pictures.
fn one(c: &ClassProof, section: &Section) -> Value {
    json!({
        "name": text::proved(c.class),
        "of": text::proved_of(c.class),
        "flaw": c.flaw,
        "ordered": text::percent(c.ordered, 1),
        "nominal": text::percent(c.nominal, 1),
        "worst": text::percent(c.worst, 1),
        "met": c.worst >= c.ordered,
        "margin": c.weakest.margin_db.map(|db| text::signed(db, 1)),
        "x": text::mm(c.weakest.x_m, 1),
        "y": text::mm(c.weakest.y_m, 1),
        "clock": text::clock(c.weakest.y_m.atan2(c.weakest.x_m)),
        "cause": c.weakest.cause,
        "unseen": (c.worst < 1.0).then(|| text::missing_percent(1.0 - c.worst, 2)),
        "zones": unseen_words(c, section),
        "doubted": (c.doubted > 0.0).then(|| text::missing_percent(c.doubted, 2)),
        "draws": c.draws.as_ref().map(|d| json!({
            "row": [
                d.count.to_string(),
                d.seed.to_string(),
                text::percent(d.lowest, 2),
                text::percent(d.low_5_percent, 2),
                text::percent(d.mean, 2),
            ],
            "words": d.lowest_words,
        })),
    })
}

/// What all tolerances together leave of each class.
fn together(d: &DenseProof) -> Value {
    let classes: Vec<Value> = d
        .classes
        .iter()
        .map(|c| {
            let (missed, lower) = c.missed();
            json!({
                "row": [
                    text::proved(c.class),
                    text::percent(c.ordered, 1),
                    text::percent(c.one_by_one, 2),
                    text::percent(c.combined, 2),
                    text::percent(c.lowest, 2),
                ],
                "met": c.combined >= c.ordered,
                "missed": (missed > 0.0).then(|| text::missing_percent(missed, 2)),
                "lower": lower.map(|db| text::number(f64::from(db), 1)),
                "least": c.lowest_in.words,
            })
        })
        .collect();
    json!({
        "other": false,
        "met": d.is_met(),
        "combinations": d.combinations.to_string(),
        "directions": d.directions.to_string(),
        "seed": d.seed.to_string(),
        "engine": d.engine,
        "classes": classes,
    })
}

/// The answers of both engines, class by class; empty where only one was asked.
fn beside(p: &Proof) -> Value {
    p.by_rays
        .iter()
        .map(|rays| {
            let own = p.classes.iter().find(|c| c.class == rays.class);
            let share =
                |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |v| text::percent(v, 2));
            json!([
                text::proved(rays.class),
                share(own.map(|c| c.nominal)),
                share(own.map(|c| c.worst)),
                share(Some(rays.nominal)),
                share(Some(rays.worst)),
            ])
        })
        .collect()
}

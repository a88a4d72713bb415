//! The report of a coverage proof.

use barwright_job::{
    Order, Sealed, Technique,
    proof::{Engine, Proof},
};
use serde_json::json;

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::{
    margin_map::{Case, Map, margin_map},
    palette::Palette,
    text,
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
}

/// Names of the pictures of the first flaw classes; an order has two at most.
const NOMINAL: [&str; 2] = ["nominal-0", "nominal-1"];
const WORST: [&str; 2] = ["worst-0", "worst-1"];

/// The proof report as PDF.
///
/// # Errors
/// A proof made for another technique or order, or an unreadable moment.
pub fn proof_report(input: &ProofInput<'_>) -> Result<Vec<u8>> {
    let p = &input.proof.body;
    let t = &input.technique.body;
    input.proof.demand("coverage proof", "technique", &input.technique.hash)?;
    input.proof.demand("coverage proof", "order", &input.order.hash())?;
    let running = [format!("order {}", input.order.order.number), t.name.clone()];
    let mut data = parts::frame("Coverage proof", &running, &input.issue);
    let mut facts = parts::order_facts(input.order);
    facts.extend([
        json!(["Technique", t.name]),
        json!([
            "Engine",
            match p.engine {
                Engine::Ray => "rays, first passage",
                Engine::Exact => "exact field of a round bar, first passage",
            }
        ]),
        json!([
            "Alarm height",
            format!("{} % of full screen height", text::number(t.sensitivity.alarm_fsh * 100.0, 0))
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
            json!({
                "name": text::class(c.class),
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
                "nominal_map": NOMINAL.get(i).map(|n| format!("{n}.svg")),
                "worst_map": WORST.get(i).map(|n| format!("{n}.svg")),
            })
        })
        .collect();
    data["findings"] = parts::findings(&p.findings);
    data["evidence"] = parts::hashes("coverage proof", input.proof);
    let look = Palette::paper();
    let mut pictures = Vec::new();
    for ((class, nominal), worst) in p.classes.iter().zip(NOMINAL).zip(WORST) {
        for (name, case) in [(nominal, Case::Nominal), (worst, Case::Worst)] {
            let map = Map { class, section: t.section, probes: &t.probes, case };
            pictures.push((name, margin_map(&map, &look)));
        }
    }
    engine::set(
        Paper {
            name: "proof.typ",
            template: include_str!("../../templates/proof.typ"),
            data,
            pictures,
        },
        input.issue.made_at,
    )
}

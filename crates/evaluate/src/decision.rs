//! A verdict changed by a person, with name and reason; what the rules said stays in the document.

use std::collections::BTreeMap;

use barwright_job::{
    Finding, Hash, Order, Rules, Sealed, Topic,
    judgement::{CutPlan, Decision, Fate, Judgement, Reason, Verdict},
    screened::{LossCause, ScreenedBar},
};

use crate::{
    cut::Unsound,
    error::{EvaluateError, Result},
    verdict::{NO_CUT_PLAN, ends, plan},
};

/// What a person decided.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    /// The new verdict.
    pub verdict: Verdict,
    /// Stretches to be cut out, in metres from the head end; for [`Verdict::Crop`] only.
    pub cut_m: Vec<[f64; 2]>,
    /// Who decided.
    pub by: String,
    /// Why.
    pub reason: String,
    /// When, microseconds since 1970-01-01 UTC.
    pub time_us: i64,
}

/// The judgement with its verdict changed. Its sources are those of the judgement.
///
/// A bar released by a person is kept but for its ends, which nobody saw; a cropped one loses the
/// stretches named besides.
///
/// # Errors
/// [`EvaluateError::Document`] when the screened bar is not the one judged,
/// [`EvaluateError::Decision`] without a name, a reason or, for a crop, a stretch within the bar.
pub fn decide(
    judgement: &Sealed<Judgement>,
    screened: &Sealed<ScreenedBar>,
    rules: &Rules,
    order: &Order,
    decided: &Decided,
) -> Result<Sealed<Judgement>> {
    judgement.demand("judgement", "screened", &screened.hash)?;
    let refuse = |message: String| Err(EvaluateError::Decision { message });
    if decided.by.trim().is_empty() || decided.reason.trim().is_empty() {
        return refuse("a verdict is changed with a name and a reason".into());
    }
    if (decided.verdict == Verdict::Crop) == decided.cut_m.is_empty() {
        return refuse("a crop names at least one stretch, another verdict none".into());
    }
    let before = &judgement.body;
    let length_m = before.length_m;
    if let Some([from, to]) =
        decided.cut_m.iter().find(|[from, to]| !(0.0 <= *from && from < to && *to <= length_m))
    {
        return refuse(format!(
            "the stretch from {:.0} to {:.0} mm does not lie in a bar of {:.0} mm",
            from * 1e3,
            to * 1e3,
            length_m * 1e3
        ));
    }
    let cut = match decided.verdict {
        Verdict::Hold => CutPlan::default(),
        Verdict::Reject => {
            let reason = "bar rejected".into();
            plan(length_m, &[Unsound { from_m: 0.0, to_m: length_m, reason }], order)
        }
        Verdict::Release | Verdict::Crop => {
            let mut unsound = ends(&screened.body, rules);
            unsound.extend(decided.cut_m.iter().map(|&[from_m, to_m]| Unsound {
                from_m,
                to_m,
                reason: "decided".into(),
            }));
            plan(length_m, &unsound, order)
        }
    };
    let mut body = before.clone();
    body.decisions.push(Decision {
        by: decided.by.clone(),
        reason: decided.reason.clone(),
        time_us: decided.time_us,
        verdict: before.verdict,
        cut: std::mem::replace(&mut body.cut, cut),
        judgement: judgement.hash.clone(),
    });
    body.verdict = decided.verdict;
    // What was said of the earlier cut plan no longer holds.
    body.findings.retain(|f| !f.message.starts_with(NO_CUT_PLAN));
    body.findings.extend(kept_uninspected(&screened.body, &body.cut));
    body.reasons.push(Reason {
        clause: "decision".into(),
        statement: format!("decided by {}: {}", decided.by, decided.reason),
        indications: Vec::new(),
    });
    Ok(resealed(body, &judgement.made_from))
}

/// The judgement of a bar that was judged anew although persons had decided: their decisions no longer
/// stand, and it says so. Its sources are its own.
#[must_use]
pub fn overtaken(anew: Sealed<Judgement>, earlier: &Judgement) -> Sealed<Judgement> {
    let mut body = anew.body;
    body.reasons.extend(earlier.decisions.iter().map(|d| Reason {
        clause: "decision".into(),
        statement: format!("judged anew: what {} decided no longer stands ({})", d.by, d.reason),
        indications: Vec::new(),
    }));
    resealed(body, &anew.made_from)
}

/// Seals a judgement with the sources it had.
fn resealed(body: Judgement, made_from: &BTreeMap<String, Hash>) -> Sealed<Judgement> {
    let sources = ["screened", "technique", "rules", "order"];
    let of = |role| made_from.get(role).map(|hash| (role, hash.clone()));
    Sealed::seal(body, sources.into_iter().filter_map(of))
}

/// One finding for each stretch that is kept although nobody inspected it.
fn kept_uninspected(screened: &ScreenedBar, cut: &CutPlan) -> Vec<Finding> {
    let kept = || cut.pieces.iter().filter(|p| p.fate == Fate::Keep);
    screened
        .lost
        .iter()
        .filter(|l| l.cause != LossCause::End)
        .filter(|l| kept().any(|p| p.from_m < l.to_m && l.from_m < p.to_m))
        .map(|l| {
            let (from, to) = (l.from_m * 1e3, l.to_m * 1e3);
            let message = format!(
                "kept by decision although not inspected: {from:.0} to {to:.0} mm ({})",
                l.cause.words()
            );
            Finding::new(Topic::NotInspected, message).stretch(l.from_m, l.to_m)
        })
        .collect()
}

//! A verdict changed by a person, with name and reason; what the rules said stays in the document.

use barwright_job::{
    Order, Rules, Sealed,
    judgement::{CutPlan, Decision, Judgement, Reason, Verdict},
    screened::ScreenedBar,
};

use crate::{
    cut::Unsound,
    error::{EvaluateError, Result},
    verdict::{ends, plan},
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
    body.reasons.push(Reason {
        clause: "decision".into(),
        statement: format!("decided by {}: {}", decided.by, decided.reason),
        indications: Vec::new(),
    });
    let sources = ["screened", "technique", "rules", "order"];
    let of = |role| judgement.made_from.get(role).map(|hash| (role, hash.clone()));
    Ok(Sealed::seal(body, sources.into_iter().filter_map(of)))
}

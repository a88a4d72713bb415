//! What changes for a bar when it is judged again, by other rules.

use barwright_job::judgement::{Judgement, Reason, Verdict};
use serde::Serialize;

/// A bar before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// The bar.
    pub bar: String,
    /// Verdict before and after.
    pub verdict: [Verdict; 2],
    /// Kept length before and after, in metres.
    pub kept_m: [f64; 2],
    /// Number of indications before and after.
    pub indications: [usize; 2],
    /// Reasons that no longer hold.
    pub gone: Vec<Reason>,
    /// Reasons that are new.
    pub new: Vec<Reason>,
}

impl Difference {
    /// Whether verdict or cut change.
    #[must_use]
    pub fn matters(&self) -> bool {
        // A micrometre: the cut plan's own rounding.
        self.verdict[0] != self.verdict[1] || (self.kept_m[0] - self.kept_m[1]).abs() > 1e-6
    }
}

/// Compares two judgements of one bar. Reasons are the same when clause and words are: letters may
/// move where indications come or go.
#[must_use]
pub fn difference(before: &Judgement, after: &Judgement) -> Difference {
    let only = |these: &[Reason], those: &[Reason]| -> Vec<Reason> {
        let same = |a: &Reason, b: &Reason| a.clause == b.clause && a.statement == b.statement;
        these.iter().filter(|a| !those.iter().any(|b| same(a, b))).cloned().collect()
    };
    Difference {
        bar: after.bar.clone(),
        verdict: [before.verdict, after.verdict],
        kept_m: [before.cut.kept_m, after.cut.kept_m],
        indications: [before.indications.len(), after.indications.len()],
        gone: only(&before.reasons, &after.reasons),
        new: only(&after.reasons, &before.reasons),
    }
}

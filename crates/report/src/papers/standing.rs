//! What may be said about a bar: a certificate is written only for steel that is released.

use barwright_job::{
    Sealed,
    check::Check,
    judgement::{Judgement, Verdict},
};

use barwright_phrase::say;

use crate::text;

/// What the ledger says about a bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing<'a> {
    /// Released: it stands between two good checks of its technique and level.
    Released,
    /// Not released yet.
    Waiting {
        /// What it waits for.
        why: &'a str,
    },
    /// Held, by a failed check or by hand.
    Held {
        /// Why.
        why: &'a str,
    },
}

/// A check with what the ledger says about it.
#[derive(Debug, Clone, Copy)]
pub struct CheckEntry<'a> {
    /// The check.
    pub check: &'a Sealed<Check>,
    /// When it was entered.
    pub at: &'a str,
    /// Who signed it, as the ledger names the key's holder.
    pub signed_by: &'a str,
}

/// What a bar's paper says in large words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outcome {
    /// Whether a certificate may be written.
    pub released: bool,
    /// The large words.
    pub words: &'static str,
    /// What they mean for this bar.
    pub sentence: String,
}

/// The outcome for a bar: the verdict, the ledger and both checks must agree before it is released;
/// whatever speaks against it is named.
#[must_use]
pub fn outcome(
    judgement: &Judgement,
    standing: Standing<'_>,
    opening: Option<&Check>,
    closing: Option<&Check>,
) -> Outcome {
    let not = |words, sentence: String| Outcome { released: false, words, sentence };
    match judgement.verdict {
        Verdict::Reject => {
            return not(
                "REJECTED",
                say!("This bar does not meet the rules. It must not be delivered.").to_owned(),
            );
        }
        Verdict::Hold => {
            return not(
                "HELD",
                say!("This bar is not decided: it needs another pass or a second look. It must not be delivered.")
                    .to_owned(),
            );
        }
        Verdict::Release | Verdict::Crop => {}
    }
    match standing {
        Standing::Held { why } => {
            return not("HELD", say!("{} This bar must not be delivered.", text::sentence(why)));
        }
        Standing::Waiting { why } => {
            return not("WAITING", say!("{} This bar is not released.", text::sentence(why)));
        }
        Standing::Released => {}
    }
    let absent = [
        say!("The opening check is absent. This bar is not released."),
        say!("The closing check is absent. This bar is not released."),
    ];
    let bad = [
        say!("The opening check is not good. This bar must not be delivered."),
        say!("The closing check is not good. This bar must not be delivered."),
    ];
    for ((check, absent), bad) in [opening, closing].into_iter().zip(absent).zip(bad) {
        match check {
            None => return not("WAITING", absent.to_owned()),
            Some(c) if !c.good => return not("HELD", bad.to_owned()),
            Some(_) => {}
        }
    }
    if let Some(d) = judgement.decisions.last() {
        let words = match judgement.verdict {
            Verdict::Crop => "RELEASED AFTER CROPPING BY DECISION",
            _ => "RELEASED BY DECISION",
        };
        let sentence = say!(
            "Decided by {}: {} The rules by themselves said {}. Only the kept pieces of the cut plan are released.",
            d.by,
            text::sentence(&d.reason),
            text::verdict(judgement.decisions[0].verdict)
        );
        return Outcome { released: true, words, sentence };
    }
    let (words, sentence) = match judgement.verdict {
        Verdict::Crop => (
            "RELEASED AFTER CROPPING",
            say!("Only the kept pieces of the cut plan are released; the rest is scrap.")
                .to_owned(),
        ),
        _ => (
            "RELEASED",
            say!("The kept pieces of the cut plan meet the rules named below.").to_owned(),
        ),
    };
    Outcome { released: true, words, sentence }
}

/// The large words of an outcome in the language at hand.
pub(super) fn said(words: &'static str) -> &'static str {
    match words {
        "REJECTED" => say!("REJECTED"),
        "HELD" => say!("HELD"),
        "WAITING" => say!("WAITING"),
        "RELEASED" => say!("RELEASED"),
        "RELEASED BY DECISION" => say!("RELEASED BY DECISION"),
        "RELEASED AFTER CROPPING" => say!("RELEASED AFTER CROPPING"),
        "RELEASED AFTER CROPPING BY DECISION" => say!("RELEASED AFTER CROPPING BY DECISION"),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::judgement::{CutPlan, Decision};

    fn judgement(verdict: Verdict) -> Judgement {
        Judgement {
            bar: "7".into(),
            heat: "H".into(),
            length_m: 3.0,
            indications: vec![],
            verdict,
            reasons: vec![],
            cut: CutPlan::default(),
            findings: vec![],
            decisions: vec![],
        }
    }

    // Truth: property. A paper never says that rules were met where a person decided against them.
    #[test]
    fn a_decision_is_named() {
        let mut decided = judgement(Verdict::Release);
        decided.decisions.push(Decision {
            by: "level 3".into(),
            reason: "sectioned, sound".into(),
            time_us: 0,
            verdict: Verdict::Hold,
            cut: CutPlan::default(),
            judgement: barwright_job::Hash::of(b"before"),
        });
        let good = check(true);
        let told = outcome(&decided, Standing::Released, Some(&good), Some(&good));
        assert!(told.released && told.words.contains("BY DECISION"));
        for word in ["level 3", "sectioned, sound.", "said hold"] {
            assert!(told.sentence.contains(word), "{}", told.sentence);
        }
        assert!(!told.sentence.contains("meet the rules"));
    }

    fn check(good: bool) -> Check {
        Check {
            passes: 3,
            line_speed_m_s: 1.0,
            reflectors: vec![],
            noise_fsh: 0.05,
            false_calls: 0,
            repeatability: None,
            good,
            measures: barwright_job::Measures::default(),
            findings: vec![],
        }
    }

    // Property over all combinations: released exactly when everything speaks for it.
    #[test]
    fn only_what_everything_speaks_for_is_released() {
        let (good, bad) = (check(true), check(false));
        let checks = [None, Some(&good), Some(&bad)];
        let standings =
            [Standing::Released, Standing::Waiting { why: "w" }, Standing::Held { why: "h" }];
        for verdict in [Verdict::Release, Verdict::Crop, Verdict::Hold, Verdict::Reject] {
            for standing in standings {
                for opening in checks {
                    for closing in checks {
                        let o = outcome(&judgement(verdict), standing, opening, closing);
                        let expected = matches!(verdict, Verdict::Release | Verdict::Crop)
                            && standing == Standing::Released
                            && opening.is_some_and(|c| c.good)
                            && closing.is_some_and(|c| c.good);
                        assert_eq!(o.released, expected, "{verdict:?} {standing:?}");
                        assert_eq!(o.words.starts_with("RELEASED"), expected);
                    }
                }
            }
        }
    }
}

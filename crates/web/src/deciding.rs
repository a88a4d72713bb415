//! Changing the verdict of a bar through a page: what a form sends, and whether it can be used. Pure.

use barwright_evaluate::decision::Decided;
use barwright_job::judgement::Verdict;
use barwright_report::text;
use serde::Deserialize;

/// Longest reason, in characters: a statement, no report.
pub const LONGEST_REASON: usize = 500;

/// A form as it was sent: texts, so that a wrong one can be shown again.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct Draft {
    /// Hash of the judgement that the form was shown with.
    pub judgement: String,
    /// The new verdict.
    pub verdict: String,
    /// Stretches to cut out, as "1200 to 1350" in mm, a line each.
    pub cut: String,
    /// Why.
    pub reason: String,
    /// Whether the person meant it.
    pub sure: Option<String>,
}

/// What is wrong with a form.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unusable {
    /// No verdict.
    #[error("choose the new verdict")]
    Verdict,
    /// A line that is no stretch.
    #[error("{line:?} is no stretch: write it as 1200 to 1350, in mm from the head end")]
    Stretch {
        /// The line.
        line: String,
    },
    /// Another verdict than a crop names stretches, or a crop none.
    #[error("a crop names the stretches to cut out, another verdict none")]
    CutOrNot,
    /// No reason.
    #[error("say why, in at most {LONGEST_REASON} characters")]
    Reason,
    /// Not meant.
    #[error("tick that you decide this in your name")]
    NotSure,
}

/// The verdicts a person may choose.
pub const VERDICTS: [Verdict; 4] =
    [Verdict::Release, Verdict::Crop, Verdict::Hold, Verdict::Reject];

impl Draft {
    /// The decision that the form states, by a person at a time in µs since 1970-01-01 UTC.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn decided(&self, person: &str, time_us: i64) -> Result<Decided, Unusable> {
        let verdict = VERDICTS
            .into_iter()
            .find(|v| text::verdict(*v) == self.verdict)
            .ok_or(Unusable::Verdict)?;
        let lines = self.cut.lines().map(str::trim).filter(|line| !line.is_empty());
        let cut_m = lines
            .map(|line| stretch(line).ok_or_else(|| Unusable::Stretch { line: line.to_owned() }))
            .collect::<Result<Vec<_>, _>>()?;
        if (verdict == Verdict::Crop) == cut_m.is_empty() {
            return Err(Unusable::CutOrNot);
        }
        let reason = self.reason.split_whitespace().collect::<Vec<_>>().join(" ");
        if reason.is_empty() || reason.chars().count() > LONGEST_REASON {
            return Err(Unusable::Reason);
        }
        if self.sure.is_none() {
            return Err(Unusable::NotSure);
        }
        Ok(Decided { verdict, cut_m, by: person.to_owned(), reason, time_us })
    }
}

/// "1200 to 1350" in metres.
fn stretch(line: &str) -> Option<[f64; 2]> {
    let (from, to) = line.split_once("to")?;
    let metres = |text: &str| {
        let mm: f64 = text.trim().trim_end_matches("mm").trim().parse().ok()?;
        mm.is_finite().then_some(mm / 1e3)
    };
    Some([metres(from)?, metres(to)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn draft(verdict: &str, cut: &str, reason: &str) -> Draft {
        Draft {
            judgement: String::new(),
            verdict: verdict.into(),
            cut: cut.into(),
            reason: reason.into(),
            sure: Some("yes".into()),
        }
    }

    // Own rules: nothing is decided from a form that leaves something open.
    #[test]
    fn a_form_is_used_whole_or_not_at_all() {
        let d = draft("crop", "1200 to 1350\n\n 2 to 3 mm", " scale,\n not a flaw ");
        let decided = d.decided("L2", 7).unwrap();
        assert_eq!(decided.cut_m, [[1.2, 1.35], [0.002, 0.003]]);
        assert_eq!((decided.reason.as_str(), decided.by.as_str()), ("scale, not a flaw", "L2"));
        let wrong =
            |verdict, cut, reason| draft(verdict, cut, reason).decided("L2", 7).unwrap_err();
        assert_eq!(wrong("", "", "why"), Unusable::Verdict);
        assert_eq!(wrong("scrap", "", "why"), Unusable::Verdict);
        assert_eq!(wrong("crop", "", "why"), Unusable::CutOrNot);
        assert_eq!(wrong("release", "1 to 2", "why"), Unusable::CutOrNot);
        for line in ["1200", "a to b", "1 to NaN", "1 to inf", "<script>"] {
            assert_eq!(wrong("crop", line, "why"), Unusable::Stretch { line: line.into() });
        }
        assert_eq!(wrong("hold", "", " \n"), Unusable::Reason);
        assert_eq!(wrong("hold", "", &"é".repeat(LONGEST_REASON + 1)), Unusable::Reason);
        let unsure = Draft { sure: None, ..draft("hold", "", "why") };
        assert_eq!(unsure.decided("L2", 7).unwrap_err(), Unusable::NotSure);
    }
}

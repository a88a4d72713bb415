//! A bar while its entries go by, and the state that follows. Pure.

use std::{collections::BTreeMap, sync::Arc};

use barwright_job::{Hash, judgement::Verdict};

use super::{BarState, Bracket, Setting, State, Why};
use crate::{
    entry::Entry,
    record::{BarKey, CorrectionFacts, Facts, JudgementFacts},
};

/// What no longer counts, each with the correction that says so.
#[derive(Debug, Default, Clone, PartialEq)]
pub(crate) struct Withdrawals {
    pub entries: BTreeMap<i64, i64>,
    /// Techniques and levels.
    pub documents: BTreeMap<Hash, i64>,
}

impl Withdrawals {
    pub fn of<'a>(entries: impl Iterator<Item = (&'a Entry, &'a Facts)> + Clone) -> Self {
        let mut all = Self::default();
        for (entry, facts) in entries.clone() {
            if let Facts::Correction(c) = facts
                && is_withdrawal(c, entry.seq)
            {
                all.entries.insert(c.corrects, entry.seq);
            }
        }
        for (entry, facts) in entries {
            if let Some(document) = loses(facts)
                && let Some(correction) = all.entries.get(&entry.seq)
            {
                all.documents.insert(document.clone(), *correction);
            }
        }
        all
    }
}

/// Whether a correction takes the entry it names out of account.
pub(crate) fn is_withdrawal(c: &CorrectionFacts, seq: i64) -> bool {
    c.withdraws && c.corrects < seq
}

/// The document that is lost with an entry that is withdrawn: a technique or level.
pub(crate) fn loses(facts: &Facts) -> Option<&Hash> {
    match facts {
        Facts::Technique(f) => Some(&f.origin.document),
        Facts::Level(f) => Some(&f.origin.document),
        _ => None,
    }
}

/// The judgement of a screening.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Judged {
    pub seq: i64,
    pub verdict: Verdict,
    pub kept_m: Vec<[f64; 2]>,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Screening {
    pub seq: i64,
    pub line: Arc<str>,
    pub document: Hash,
    pub setting: Arc<Setting>,
    pub bracket: Bracket,
    pub judgement: Option<Judged>,
}

/// A bar while the entries go by.
#[derive(Debug, Default, Clone, PartialEq)]
pub(crate) struct Bar {
    pub screening: Option<Screening>,
    /// It was rejected and no retest was ordered since.
    pub rejected: bool,
    /// The last withdrawal of one of its judgements: only a judgement made later frees it.
    pub judge_after: Option<i64>,
    pub retest: Option<i64>,
}

impl Bar {
    /// It is screened, anew or for the first time.
    pub fn screen(&mut self, screening: Screening) {
        self.retest = None;
        self.screening = Some(screening);
    }

    /// It is judged. `correction`: the entry that withdraws this judgement.
    pub fn judge(&mut self, seq: i64, f: &JudgementFacts, correction: Option<i64>) {
        let withdrawn = correction.is_some();
        self.judge_after = self.judge_after.max(correction);
        if let Some(screening) = &mut self.screening
            && screening.document == f.screened
        {
            // A withdrawn judgement does not bring an earlier one back.
            screening.judgement =
                (!withdrawn).then(|| Judged { seq, verdict: f.verdict, kept_m: f.kept_m.clone() });
            if f.verdict == Verdict::Reject && !withdrawn {
                self.rejected = true;
            } else if f.decided_by.is_some() && !withdrawn {
                self.rejected = false;
            }
        }
    }

    /// A retest is ordered. Withdrawing the order does not bring trust back.
    pub fn order_retest(&mut self, seq: i64, withdrawn: bool) {
        self.retest = Some(seq);
        if !withdrawn {
            self.rejected = false;
        }
    }

    pub fn outcome(self, bar: BarKey, withdrawals: &Withdrawals) -> BarState {
        let state = self.state(withdrawals);
        let s = self.screening;
        let (opening_check, closing_check) = match s.as_ref().map(|s| s.bracket) {
            Some(Bracket::Open(opening)) => (Some(opening), None),
            Some(Bracket::Closed(opening, closing)) => (Some(opening), Some(closing)),
            Some(Bracket::Broken(opening, _)) => (opening, None),
            None => (None, None),
        };
        BarState {
            bar,
            state,
            opening_check,
            closing_check,
            judged: s.as_ref().and_then(|s| s.judgement.as_ref().map(|j| j.seq)),
            screened: s.as_ref().map(|s| s.seq),
            technique: s.as_ref().map(|s| s.setting.technique.clone()),
            level: s.as_ref().and_then(|s| s.setting.level.clone()),
            line: s.map(|s| s.line.to_string()).unwrap_or_default(),
        }
    }

    pub fn state(&self, withdrawals: &Withdrawals) -> State {
        let held = |why| State::Held { why };
        if self.rejected {
            return State::Rejected;
        }
        if let Some(seq) = self.retest {
            return held(Why::Retest(seq));
        }
        let Some(s) = &self.screening else {
            return State::Waiting { for_judgement: true, for_check: true };
        };
        let lost = |document| withdrawals.documents.get(document);
        let gone = withdrawals
            .entries
            .get(&s.seq)
            .or_else(|| lost(&s.setting.technique))
            .or_else(|| s.setting.level.as_ref().and_then(lost));
        if let Some(seq) = gone {
            return held(Why::Withdrawn(*seq));
        }
        let closed = match s.bracket {
            Bracket::Broken(_, why) => return held(why),
            Bracket::Open(_) => false,
            Bracket::Closed(..) => true,
        };
        match s.judgement.as_ref().filter(|j| Some(j.seq) > self.judge_after) {
            Some(Judged { seq, verdict: Verdict::Hold, .. }) => held(Why::Judged(*seq)),
            Some(Judged { verdict: Verdict::Reject, .. }) => State::Rejected,
            Some(Judged { verdict: Verdict::Release, .. }) if closed => State::Released,
            Some(Judged { verdict: Verdict::Crop, kept_m, .. }) if closed => {
                State::Cropped { pieces_m: kept_m.clone() }
            }
            judgement => State::Waiting { for_judgement: judgement.is_none(), for_check: !closed },
        }
    }
}

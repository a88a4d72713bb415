//! What follows from the entries for every bar. Pure: entries and a time in, states out.
//!
//! A bar is released or cropped only when all of this holds for its latest screening:
//! - the last check of its line before it and the first one after it are good, of the bar's own
//!   technique and level, and no further apart than the rules of both allow;
//! - nothing recorded on the line between them names another technique or level;
//! - the station's clock did not step back between them;
//! - it was judged release or crop, and no retest was ordered after its screening;
//! - none of the entries this rests on was withdrawn.
//!
//! Everything else is waiting, held or rejected. A failed, overdue or foreign closing check holds
//! every bar since the last good one. Held bars are cured by screening them again; a rejected bar
//! stays rejected until a retest is ordered, its judgement is withdrawn and it is judged anew, or a
//! person decides otherwise by name, so that nobody passes a bar by trying often enough. Corrections can take trust away but grant none.
//!
//! Order is that of the entries' numbers. Times count only for the interval between checks, and
//! only those of the station's own entries (technique loaded, level, check, screened bar) are
//! compared with each other: judgements and papers may come from other clocks.

use std::collections::{BTreeMap, BTreeSet};

use barwright_job::{Hash, judgement::Verdict};
use serde::Serialize;

use crate::{
    entry::Entry,
    error::Result,
    record::{BarKey, Facts, ScreenedFacts},
};

/// State of a bar.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// On its way.
    Waiting {
        /// It is not judged yet.
        for_judgement: bool,
        /// The check that closes its bracket is not made yet.
        for_check: bool,
    },
    /// Good as it is.
    Released,
    /// Good in pieces.
    Cropped {
        /// The released pieces: start and end in metres from the head end.
        pieces_m: Vec<[f64; 2]>,
    },
    /// Must not leave until inspected again or decided.
    Held {
        /// Why.
        why: Why,
    },
    /// Not good.
    Rejected,
}

/// Why a bar is held. Numbers are those of entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// No check of the line came before it.
    NeverChecked,
    /// The last check before it failed.
    AfterFailedCheck(i64),
    /// The check after it failed.
    FailedCheck(i64),
    /// The check after it came too late.
    CheckTooLate(i64),
    /// The check after it is due and was not made, or the bar came too late after the one before.
    CheckOverdue,
    /// Another technique or level was set on the line.
    SettingChanged(i64),
    /// The station's clock stepped back: the interval is not known.
    ClockSteppedBack(i64),
    /// It was judged hold.
    Judged(i64),
    /// A retest was ordered.
    Retest(i64),
    /// Its screening, technique or level was withdrawn.
    Withdrawn(i64),
}

impl Why {
    /// The reason in words, for a list of holds.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::NeverChecked => "its line was not checked before it".into(),
            Self::AfterFailedCheck(seq) => format!("the last check before it failed (entry {seq})"),
            Self::FailedCheck(seq) => format!("the check after it failed (entry {seq})"),
            Self::CheckTooLate(seq) => format!("the check after it came too late (entry {seq})"),
            Self::CheckOverdue => "the check after it is overdue".into(),
            Self::SettingChanged(seq) => {
                format!("technique or level of its line changed between two checks (entry {seq})")
            }
            Self::ClockSteppedBack(seq) => {
                format!("the station's clock stepped back between two checks (entry {seq})")
            }
            Self::Judged(seq) => format!("judged hold (entry {seq})"),
            Self::Retest(seq) => format!("a retest was ordered (entry {seq})"),
            Self::Withdrawn(seq) => format!("an entry it rests on was withdrawn (entry {seq})"),
        }
    }
}

/// A bar with its state and the entries that decide it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BarState {
    /// The bar.
    pub bar: BarKey,
    /// Its state.
    pub state: State,
    /// Line of its latest screening; empty where it was not screened.
    pub line: String,
    /// Its latest screening.
    pub screened: Option<i64>,
    /// The judgement of that screening that counts.
    pub judged: Option<i64>,
    /// The good check before it, if it has one.
    pub opening_check: Option<i64>,
    /// The good check that closed its bracket.
    pub closing_check: Option<i64>,
    /// Technique it was screened with.
    pub technique: Option<Hash>,
    /// Level it was screened with.
    pub level: Option<Hash>,
}

/// The states of all bars, sorted by heat and bar, at a time.
///
/// `entries`: all entries of a ledger in order (those of other kinds than technique, level, check,
/// bar screened, judgement, correction and retest may be left out). `now_us`: microseconds since
/// 1970-01-01 UTC; it only tells whether a check is overdue and never releases a bar.
///
/// # Errors
/// [`crate::LedgerError::Unreadable`] for an entry whose content does not fit its kind.
pub fn bars(entries: &[Entry], now_us: i64) -> Result<Vec<BarState>> {
    let facts: Vec<Facts> = entries.iter().map(Entry::facts).collect::<Result<_>>()?;
    let withdrawn = withdrawn(entries, &facts);
    let mut yard = Yard::default();
    for (entry, facts) in entries.iter().zip(&facts) {
        yard.take(entry, facts, withdrawn.get(&entry.seq).copied());
    }
    yard.overdue(now_us);
    let lost = withdrawn_hashes(entries, &facts, &withdrawn);
    Ok(yard.bars.into_iter().map(|(key, bar)| bar.outcome(key, &withdrawn, &lost)).collect())
}

/// The held bars of a list.
#[must_use]
pub fn holds(bars: Vec<BarState>) -> Vec<BarState> {
    bars.into_iter().filter(|bar| matches!(bar.state, State::Held { .. })).collect()
}

/// Entries that no longer count, each with the correction that says so.
fn withdrawn(entries: &[Entry], facts: &[Facts]) -> BTreeMap<i64, i64> {
    entries
        .iter()
        .zip(facts)
        .filter_map(|(entry, facts)| match facts {
            Facts::Correction(c) if c.withdraws && c.corrects < entry.seq => {
                Some((c.corrects, entry.seq))
            }
            _ => None,
        })
        .collect()
}

/// Techniques and levels that no longer count, each with the correction that says so.
fn withdrawn_hashes(
    entries: &[Entry],
    facts: &[Facts],
    withdrawn: &BTreeMap<i64, i64>,
) -> BTreeMap<Hash, i64> {
    entries
        .iter()
        .zip(facts)
        .filter_map(|(entry, facts)| {
            let correction = *withdrawn.get(&entry.seq)?;
            match facts {
                Facts::Technique(f) => Some((f.origin.document.clone(), correction)),
                Facts::Level(f) => Some((f.origin.document.clone(), correction)),
                _ => None,
            }
        })
        .collect()
}

/// What a line was set to: technique and level.
#[derive(Debug, Clone, PartialEq)]
struct Setting {
    technique: Hash,
    level: Option<Hash>,
}

/// A stretch of production after a good check.
#[derive(Debug)]
struct Open {
    check: i64,
    time_us: i64,
    interval_us: i64,
    setting: Setting,
    bars: BTreeSet<(BarKey, i64)>,
}

impl Open {
    fn is_over(&self, time_us: i64, interval_us: i64) -> bool {
        time_us.saturating_sub(self.time_us) > self.interval_us.min(interval_us)
    }
}

/// A line while the entries go by.
#[derive(Debug)]
struct Line {
    clock_us: i64,
    /// The open stretch, or why there is none.
    stretch: std::result::Result<Open, Why>,
}

/// How the bracket of a screening stands.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Bracket {
    Open(i64),
    Closed(i64, i64),
    Broken(Option<i64>, Why),
}

/// A bar while the entries go by.
#[derive(Debug, Default)]
struct Bar {
    screening: Option<Screening>,
    /// It was rejected and no retest was ordered since.
    rejected: bool,
    /// The last withdrawal of one of its judgements: only a judgement made later frees it.
    judge_after: Option<i64>,
    retest: Option<i64>,
}

#[derive(Debug)]
struct Screening {
    seq: i64,
    line: String,
    document: Hash,
    setting: Setting,
    bracket: Bracket,
    judgement: Option<(i64, Verdict, Vec<[f64; 2]>)>,
}

/// All lines and bars while the entries go by.
#[derive(Debug, Default)]
struct Yard {
    lines: BTreeMap<String, Line>,
    bars: BTreeMap<BarKey, Bar>,
}

impl Yard {
    fn take(&mut self, entry: &Entry, facts: &Facts, correction: Option<i64>) {
        let seq = entry.seq;
        let withdrawn = correction.is_some();
        match facts {
            Facts::Technique(f) if !entry.line.is_empty() => {
                self.tick(entry);
                self.set(entry, |s| s.technique == f.origin.document);
            }
            Facts::Level(f) => {
                self.tick(entry);
                self.set(entry, |s| s.level.as_ref() == Some(&f.origin.document));
            }
            Facts::Check(f) => {
                self.tick(entry);
                let setting =
                    Setting { technique: f.technique.clone(), level: Some(f.level.clone()) };
                self.check(entry, setting, f.good && !withdrawn, interval_us(f.interval_h));
            }
            Facts::BarScreened(f) => {
                self.tick(entry);
                self.screen(entry, f);
            }
            Facts::Judgement(f) => {
                let bar = self.bars.entry(f.bar.clone()).or_default();
                bar.judge_after = bar.judge_after.max(correction);
                if let Some(screening) = &mut bar.screening
                    && screening.document == f.screened
                {
                    // A withdrawn judgement does not bring an earlier one back.
                    screening.judgement = (!withdrawn).then(|| (seq, f.verdict, f.kept_m.clone()));
                    if f.verdict == Verdict::Reject && !withdrawn {
                        bar.rejected = true;
                    } else if f.decided_by.is_some() && !withdrawn {
                        bar.rejected = false;
                    }
                }
            }
            Facts::Retest(f) => {
                let bar = self.bars.entry(f.bar.clone()).or_default();
                bar.retest = Some(seq);
                if !withdrawn {
                    bar.rejected = false;
                }
            }
            _ => {}
        }
    }

    fn line(&mut self, entry: &Entry) -> &mut Line {
        self.lines
            .entry(entry.line.clone())
            .or_insert_with(|| Line { clock_us: entry.time_us, stretch: Err(Why::NeverChecked) })
    }

    /// The station's clock moves on, or steps back.
    fn tick(&mut self, entry: &Entry) {
        let line = self.line(entry);
        let back = entry.time_us < line.clock_us;
        line.clock_us = entry.time_us;
        if back {
            self.end_stretch(&entry.line, Why::ClockSteppedBack(entry.seq));
        }
    }

    /// Technique or level is set on the line: the stretch goes on if it is the one it has.
    fn set(&mut self, entry: &Entry, same: impl Fn(&Setting) -> bool) {
        let line = self.line(entry);
        if line.stretch.as_ref().is_ok_and(|open| !same(&open.setting)) {
            self.end_stretch(&entry.line, Why::SettingChanged(entry.seq));
        }
    }

    /// A check closes the open stretch, well or badly, and opens the next one if it is good.
    fn check(&mut self, entry: &Entry, setting: Setting, good: bool, interval_us: i64) {
        let seq = entry.seq;
        let why = self.line(entry).stretch.as_ref().ok().and_then(|open| {
            if !good {
                Some(Why::FailedCheck(seq))
            } else if open.setting != setting {
                Some(Why::SettingChanged(seq))
            } else if open.is_over(entry.time_us, interval_us) {
                Some(Why::CheckTooLate(seq))
            } else {
                None
            }
        });
        let next = if good {
            Ok(Open {
                check: seq,
                time_us: entry.time_us,
                interval_us,
                setting,
                bars: BTreeSet::new(),
            })
        } else {
            Err(Why::AfterFailedCheck(seq))
        };
        if let Ok(open) = std::mem::replace(&mut self.line(entry).stretch, next) {
            self.settle(
                &open,
                match why {
                    None => Bracket::Closed(open.check, seq),
                    Some(why) => Bracket::Broken(Some(open.check), why),
                },
            );
        }
    }

    /// A bar is screened: it joins the open stretch if it fits, and ends it if it does not.
    fn screen(&mut self, entry: &Entry, facts: &ScreenedFacts) {
        let setting = Setting { technique: facts.technique.clone(), level: facts.level.clone() };
        let why = self.line(entry).stretch.as_ref().ok().and_then(|open| {
            if open.setting != setting {
                Some(Why::SettingChanged(entry.seq))
            } else if open.is_over(entry.time_us, open.interval_us) {
                Some(Why::CheckOverdue)
            } else {
                None
            }
        });
        if let Some(why) = why {
            self.end_stretch(&entry.line, why);
        }
        let key = &facts.bar;
        let bracket = match &mut self.line(entry).stretch {
            Ok(open) => {
                open.bars.insert((key.clone(), entry.seq));
                Bracket::Open(open.check)
            }
            Err(why) => Bracket::Broken(None, *why),
        };
        let bar = self.bars.entry(key.clone()).or_default();
        bar.retest = None;
        bar.screening = Some(Screening {
            seq: entry.seq,
            line: entry.line.clone(),
            document: facts.origin.document.clone(),
            setting,
            bracket,
            judgement: None,
        });
    }

    /// Ends the open stretch of a line, for its bars and for later ones.
    fn end_stretch(&mut self, line: &str, why: Why) {
        let Some(line) = self.lines.get_mut(line) else {
            return;
        };
        if line.stretch.is_ok()
            && let Ok(open) = std::mem::replace(&mut line.stretch, Err(why))
        {
            self.settle(&open, Bracket::Broken(Some(open.check), why));
        }
    }

    fn settle(&mut self, open: &Open, bracket: Bracket) {
        for (key, seq) in &open.bars {
            if let Some(screening) = self.bars.get_mut(key).and_then(|b| b.screening.as_mut())
                && screening.seq == *seq
            {
                screening.bracket = bracket;
            }
        }
    }

    fn overdue(&mut self, now_us: i64) {
        let late: Vec<String> = self
            .lines
            .iter()
            .filter(|(_, line)| {
                line.stretch.as_ref().is_ok_and(|open| open.is_over(now_us, open.interval_us))
            })
            .map(|(name, _)| name.clone())
            .collect();
        for line in late {
            self.end_stretch(&line, Why::CheckOverdue);
        }
    }
}

impl Bar {
    fn outcome(
        self,
        bar: BarKey,
        withdrawn: &BTreeMap<i64, i64>,
        lost: &BTreeMap<Hash, i64>,
    ) -> BarState {
        let state = self.state(withdrawn, lost);
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
            judged: s.as_ref().and_then(|s| s.judgement.as_ref().map(|(seq, ..)| *seq)),
            screened: s.as_ref().map(|s| s.seq),
            technique: s.as_ref().map(|s| s.setting.technique.clone()),
            level: s.as_ref().and_then(|s| s.setting.level.clone()),
            line: s.map(|s| s.line).unwrap_or_default(),
        }
    }

    fn state(&self, withdrawn: &BTreeMap<i64, i64>, lost: &BTreeMap<Hash, i64>) -> State {
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
        let gone = withdrawn.get(&s.seq).or_else(|| {
            let level = s.setting.level.as_ref().and_then(|level| lost.get(level));
            lost.get(&s.setting.technique).or(level)
        });
        if let Some(seq) = gone {
            return held(Why::Withdrawn(*seq));
        }
        let closed = match s.bracket {
            Bracket::Broken(_, why) => return held(why),
            Bracket::Open(_) => false,
            Bracket::Closed(..) => true,
        };
        match s.judgement.as_ref().filter(|(seq, ..)| Some(*seq) > self.judge_after) {
            Some((seq, Verdict::Hold, _)) => held(Why::Judged(*seq)),
            Some((_, Verdict::Reject, _)) => State::Rejected,
            Some((_, Verdict::Release, _)) if closed => State::Released,
            Some((_, Verdict::Crop, kept)) if closed => State::Cropped { pieces_m: kept.clone() },
            judgement => State::Waiting { for_judgement: judgement.is_none(), for_check: !closed },
        }
    }
}

/// Microseconds of an interval in hours; none for a figure that is not a positive number.
fn interval_us(hours: f64) -> i64 {
    // A float to integer cast saturates, and takes NaN to 0: an interval that no bar can keep.
    (hours * 3.6e9) as i64
}

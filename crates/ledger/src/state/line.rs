//! A line while its entries go by: the stretch of production that a good check opened, and what
//! ends it. Pure.

use barwright_job::Hash;
use serde::{Deserialize, Serialize};

use super::Why;
use crate::record::{CheckFacts, ScreenedFacts};

/// What a line was set to.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Setting {
    pub technique: Hash,
    pub level: Option<Hash>,
    /// Version of the program.
    pub program: Option<String>,
}

impl From<&CheckFacts> for Setting {
    fn from(f: &CheckFacts) -> Self {
        Self {
            technique: f.technique.clone(),
            level: Some(f.level.clone()),
            program: f.program.clone(),
        }
    }
}

impl From<&ScreenedFacts> for Setting {
    fn from(f: &ScreenedFacts) -> Self {
        Self { technique: f.technique.clone(), level: f.level.clone(), program: f.program.clone() }
    }
}

impl Setting {
    /// Why something of another setting, recorded in an entry, does not belong to this one.
    fn differs(&self, other: &Self, seq: i64) -> Option<Why> {
        if (&self.technique, &self.level) != (&other.technique, &other.level) {
            Some(Why::SettingChanged(seq))
        } else if self.program != other.program {
            Some(Why::ProgramChanged(seq))
        } else {
            None
        }
    }
}

/// How the bracket of a screening stands. Numbers are those of the checks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bracket {
    Open(i64),
    Closed(i64, i64),
    Broken(Option<i64>, Why),
}

/// A stretch that ended: what becomes of the screenings whose bracket is still open in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Settled {
    pub opening: i64,
    pub bracket: Bracket,
}

/// A stretch of production after a good check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Open {
    pub check: i64,
    time_us: i64,
    interval_us: i64,
    setting: Setting,
    /// The next check is due when another operator takes over.
    due_at_operator: bool,
    /// A bar was screened in it.
    used: bool,
    /// Another operator took over after that, in this entry.
    due: Option<i64>,
}

impl Open {
    fn is_over(&self, time_us: i64, interval_us: i64) -> bool {
        time_us.saturating_sub(self.time_us) > self.interval_us.min(interval_us)
    }
}

/// A line while the entries go by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Line {
    clock_us: i64,
    pub operator: Option<String>,
    /// The latest check, good or bad.
    pub last_check: Option<i64>,
    /// The open stretch, or why there is none.
    pub stretch: Result<Open, Why>,
}

impl Line {
    /// A line before its first entry.
    pub fn new(time_us: i64) -> Self {
        Self {
            clock_us: time_us,
            operator: None,
            last_check: None,
            stretch: Err(Why::NeverChecked),
        }
    }

    /// The station's clock moves on, or steps back.
    pub fn tick(&mut self, seq: i64, time_us: i64) -> Option<Settled> {
        let back = time_us < self.clock_us;
        self.clock_us = time_us;
        if back { self.end(Why::ClockSteppedBack(seq)) } else { None }
    }

    /// A technique is loaded: the stretch goes on if it is the one it has.
    pub fn load(&mut self, seq: i64, technique: &Hash) -> Option<Settled> {
        let same = self.stretch.as_ref().is_ok_and(|open| open.setting.technique == *technique);
        if same { None } else { self.end(Why::SettingChanged(seq)) }
    }

    /// A level is set: the stretch goes on if it is the one it has.
    pub fn set_level(&mut self, seq: i64, level: &Hash) -> Option<Settled> {
        let same = self.stretch.as_ref().is_ok_and(|o| o.setting.level.as_ref() == Some(level));
        if same { None } else { self.end(Why::SettingChanged(seq)) }
    }

    /// Equipment is put to use or taken off.
    pub fn mount(&mut self, seq: i64) -> Option<Settled> {
        self.end(Why::EquipmentChanged(seq))
    }

    /// Somebody takes over. Right after a check nothing is due.
    pub fn take_over(&mut self, seq: i64, person: &str) {
        let other = self.operator.as_deref() != Some(person);
        self.operator = Some(person.to_owned());
        if other
            && let Ok(open) = &mut self.stretch
            && open.due_at_operator
            && open.used
        {
            open.due = open.due.or(Some(seq));
        }
    }

    /// A check closes the open stretch, well or badly, and opens the next one if it is good.
    pub fn check(
        &mut self,
        seq: i64,
        time_us: i64,
        facts: &CheckFacts,
        good: bool,
    ) -> Option<Settled> {
        let setting = Setting::from(facts);
        let interval_us = interval_us(facts.interval_h);
        let settled = self.stretch.as_ref().ok().map(|open| {
            let why = if good {
                open.setting.differs(&setting, seq).or_else(|| {
                    open.is_over(time_us, interval_us).then_some(Why::CheckTooLate(seq))
                })
            } else {
                Some(Why::FailedCheck(seq))
            };
            let bracket = match why {
                None => Bracket::Closed(open.check, seq),
                Some(why) => Bracket::Broken(Some(open.check), why),
            };
            Settled { opening: open.check, bracket }
        });
        self.last_check = Some(seq);
        self.stretch = if good {
            Ok(Open {
                check: seq,
                time_us,
                interval_us,
                setting,
                due_at_operator: facts.due_at_operator,
                used: false,
                due: None,
            })
        } else {
            Err(Why::AfterFailedCheck(seq))
        };
        settled
    }

    /// A bar is screened: it joins the open stretch if it fits, and ends it if it does not.
    pub fn screen(
        &mut self,
        seq: i64,
        time_us: i64,
        setting: &Setting,
    ) -> (Option<Settled>, Bracket) {
        let why = self.stretch.as_ref().ok().and_then(|open| {
            open.setting.differs(setting, seq).or_else(|| {
                if open.is_over(time_us, open.interval_us) {
                    Some(Why::CheckOverdue)
                } else {
                    open.due.map(Why::OperatorChanged)
                }
            })
        });
        let settled = why.and_then(|why| self.end(why));
        let bracket = match &mut self.stretch {
            Ok(open) => {
                open.used = true;
                Bracket::Open(open.check)
            }
            Err(why) => Bracket::Broken(None, *why),
        };
        (settled, bracket)
    }

    /// The check that is overdue at a time: that which opened the stretch.
    pub fn overdue(&self, now_us: i64) -> Option<i64> {
        let open = self.stretch.as_ref().ok()?;
        open.is_over(now_us, open.interval_us).then_some(open.check)
    }

    /// Latest time of the next check, in microseconds since 1970-01-01 UTC; none without a stretch.
    pub fn next_check_us(&self) -> Option<i64> {
        let open = self.stretch.as_ref().ok()?;
        Some(open.time_us.saturating_add(open.interval_us))
    }

    /// Ends the open stretch, for its bars and for later ones.
    pub fn end(&mut self, why: Why) -> Option<Settled> {
        let opening = self.stretch.as_ref().ok()?.check;
        self.stretch = Err(why);
        Some(Settled { opening, bracket: Bracket::Broken(Some(opening), why) })
    }
}

/// Microseconds of an interval in hours; none for a figure that is not a positive number.
fn interval_us(hours: f64) -> i64 {
    // A float to integer cast saturates, and takes NaN to 0: an interval that no bar can keep.
    (hours * 3.6e9) as i64
}

//! All lines and bars in memory while the entries go by: the plain form. Pure.

use std::{
    collections::{BTreeMap, HashSet},
    sync::Arc,
};

use super::{
    Bar, Line, Screening, Setting, Why, Withdrawals,
    line::{Bracket, Settled},
};
use crate::{
    entry::Entry,
    record::{BarKey, Facts},
};

/// What a step needs to know of an entry beside its facts.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stamp<'a> {
    pub seq: i64,
    pub time_us: i64,
    pub line: &'a str,
}

impl<'a> From<&'a Entry> for Stamp<'a> {
    fn from(entry: &'a Entry) -> Self {
        Self { seq: entry.seq, time_us: entry.time_us, line: &entry.line }
    }
}

/// What an entry of a line does to it: the stretch it ends, and the bracket of a bar screened.
#[derive(Debug, Default)]
pub(crate) struct Step {
    /// At most two: by the clock, and by what the entry says.
    pub settled: Vec<Settled>,
    pub bracket: Option<Bracket>,
}

/// Whether the facts are of the station's own clock and move its line.
pub(crate) fn moves_line(facts: &Facts, line: &str) -> bool {
    match facts {
        Facts::Technique(_) => !line.is_empty(),
        Facts::Level(_)
        | Facts::Check(_)
        | Facts::BarScreened(_)
        | Facts::Mount(_)
        | Facts::Operator(_) => true,
        _ => false,
    }
}

/// Takes an entry of the line.
pub(crate) fn step(line: &mut Line, at: Stamp<'_>, facts: &Facts, withdrawn: bool) -> Step {
    let mut step = Step::default();
    step.settled.extend(line.tick(at.seq, at.time_us));
    let settled = match facts {
        Facts::Technique(f) => line.load(at.seq, &f.origin.document),
        Facts::Level(f) => line.set_level(at.seq, &f.origin.document),
        Facts::Mount(_) => line.mount(at.seq),
        Facts::Operator(f) => {
            line.take_over(at.seq, &f.person);
            None
        }
        Facts::Check(f) => line.check(at.seq, at.time_us, f, f.good && !withdrawn),
        Facts::BarScreened(f) => {
            let (settled, bracket) = line.screen(at.seq, at.time_us, &f.into());
            step.bracket = Some(bracket);
            settled
        }
        _ => None,
    };
    step.settled.extend(settled);
    step
}

/// A screening and the bracket it stands in.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Past {
    pub bar: BarKey,
    pub line: Arc<str>,
    pub last_check: Option<i64>,
    pub setting: Arc<Setting>,
    pub bracket: Bracket,
}

/// All lines and bars while the entries go by.
#[derive(Debug, Default)]
pub(crate) struct Yard {
    pub lines: BTreeMap<Arc<str>, Line>,
    pub bars: BTreeMap<BarKey, Bar>,
    /// Every screening, also those that later ones replaced.
    pub past: BTreeMap<i64, Past>,
    /// Screenings of open stretches, by the check that opened them.
    open: BTreeMap<i64, Vec<i64>>,
    settings: HashSet<Arc<Setting>>,
}

impl Yard {
    pub fn take(&mut self, at: Stamp<'_>, facts: &Facts, withdrawals: &Withdrawals) {
        let correction = withdrawals.entries.get(&at.seq).copied();
        if moves_line(facts, at.line) {
            self.move_line(at, facts, correction.is_some());
        }
        match facts {
            Facts::Judgement(f) => self.bar(&f.bar).judge(at.seq, f, correction),
            Facts::Retest(f) => self.bar(&f.bar).order_retest(at.seq, correction.is_some()),
            _ => {}
        }
    }

    fn bar(&mut self, key: &BarKey) -> &mut Bar {
        self.bars.entry(key.clone()).or_default()
    }

    fn move_line(&mut self, at: Stamp<'_>, facts: &Facts, withdrawn: bool) {
        let name = match self.lines.get_key_value(at.line) {
            Some((name, _)) => name.clone(),
            None => Arc::from(at.line),
        };
        let line = self.lines.entry(name.clone()).or_insert_with(|| Line::new(at.time_us));
        let last_check = line.last_check;
        let step = step(line, at, facts, withdrawn);
        for settled in &step.settled {
            self.settle(settled);
        }
        if let (Facts::BarScreened(f), Some(bracket)) = (facts, step.bracket) {
            if let Bracket::Open(check) = bracket {
                self.open.entry(check).or_default().push(at.seq);
            }
            let setting = self.setting(f.into());
            let past = Past {
                bar: f.bar.clone(),
                line: name.clone(),
                last_check,
                setting: setting.clone(),
                bracket,
            };
            self.past.insert(at.seq, past);
            self.bar(&f.bar).screen(Screening {
                seq: at.seq,
                line: name,
                document: f.origin.document.clone(),
                setting,
                bracket,
                judgement: None,
            });
        }
    }

    /// One copy of each setting: a ledger has few of them and very many bars.
    fn setting(&mut self, setting: Setting) -> Arc<Setting> {
        match self.settings.get(&setting) {
            Some(known) => known.clone(),
            None => {
                let known = Arc::new(setting);
                self.settings.insert(known.clone());
                known
            }
        }
    }

    fn settle(&mut self, settled: &Settled) {
        for seq in self.open.remove(&settled.opening).unwrap_or_default() {
            let Some(past) = self.past.get_mut(&seq) else {
                continue;
            };
            past.bracket = settled.bracket;
            if let Some(screening) = self.bars.get_mut(&past.bar).and_then(|b| b.screening.as_mut())
                && screening.seq == seq
            {
                screening.bracket = settled.bracket;
            }
        }
    }

    /// Ends the stretches whose closing check is overdue at a time.
    pub fn overdue(&mut self, now_us: i64) {
        let ended: Vec<Settled> = self
            .lines
            .values_mut()
            .filter(|line| line.overdue(now_us).is_some())
            .filter_map(|line| line.end(Why::CheckOverdue))
            .collect();
        for settled in &ended {
            self.settle(settled);
        }
    }
}

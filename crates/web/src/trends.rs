//! Trends of a line from its ledger: for the page and for whoever asks in words.

use barwright_evaluate::trends::{Course, Limits, Settings, Taken, Trends, Watched, watch};
use barwright_job::{Hash, Rules, Station, Technique};
use barwright_ledger::{
    Entry, Kind,
    record::{CheckFacts, CorrectionFacts, LevelFacts},
};
use barwright_report::{Palette, Trend, trend};

/// The trends of the line and technique of the last check.
#[derive(Debug, Clone)]
pub struct LineTrends {
    /// Line; empty where there is no check.
    pub line: String,
    /// Technique of the checks; absent where there is no check.
    pub technique: Option<Hash>,
    /// The checks, oldest first.
    pub checks: Vec<Taken>,
    /// The levels of the same technique, oldest first.
    pub levels: Vec<Taken>,
    /// What they tell.
    pub trends: Trends,
}

/// Looks for trends in the entries of a ledger (all of them, or at least its checks, levels and
/// corrections): those of the line and technique of the last check, from entry `since` on. Withdrawn
/// entries do not count. `station` and `technique` give limits of their own where they are at hand.
#[must_use]
pub fn of_entries(
    entries: &[Entry],
    since: i64,
    rules: &Rules,
    station: Option<&Station>,
    technique: Option<&Technique>,
    settings: &Settings,
) -> LineTrends {
    let withdrawn: Vec<i64> = entries
        .iter()
        .filter(|e| e.kind == Kind::Correction)
        .filter_map(|e| serde_json::from_value::<CorrectionFacts>(e.content.clone()).ok())
        .filter(|c| c.withdraws)
        .map(|c| c.corrects)
        .collect();
    let standing = |e: &&Entry| e.seq >= since && !withdrawn.contains(&e.seq);
    let checks: Vec<(&Entry, CheckFacts)> = entries
        .iter()
        .filter(|e| e.kind == Kind::Check)
        .filter(standing)
        .filter_map(|e| Some((e, serde_json::from_value(e.content.clone()).ok()?)))
        .collect();
    let (line, hash) = checks
        .last()
        .map_or((String::new(), None), |(e, c)| (e.line.clone(), Some(c.technique.clone())));
    let own = |e: &Entry, t: &Hash| e.line == line && Some(t) == hash.as_ref();
    let checks: Vec<Taken> = checks
        .into_iter()
        .filter(|(e, c)| own(e, &c.technique))
        .map(|(e, c)| Taken {
            number: e.seq,
            time_us: e.time_us,
            date: e.date(),
            level: Some(c.level),
            good: c.good,
            measures: c.measures,
        })
        .collect();
    let levels: Vec<Taken> = entries
        .iter()
        .filter(|e| e.kind == Kind::Level)
        .filter(standing)
        .filter_map(|e| Some((e, serde_json::from_value::<LevelFacts>(e.content.clone()).ok()?)))
        .filter(|(e, l)| own(e, &l.technique))
        .map(|(e, l)| Taken {
            number: e.seq,
            time_us: e.time_us,
            date: e.date(),
            level: None,
            good: l.good,
            measures: l.measures,
        })
        .collect();
    let limits = Limits::of(rules, station, technique);
    let trends = watch(&checks, &levels, &limits, settings);
    LineTrends { line, technique: hash, checks, levels, trends }
}

impl LineTrends {
    /// When a check or level was entered, to the minute.
    #[must_use]
    pub fn date(&self, by_level: bool, place: usize) -> Option<String> {
        let list = if by_level { &self.levels } else { &self.checks };
        list.get(place).map(|t| crate::lot::to_the_minute(&t.date))
    }
}

/// A series as SVG text.
#[must_use]
pub fn picture(w: &Watched, look: &Palette) -> String {
    let values: Vec<(usize, f64)> = w.series.present().collect();
    let centre = w.chart.as_ref().map(|c| c.standard.centre);
    let average: Vec<(usize, [f64; 3])> = w
        .chart
        .iter()
        .flat_map(|c| c.values.iter().map(|v| (v, c.standard.centre)))
        .zip(&w.charted)
        .map(|((v, centre), &place)| (place, [v.average, centre - v.limit, centre + v.limit]))
        .collect();
    let last = values.last().map_or(0, |v| v.0) as f64;
    let line = match (w.course, w.left, &w.limit) {
        (Course::Slope(s), left, limit) => {
            let far = left.map_or(last, |l| last + l.expected);
            let to = left.and(limit.as_ref()).map_or(s.level + s.so_far, |l| l.bound.at);
            Some([(s.from, s.level), (far, to)])
        }
        _ => None,
    };
    trend(
        &Trend {
            title: &w.name,
            unit: &w.unit,
            place: if w.by_level { "level" } else { "check" },
            values: &values,
            average: &average,
            centre,
            limit: w.limit.as_ref().map(|l| (l.bound.at, l.what.as_str())),
            since: w.since,
            line: line.filter(|l| l[1].0 > l[0].0),
        },
        look,
    )
}

//! Trends: what drifts, every series, every value.

use barwright_evaluate::trends::{Course, Drift, Settings, Taken, Watched};
use barwright_phrase::say;

use super::{
    Cell, Listed, Made, Rows, Why,
    cell::{at, joined, word},
    made, need, number, said, text, time, truth, whole,
};
use crate::{
    lot::Lot,
    trends::{LineTrends, of_entries},
};

pub(super) const ALL: [Listed; 3] = [
    Listed {
        name: "drifts",
        row: "thing that drifts, most urgent first",
        title: || say!("What drifts"),
        make: drifts,
    },
    Listed { name: "trend_series", row: "series", title: || say!("Every series"), make: series },
    Listed {
        name: "trend_values",
        row: "value of a series, at a check or level",
        title: || say!("Every value of every series"),
        make: values,
    },
];

/// The trends of the last check's line and technique.
fn line(lot: &Lot) -> Result<LineTrends, Why> {
    let rules = need(&lot.rules, "acceptance rules")?;
    let (station, technique) = (lot.station.here(), lot.technique.here().map(|t| &t.body));
    let found = of_entries(&said(lot)?.entries, 0, rules, station, technique, &Settings::default());
    if found.checks.is_empty() {
        return Err(Why::Absent("there is no check in the ledger yet".into()));
    }
    Ok(found)
}

/// A drift with the entries since which and at which it was called.
type Drifting = (String, Drift, Option<i64>, Option<i64>);

fn drifts(lot: &Lot) -> Made {
    let rows: Rows<Drifting> = line(lot).map(|line| {
        let entry = |by_level: bool, place: usize| {
            let taken = if by_level { &line.levels } else { &line.checks };
            taken.get(place).map(|t| t.number)
        };
        let drifts = line.trends.drifts.iter();
        drifts
            .map(|d| {
                let (since, called) = (entry(d.by_level, d.since), entry(d.by_level, d.called));
                (line.line.clone(), d.clone(), since, called)
            })
            .collect()
    });
    made(
        rows,
        [
            text("line", "line of the checks", |d| (&d.0).into()),
            text("drift", "what drifts, in a sentence or two", |d| (&d.1.sentence).into()),
            text("series", "series that show it, the leading one first, apart by spaces", |d| {
                joined(&d.1.series, " ")
            }),
            whole("since_entry", "entry of the check since when it has shifted", |d| d.2.into()),
            whole("called_entry", "entry of the check at which it was called", |d| d.3.into()),
            number(
                "away",
                "unit of the leading series",
                "distance of the weighted average from what is usual",
                |d| d.1.away.into(),
            ),
            number(
                "checks_left",
                "1",
                "expected number of checks until the limit; empty where it cannot be told",
                |d| d.1.left.map(|l| l.expected).into(),
            ),
            whole("checks_left_90", "checks that stay inside with 90 %", |d| {
                d.1.left.map(|l| l.cautious).into()
            }),
        ],
    )
}

fn series(lot: &Lot) -> Made {
    let rows: Rows<Watched> = line(lot).map(|line| line.trends.series);
    made(
        rows,
        [
            text("series", "name of the series; probes from 1, beams from 0", |w| (&w.name).into()),
            text("quantity", "what is measured", |w| word(w.series.quantity)),
            text("unit", "unit of its figures, with what a dB is relative to", |w| {
                (&w.unit).into()
            }),
            truth("by_level", "whether its places are levels; else checks", |w| w.by_level.into()),
            whole("values", "values that were measured", |w| w.series.present().count().into()),
            number(
                "usual",
                "see the column unit",
                "mean of the first values; empty where it is not charted",
                |w| w.chart.as_ref().map(|c| c.standard.centre).into(),
            ),
            number("scatter", "see the column unit", "standard deviation of one value", |w| {
                w.chart.as_ref().map(|c| c.standard.sigma).into()
            }),
            number(
                "average_off",
                "see the column unit",
                "distance of the weighted average from what is usual, now",
                |w| w.chart.as_ref().map(|_| w.away()).into(),
            ),
            number(
                "limit",
                "see the column unit",
                "largest such distance of a sound station",
                |w| w.chart.as_ref().and_then(|c| c.values.last()).map(|v| v.limit).into(),
            ),
            truth("drifts", "whether the average stands outside its limit", |w| w.out.into()),
            number("runs_into", "see the column unit", "value at which something happens", |w| {
                w.limit.as_ref().map(|l| l.bound.at).into()
            }),
            text("what_happens", "what happens there", |w| {
                Cell::from(w.limit.as_ref().map(|l| l.what.as_str()))
            }),
            text("course", "no_trend, step or slope", |w| match w.course {
                Course::NoTrend => "no_trend".into(),
                Course::Step { .. } => "step".into(),
                Course::Slope(_) => "slope".into(),
            }),
        ],
    )
}

/// A value: series, unit, place, entry, time, value, and the weighted average after it with its limits.
type Value = (String, String, usize, Option<(i64, i64)>, f64, Option<[f64; 3]>);

fn values(lot: &Lot) -> Made {
    let rows: Rows<Value> = line(lot).map(|line| {
        let mut rows = Vec::new();
        for w in &line.trends.series {
            let taken: &[Taken] = if w.by_level { &line.levels } else { &line.checks };
            for (place, value) in w.series.present() {
                let average = w.chart.as_ref().and_then(|chart| {
                    let k = w.charted.iter().position(|p| *p == place)?;
                    let (v, centre) = (chart.values.get(k)?, chart.standard.centre);
                    Some([v.average, centre - v.limit, centre + v.limit])
                });
                let entry = taken.get(place).map(|t| (t.number, t.time_us));
                rows.push((w.name.clone(), w.unit.clone(), place, entry, value, average));
            }
        }
        rows
    });
    made(
        rows,
        [
            text("series", "name of the series", |v| (&v.0).into()),
            text("unit", "unit of its figures", |v| (&v.1).into()),
            whole("place", "place among the checks (or levels), from 0", |v| v.2.into()),
            whole("entry", "entry of the check (or level) in the ledger", |v| {
                v.3.map(|(seq, _)| seq).into()
            }),
            time("at", "when it was entered", |v| at(v.3.map(|(_, us)| us))),
            number("value", "see the column unit", "the value", |v| v.4.into()),
            number("average", "see the column unit", "weighted average after it", |v| {
                v.5.map(|a| a[0]).into()
            }),
            number("average_low", "see the column unit", "its lower limit", |v| {
                v.5.map(|a| a[1]).into()
            }),
            number("average_high", "see the column unit", "its upper limit", |v| {
                v.5.map(|a| a[2]).into()
            }),
        ],
    )
}

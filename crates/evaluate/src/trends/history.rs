//! Series over the checks, split into what is common, what is a probe's and what is a beam's own.
//!
//! A probe that drifts takes all of its beams with it; told beam by beam that would be thirty findings and
//! no cause. So each beam's deviation from its own mean in control is split. The middle over a probe's
//! beams is the probe's, the middle over the probes the station's; a probe is then held against the middle
//! of the other probes, a beam against the middle of the other beams of its probe. (Against a middle that
//! it is part of, it would often be that middle: peaked values, and twice the false calls.)

use std::collections::BTreeSet;

use barwright_job::{
    Hash, Measures,
    measures::{ElementSensitivity, Quantity, rounded},
};
use serde::Serialize;

use crate::reading::median;

/// A check or level as the ledger keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Number of its entry.
    pub number: i64,
    /// When it was entered, in microseconds since 1970-01-01 UTC.
    pub time_us: i64,
    /// The same as a date for people.
    pub date: String,
    /// Level that was loaded; absent for a level itself.
    pub level: Option<Hash>,
    /// Whether it was good.
    pub good: bool,
    /// Its measures.
    pub measures: Measures,
}

/// What a series is about. Probes and beams count from 0.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// All probes together.
    Station,
    /// A probe against the others.
    Probe(u32),
    /// A beam against the others of its probe.
    Beam {
        /// The beam.
        beam: u32,
        /// Its probe.
        probe: u32,
    },
    /// A reflector of the reference bar.
    Reflector {
        /// Its mark.
        name: String,
        /// Probes that see it.
        probes: Vec<u32>,
    },
    /// A run of elements of a probe.
    Elements {
        /// The probe.
        probe: u32,
        /// First element.
        first: u32,
        /// Last element.
        last: u32,
    },
}

/// One series over the checks, or over the levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Series {
    /// What is measured.
    pub quantity: Quantity,
    /// What it is about.
    pub subject: Subject,
    /// The values, by place in the list of checks (or levels).
    pub values: Vec<Option<f64>>,
}

impl Series {
    /// Name to ask for it: `probe-3-wall`, `reflector-H1`, `noise`. Probes count from 1 as on all papers,
    /// beams from 0 as everywhere.
    #[must_use]
    pub fn name(&self) -> String {
        let what = match self.quantity {
            Quantity::WallHeight => "wall",
            Quantity::SurfaceHeight => "surface",
            Quantity::SurfaceDelay => "surface-time",
            Quantity::BeamGain => "gain",
            Quantity::BeamHeight => "height",
            Quantity::ReflectorHeight => "",
            Quantity::ReflectorReserve => "reserve",
            Quantity::ElementSensitivity => "elements",
            Quantity::Noise => "noise",
            Quantity::WaterTemperature => "water-temperature",
            Quantity::FalseCalls => "false-calls",
            Quantity::FoundShare => "found-share",
        };
        match &self.subject {
            Subject::Station if self.is_split() => format!("station-{what}"),
            Subject::Station => what.to_owned(),
            Subject::Probe(p) => format!("probe-{}-{what}", p + 1),
            Subject::Beam { beam, .. } => format!("beam-{beam}-{what}"),
            Subject::Reflector { name, .. } => format!("reflector-{name}"),
            Subject::Elements { probe, first, last } => {
                format!("probe-{}-elements-{first}-{last}", probe + 1)
            }
        }
    }

    /// Unit, with what a dB is relative to.
    #[must_use]
    pub fn unit(&self) -> String {
        match self.quantity {
            q if !self.is_split() => q.unit().to_owned(),
            Quantity::SurfaceDelay => "µs re the first checks".into(),
            Quantity::BeamGain | Quantity::BeamHeight => "dB re the first levels".into(),
            _ => "dB re the first checks".into(),
        }
    }

    /// Whether it is a part of a quantity by beam: then it is a deviation from its mean in control.
    #[must_use]
    pub fn is_split(&self) -> bool {
        matches!(
            self.quantity,
            Quantity::WallHeight
                | Quantity::SurfaceHeight
                | Quantity::SurfaceDelay
                | Quantity::BeamGain
                | Quantity::BeamHeight
        )
    }

    /// The values that are there, with their places.
    pub fn present(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.values.iter().enumerate().filter_map(|(i, v)| Some((i, (*v)?)))
    }
}

/// Fewest probes whose middle is what is common to all: of two, one that drifts would be half of it.
const FEWEST_PROBES: usize = 3;
/// Fewest beams of a probe whose middle is the probe's.
const FEWEST_BEAMS: usize = 3;

/// The parts of a quantity by beam: station, probes, beams; deviations from each beam's mean over its first
/// `reference` values. Beams with fewer than that many are left out.
#[must_use]
pub fn split(taken: &[Taken], quantity: Quantity, reference: usize) -> Vec<Series> {
    let Some(probes) = taken.iter().map(|t| &t.measures.probes).find(|p| !p.is_empty()) else {
        return Vec::new();
    };
    let values = |b: usize| taken.iter().map(move |t| t.measures.value(quantity, b));
    // [beam][check], in deviations.
    let mut beams: Vec<Option<Vec<Option<f64>>>> = (0..probes.len())
        .map(|b| {
            let first: Vec<f64> = values(b).flatten().take(reference).collect();
            let mean = first.iter().sum::<f64>() / reference as f64;
            (first.len() == reference).then(|| values(b).map(|v| v.map(|v| v - mean)).collect())
        })
        .collect();
    let numbers: BTreeSet<u32> = probes.iter().copied().collect();
    let own = |p: u32| (0..probes.len()).filter(move |&b| probes[b] == p);
    let mut of_probes: Vec<(u32, Vec<Option<f64>>)> = Vec::new();
    for &p in &numbers {
        let charted: Vec<usize> = own(p).filter(|&b| beams[b].is_some()).collect();
        let lists: Vec<Vec<Option<f64>>> =
            charted.iter().filter_map(|&b| beams[b].clone()).collect();
        // Half of the beams must speak for their probe.
        let middle = middle_of(&lists, None, charted.len().div_ceil(2));
        if charted.len() >= FEWEST_BEAMS {
            for (k, &b) in charted.iter().enumerate() {
                let others = middle_of(&lists, Some(k), charted.len() / 2);
                if let Some(list) = beams[b].as_mut() {
                    minus(list, &others);
                }
            }
        }
        if middle.iter().any(Option::is_some) {
            of_probes.push((p, middle));
        }
    }
    let mut out = Vec::new();
    if of_probes.len() >= FEWEST_PROBES {
        let lists: Vec<Vec<Option<f64>>> = of_probes.iter().map(|p| p.1.clone()).collect();
        let fewest = lists.len() / 2;
        for (k, (_, list)) in of_probes.iter_mut().enumerate() {
            minus(list, &middle_of(&lists, Some(k), fewest));
        }
        let common = middle_of(&lists, None, fewest + 1);
        out.push(Series { quantity, subject: Subject::Station, values: common });
    }
    let single: Vec<u32> =
        numbers.iter().copied().filter(|&p| own(p).count() < FEWEST_BEAMS).collect();
    out.extend(of_probes.into_iter().map(|(p, values)| Series {
        quantity,
        subject: Subject::Probe(p),
        values,
    }));
    out.extend(beams.into_iter().zip(0u32..).filter_map(|(values, beam)| {
        let probe = probes[beam as usize];
        // One or two beams are their probe.
        let values = values.filter(|_| !single.contains(&probe))?;
        Some(Series { quantity, subject: Subject::Beam { beam, probe }, values })
    }));
    let step = quantity.step() / 10.0;
    for s in &mut out {
        s.values.iter_mut().flatten().for_each(|v| *v = rounded(*v, step));
    }
    out
}

/// Middle of lists check by check, without one of them; absent where fewer than `fewest` have a value.
fn middle_of(
    lists: &[Vec<Option<f64>>],
    without: Option<usize>,
    fewest: usize,
) -> Vec<Option<f64>> {
    let n = lists.first().map_or(0, Vec::len);
    (0..n)
        .map(|i| {
            let others = lists.iter().enumerate().filter(|(k, _)| Some(*k) != without);
            let mut at: Vec<f64> = others.filter_map(|(_, list)| list[i]).collect();
            (!at.is_empty() && at.len() >= fewest).then(|| middle(&mut at))
        })
        .collect()
}

fn minus(list: &mut [Option<f64>], what: &[Option<f64>]) {
    for (v, w) in list.iter_mut().zip(what) {
        *v = v.zip(*w).map(|(v, w)| v - w);
    }
}

/// Median; of an even number the mean of the two in the middle, so that it has no step.
fn middle(values: &mut [f64]) -> f64 {
    let n = values.len();
    let upper = median(values);
    if n % 2 == 1 || n == 0 {
        return upper;
    }
    values.sort_unstable_by(f64::total_cmp);
    0.5 * (values[n / 2 - 1] + values[n / 2])
}

/// A quantity of the whole station.
#[must_use]
pub fn whole(taken: &[Taken], quantity: Quantity) -> Series {
    let values = taken.iter().map(|t| t.measures.value(quantity, 0)).collect();
    Series { quantity, subject: Subject::Station, values }
}

/// Height of every reflector, by its mark.
#[must_use]
pub fn reflectors(taken: &[Taken]) -> Vec<Series> {
    let names: BTreeSet<&str> =
        taken.iter().flat_map(|t| &t.measures.reflectors).map(|r| r.name.as_str()).collect();
    names
        .into_iter()
        .map(|name| {
            let at = |t: &Taken| t.measures.reflectors.iter().position(|r| r.name == name);
            let mut probes: Vec<u32> = taken
                .iter()
                .filter_map(|t| Some(&t.measures.reflectors[at(t)?].probes))
                .flatten()
                .copied()
                .collect();
            probes.sort_unstable();
            probes.dedup();
            Series {
                quantity: Quantity::ReflectorHeight,
                subject: Subject::Reflector { name: name.to_owned(), probes },
                values: taken
                    .iter()
                    .map(|t| t.measures.value(Quantity::ReflectorHeight, at(t)?))
                    .collect(),
            }
        })
        .collect()
}

/// Runs of elements that levels explained as weak, by run.
#[must_use]
pub fn elements(levels: &[Taken]) -> Vec<Series> {
    let runs: BTreeSet<(u32, u32, u32)> = levels
        .iter()
        .flat_map(|t| &t.measures.elements)
        .map(|e| (e.probe, e.first, e.last))
        .collect();
    runs.into_iter()
        .map(|(probe, first, last)| Series {
            quantity: Quantity::ElementSensitivity,
            subject: Subject::Elements { probe, first, last },
            values: levels
                .iter()
                .map(|t| {
                    let own = |e: &&ElementSensitivity| {
                        (e.probe, e.first, e.last) == (probe, first, last)
                    };
                    t.measures.elements.iter().find(own).map(|e| e.sensitivity_db)
                })
                .collect(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(values: impl Fn(usize, usize) -> f64, checks: usize) -> Vec<Taken> {
        (0..checks)
            .map(|i| {
                let probes: Vec<u32> = (0..24).map(|b| b / 6).collect();
                let mut measures = Measures { probes, ..Measures::default() };
                measures.keep(Quantity::WallHeight, (0..24).map(|b| Some(values(b, i))));
                let number = i as i64 + 1;
                Taken {
                    number,
                    time_us: number,
                    date: String::new(),
                    level: None,
                    good: true,
                    measures,
                }
            })
            .collect()
    }

    fn of(all: &[Series], name: &str) -> Vec<f64> {
        let s = all.iter().find(|s| s.name() == name).expect(name);
        s.values.iter().map(|v| v.expect("measured")).collect()
    }

    // Truth: closed form. What one probe loses is that probe's, what all lose is the station's, what one
    // beam loses is that beam's; levels of their own cancel.
    #[test]
    fn losses_go_to_what_lost() {
        let later = |i: usize| i.saturating_sub(4) as f64;
        let own = |b: usize| (b * 5 % 7) as f64;
        let all = split(
            &taken(
                |b, i| {
                    let probe = if b / 6 == 2 { -0.5 * later(i) } else { 0.0 };
                    let beam = if b == 3 { -0.25 * later(i) } else { 0.0 };
                    own(b) + probe + beam - 0.1 * later(i)
                },
                8,
            ),
            Quantity::WallHeight,
            4,
        );
        assert_eq!(all.len(), 1 + 4 + 24);
        let expect = |name: &str, per: f64| {
            for (i, v) in of(&all, name).into_iter().enumerate() {
                // Values are kept to 0.01, deviations to 0.001.
                assert!((v - per * later(i)).abs() < 0.002, "{name} {i}: {v}");
            }
        };
        expect("station-wall", -0.1);
        expect("probe-3-wall", -0.5);
        expect("probe-1-wall", 0.0);
        expect("beam-3-wall", -0.25);
        expect("beam-13-wall", 0.0);
    }

    // Truth: property. A station without three probes has nothing in common to be told from a probe's own.
    #[test]
    fn one_probe_is_told_for_itself() {
        let mut list = taken(|_, i| -(i as f64), 5);
        list.iter_mut().for_each(|t| t.measures.probes = vec![0; 24]);
        let all = split(&list, Quantity::WallHeight, 2);
        assert!(all.iter().all(|s| s.subject != Subject::Station));
        assert!((of(&all, "probe-1-wall")[4] + 3.5).abs() < 1e-9);
    }
}

//! Figures over a lot: errors with their quantiles, what was missed, what was called falsely.

use std::collections::BTreeSet;

use barwright_twin::LotKind;
use barwright_twin::reflector::Kind;
use serde::Serialize;

use super::{Case, Fate, Judged, Noise, Options};
use crate::truth::{FalseCall, Found};

/// What is asked for: place in the section and around, size of a disc, calls on sound steel.
const PLACE_MM: f64 = 1.0;
const AROUND_DEG: f64 = 3.0;
const DISC_DB: f64 = 2.0;
const FALSE_PER_100_M: f64 = 0.1;
/// Share of the flaws whose place and length must be as asked; those outside are listed, each by itself.
const MOST: f64 = 0.95;
/// Length: within this many mm, or this share of the true length.
const LENGTH_MM: f64 = 5.0;
const LENGTH_SHARE: f64 = 0.1;

/// One quantity with its errors over the lot.
#[derive(Debug, Clone, Serialize)]
pub struct Quantity {
    /// What it is.
    pub name: &'static str,
    /// Unit of the figures.
    pub unit: &'static str,
    /// How many flaws it is of.
    pub count: usize,
    /// Mean error with its sign, found less true; of distances their mean.
    pub mean: f64,
    /// Half of the errors are at most this.
    pub median: f64,
    /// Nine in ten are at most this.
    pub ninety: f64,
    /// The largest.
    pub worst: f64,
    /// Where the largest is.
    pub worst_at: String,
    /// What is asked for, in words; absent where nothing is.
    pub asked: Option<&'static str>,
    /// How many are inside what is asked for.
    pub inside: Option<usize>,
    /// Whether what is asked for is met.
    pub met: bool,
    /// Flaws outside of it.
    pub outside: Vec<String>,
}

/// Flaws by their fate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Tally {
    /// All of them.
    pub of: usize,
    /// With an indication of their own.
    pub found: usize,
    /// With a neighbour's only.
    pub with_neighbour: usize,
    /// Not called where the bar is listed as not inspected.
    pub not_inspected: usize,
    /// Missed.
    pub missed: usize,
}

/// Pairs of near flaws that both are high enough to be called.
#[derive(Debug, Clone, Copy, Default, Serialize)]
pub struct Pairs {
    /// Pairs of which at least one flaw was called and both are of the ordered size, in the proven zone.
    pub of: usize,
    /// Pairs of which each flaw has an indication of its own.
    pub apart: usize,
}

/// Figures over a lot.
#[derive(Debug, Clone, Serialize)]
pub struct Figures {
    /// Bars judged.
    pub bars: usize,
    /// Bars without a flaw.
    pub sound_bars: usize,
    /// Seed.
    pub seed: u64,
    /// Kind of lot.
    pub kind: LotKind,
    /// The station's noise.
    pub noise: Noise,
    /// Length screened in metres.
    pub length_m: f64,
    /// Errors.
    pub quantities: Vec<Quantity>,
    /// Flaws of the ordered size inside the proven zone.
    pub ordered: Tally,
    /// Flaws of the ordered size where the proof's margin is below nought or absent.
    pub ordered_unproven: Tally,
    /// Flaws smaller than ordered, or not asked for.
    pub smaller: Tally,
    /// Pairs that follow each other along the bar.
    pub pairs_along: Pairs,
    /// Pairs that lie beside each other in the section.
    pub pairs_across: Pairs,
    /// Flaws with more than one indication.
    pub split: usize,
    /// Flaws that only the gates of the other class called.
    pub other_class: usize,
    /// Sizes that are lower bounds, and left out.
    pub clipped: usize,
    /// Indications where nothing is, in 100 m.
    pub false_per_100_m: f64,
    /// Those of them that lie where a flaw does along the bar.
    pub false_beside_flaws: usize,
    /// The indications where nothing is.
    pub false_calls: Vec<FalseCall>,
    /// Whether everything asked for is met.
    pub met: bool,
    /// Every flaw.
    pub cases: Vec<Case>,
}

/// An error of a flaw, and whether it is inside what is asked for; absent for flaws without such an error.
type Error<'a> = &'a dyn Fn(&Case, &Found) -> Option<(f64, bool)>;

/// An error of one flaw.
struct Off {
    value: f64,
    inside: bool,
    name: String,
}

pub(super) fn figures(options: &Options, noise: Noise, judged: Vec<Judged>) -> Figures {
    let sound_bars = judged.iter().filter(|j| j.cases.is_empty()).count();
    let length_m: f64 = judged.iter().map(|j| j.length_m).sum();
    let pairs = [true, false].map(|along| pairs(&judged, along));
    let mut cases = Vec::new();
    let mut false_calls = Vec::new();
    for bar in judged {
        cases.extend(bar.cases);
        false_calls.extend(bar.false_calls);
    }
    let tally = |f: &dyn Fn(&Case) -> bool| tally(cases.iter().filter(|c| f(c)));
    let ordered = tally(&|c| c.ordered && c.proven());
    let ordered_unproven = tally(&|c| c.ordered && !c.proven());
    let smaller = tally(&|c| !c.ordered);
    let found = || cases.iter().filter_map(|c| c.compared.found.as_ref());
    let false_per_100_m =
        if length_m > 0.0 { false_calls.len() as f64 / length_m * 100.0 } else { 0.0 };
    let quantities = quantities(&cases);
    let met = quantities.iter().all(|q| q.met)
        && ordered.missed == 0
        && false_per_100_m < FALSE_PER_100_M;
    Figures {
        bars: options.bars,
        sound_bars,
        seed: options.seed,
        kind: options.kind,
        noise,
        length_m,
        quantities,
        ordered,
        ordered_unproven,
        smaller,
        pairs_along: pairs[0],
        pairs_across: pairs[1],
        split: found().filter(|f| f.letters.len() > 1).count(),
        other_class: found().filter(|f| !f.own_class).count(),
        clipped: found().filter(|f| f.at_least).count(),
        false_per_100_m,
        false_beside_flaws: false_calls.iter().filter(|c| c.beside_flaw).count(),
        false_calls,
        met,
        cases,
    }
}

fn tally<'a>(cases: impl Iterator<Item = &'a Case>) -> Tally {
    let mut t = Tally::default();
    for case in cases {
        t.of += 1;
        match case.fate {
            Fate::Found => t.found += 1,
            Fate::WithNeighbour => t.with_neighbour += 1,
            Fate::NotInspected => t.not_inspected += 1,
            Fate::Missed => t.missed += 1,
        }
    }
    t
}

/// Pairs of the ordered size: `along`, those with steel between them along the bar.
fn pairs(judged: &[Judged], along: bool) -> Pairs {
    let mut told = Pairs::default();
    for bar in judged {
        for &(a, b) in &bar.pairs {
            let (a, b) = (&bar.cases[a], &bar.cases[b]);
            let (s, t) = (&a.compared.truth, &b.compared.truth);
            let gap = s.from_m.max(t.from_m) > s.to_m.min(t.to_m);
            let counts = |c: &Case| c.ordered && c.proven() && !c.touches_lost;
            if gap != along || !counts(a) || !counts(b) {
                continue;
            }
            told.of += 1;
            told.apart += usize::from(a.fate == Fate::Found && b.fate == Fate::Found);
        }
    }
    told
}

/// Errors of flaws that have an indication of their class and are told from their neighbours; places, lengths and
/// sizes that lost coupling or missed cycles may have cut short are left out.
fn quantities(cases: &[Case]) -> Vec<Quantity> {
    // Bars and letters of indications that stand for a neighbour as well.
    let shared: BTreeSet<(&str, &str)> = cases
        .iter()
        .filter_map(|c| Some((c.compared.bar.as_str(), c.compared.told_with.as_deref()?)))
        .collect();
    let alone = |c: &Case, f: &Found| {
        f.letters.iter().all(|l| !shared.contains(&(c.compared.bar.as_str(), l.as_str())))
    };
    let clear: Vec<(&Case, &Found)> = cases
        .iter()
        .filter(|c| !c.touches_lost)
        .filter_map(|c| Some((c, c.compared.found.as_ref()?)))
        .filter(|(c, f)| f.own_class && alone(c, f))
        .collect();
    let list = |value: Error<'_>| -> Vec<Off> {
        clear
            .iter()
            .filter_map(|(c, f)| {
                value(c, f).map(|(value, inside)| Off { value, inside, name: name(c) })
            })
            .collect()
    };
    let is_crack = |c: &Case| matches!(c.compared.truth.kind, Kind::Crack { .. });
    let is_disc = |c: &Case| matches!(c.compared.truth.kind, Kind::Disc { .. });
    let place = list(&|c, f| (!is_crack(c)).then_some((f.across_mm, f.across_mm <= PLACE_MM)));
    let around = list(&|c, f| is_crack(c).then_some((f.around_deg, f.around_deg <= AROUND_DEG)));
    let along = list(&|_, f| Some((f.along_mm, true)));
    let length = list(&|c, f| {
        let true_mm = (c.compared.truth.to_m - c.compared.truth.from_m) * 1e3;
        let error = f.length_error_mm;
        let inside = error.abs() <= LENGTH_MM.max(LENGTH_SHARE * true_mm);
        (!is_disc(c)).then_some((error, inside))
    });
    let size = |c: &Case, f: &Found| {
        f.size_error_db.filter(|_| !f.at_least && (is_crack(c) || f.beams >= 2))
    };
    let disc = list(&|c, f| size(c, f).filter(|_| is_disc(c)).map(|db| (db, db.abs() <= DISC_DB)));
    let crack = list(&|c, f| size(c, f).filter(|_| is_crack(c)).map(|db| (db, true)));
    vec![
        quantity(
            "place in the section, flaws of the volume",
            "mm",
            place,
            Some("1 mm, 95 %"),
            MOST,
        ),
        quantity("place around, cracks", "°", around, Some("3°, 95 %"), MOST),
        quantity("place along the bar, middles", "mm", along, None, 0.0),
        quantity("length, cracks and pipes", "mm", length, Some("5 mm or 10 %, 95 %"), MOST),
        quantity("equivalent disc, two beams or more", "dB", disc, Some("2 dB, 90 %"), 0.9),
        quantity("crack depth", "dB", crack, None, 0.0),
    ]
}

fn name(case: &Case) -> String {
    let c = &case.compared;
    let letter = c.found.as_ref().and_then(|f| f.letters.first()).map_or("", String::as_str);
    let middle_mm = c.truth.from_m.midpoint(c.truth.to_m) * 1e3;
    format!("bar {} {letter}: {} at {middle_mm:.0} mm", c.bar, c.flaw)
}

/// `share`: of the errors that must be inside what is asked for. Nothing to compare meets nothing that is
/// asked for badly: a lot without such flaws says nothing.
fn quantity(
    name: &'static str,
    unit: &'static str,
    mut list: Vec<Off>,
    asked: Option<&'static str>,
    share: f64,
) -> Quantity {
    let count = list.len();
    // The sum of nothing is -0.
    let mean = (list.iter().map(|o| o.value).sum::<f64>() + 0.0) / count.max(1) as f64;
    list.sort_by(|a, b| a.value.abs().total_cmp(&b.value.abs()));
    // The smallest error that so many of them do not exceed.
    let rank = |q: f64| {
        let rank = (q * count as f64 - 1e-9).ceil().max(1.0) as usize;
        list.get(rank - 1).map_or(0.0, |o| o.value.abs())
    };
    let inside = list.iter().filter(|o| o.inside).count();
    let told = |o: &Off| format!("{} ({:+.2} {unit})", o.name, o.value);
    Quantity {
        name,
        unit,
        count,
        mean,
        median: rank(0.5),
        ninety: rank(0.9),
        worst: rank(1.0),
        worst_at: list.last().map(told).unwrap_or_default(),
        asked,
        inside: asked.map(|_| inside),
        met: inside as f64 >= share * count as f64 - 1e-9,
        outside: list.iter().rev().filter(|o| !o.inside).map(told).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: by hand.
    #[test]
    fn quantiles_are_the_errors_that_so_many_do_not_exceed() {
        let errors = |n: i32, limit: f64| -> Vec<Off> {
            (1..=n)
                .map(|i| f64::from(if i % 2 == 0 { -i } else { i }))
                .map(|value| Off { value, inside: value.abs() <= limit, name: String::new() })
                .collect()
        };
        let q = quantity("x", "mm", errors(10, 9.0), Some("9, 90 %"), 0.9);
        assert_eq!((q.count, q.median, q.ninety, q.worst), (10, 5.0, 9.0, 10.0));
        assert_eq!((q.mean, q.inside, q.met), (-0.5, Some(9), true));
        assert_eq!(q.outside.len(), 1);
        assert!(!quantity("x", "mm", errors(10, 8.0), Some("8, 90 %"), 0.9).met);
        assert!(!quantity("x", "mm", errors(10, 9.0), Some("9, all"), 1.0).met);
        let none = quantity("x", "mm", Vec::new(), Some("9, all"), 1.0);
        assert_eq!((none.count, none.worst, none.met), (0, 0.0, true));
        assert!(none.mean.is_sign_positive());
    }
}

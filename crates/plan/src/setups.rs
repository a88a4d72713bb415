//! Which ring and which water path: every ring that serves the order is planned by itself, and the flat
//! arrays of a ring at several stands within their travel. The fastest line wins, then the one that covers
//! more than is ordered by most.

use barwright_job::{Order, Rules, Station, technique::Other};

use crate::bench::Bench;
use crate::error::{PlanError, Result};
use crate::layout::Layout;
use crate::ring;
use crate::search::Effort;
use crate::technique::{Draft, draft};
use crate::watch::PlanWatch;
use crate::{explain, limits};

/// Speeds that differ by less than this share are alike: the firing order's rounding.
const ALIKE: f64 = 1e-3;

/// Layouts of each kind that are tried again at further stands: beside the one taken so many that serve and
/// so many that nearly do.
const NEAREST: (usize, usize) = (3, 2);
/// Share of the best speed that the nearest stand of a ring must reach for its further ones to be weighed: a
/// longer water path makes every record longer, and what it may win by late echoes that miss the gates is less.
const NEAR: f64 = 0.7;

/// All rings that serve an order, each at all its stands, the nearest stand first.
///
/// # Errors
/// No ring serves the size, or none of those that do can be used at all: the first reason.
pub(crate) fn benches<'a>(
    order: &'a Order,
    station: &'a Station,
    rules: &Rules,
    watch: PlanWatch<'a>,
) -> Result<Vec<Bench<'a>>> {
    let mut all = Vec::new();
    let mut refusal = None;
    for ring in ring::serving(order, station)? {
        match Bench::on(order, station, rules, ring) {
            Ok(bench) => {
                let bench = Bench { watch, ..bench };
                let further: Vec<Bench<'a>> =
                    bench.stand.others_m().into_iter().map(|m| bench.drawn(m)).collect();
                all.push(bench);
                all.extend(further);
            }
            Err(e) => {
                refusal.get_or_insert(e);
            }
        }
    }
    match refusal {
        Some(e) if all.is_empty() => Err(e),
        _ => Ok(all),
    }
}

/// The ring and stand that were taken, with their plan, and all that were weighed.
pub(crate) struct Chosen<'a> {
    pub bench: &'a Bench<'a>,
    pub draft: Draft<'a>,
    pub tried: Vec<Tried>,
}

/// A ring at a stand, and what became of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    /// Name of the ring.
    pub ring: String,
    /// Its shortest water path in m at the stand, where that can be chosen.
    pub path_m: Option<f64>,
    /// Line speed in m/s and number of beams, or the rule that stopped it.
    pub outcome: std::result::Result<(f64, usize), String>,
    /// Whether it was taken.
    pub taken: bool,
}

/// Plans all rings and stands and takes the best.
///
/// The nearest stand of a ring is searched in full, the others among the layouts that did well there, and not
/// where the line already runs as fast as the station lets it.
///
/// # Errors
/// The first refusal where none serves.
pub(crate) fn best<'a>(benches: &'a [Bench<'a>]) -> Result<Chosen<'a>> {
    let mut tried: Vec<Tried> = Vec::new();
    let mut best: Option<(usize, Draft<'a>)> = None;
    let mut refusal: Option<PlanError> = None;
    let mut only: Option<Vec<Layout>> = None;
    let mut near_m_s = None;
    for (number, bench) in benches.iter().enumerate() {
        let nearest = bench.stand.at_m.is_none_or(|at| at <= bench.stand.nearest_m);
        if nearest {
            (only, near_m_s) = (None, None);
        } else if best.as_ref().is_some_and(|(_, taken)| {
            taken.speed.station_binds || near_m_s.is_some_and(|v| v < NEAR * taken.speed.line_m_s)
        }) {
            continue;
        }
        let floor_m_s = best.as_ref().map_or(0.0, |(_, d)| d.speed.line_m_s);
        let effort = Effort { only: only.clone(), floor_m_s, coarse: !nearest };
        let mut first = draft(bench, &effort);
        // What a first look promises is held against the fine places only where it would be taken.
        if let (false, Ok(promised)) = (nearest, &first)
            && best.as_ref().is_none_or(|(_, taken)| better(promised, taken))
        {
            let only = Some(promised.kinds.iter().map(|k| k.layout).collect());
            first = draft(bench, &Effort { only, floor_m_s, coarse: false });
        }
        let outcome = match first {
            Ok(draft) => {
                if nearest {
                    near_m_s = Some(draft.speed.line_m_s);
                    only = Some(explain::nearest(&draft.kinds, &draft.weighed, NEAREST));
                }
                let outcome = (draft.speed.line_m_s, draft.all.len());
                if best.as_ref().is_none_or(|(_, taken)| better(&draft, taken)) {
                    best = Some((number, draft));
                }
                Ok(outcome)
            }
            Err(PlanError::NoTechnique { rule, figure, cure }) => {
                let words = format!("{rule}: {figure}");
                refusal.get_or_insert(PlanError::NoTechnique { rule, figure, cure });
                Err(words)
            }
            Err(other) => return Err(other),
        };
        tried.push(Tried {
            ring: bench.ring.name.clone(),
            path_m: bench.stand.at_m.and_then(|_| limits::water_path_m(bench)),
            outcome,
            taken: false,
        });
    }
    match (best, refusal) {
        (Some((number, draft)), _) => {
            tried[number].taken = true;
            Ok(Chosen { bench: &benches[number], draft, tried })
        }
        (None, Some(refusal)) => Err(refusal),
        (None, None) => Err(PlanError::rule("ring", "no ring serves the order", "add a ring")),
    }
}

/// Faster; or as fast and with more coverage in hand.
fn better(new: &Draft<'_>, taken: &Draft<'_>) -> bool {
    let (a, b) = (new.speed.line_m_s, taken.speed.line_m_s);
    if (a - b).abs() > ALIKE * b {
        return a > b;
    }
    let in_hand = |d: &Draft<'_>| {
        d.kinds.iter().map(|k| k.covered.worst - k.covered.ordered).fold(1.0, f64::min)
    };
    in_hand(new) > in_hand(taken) + 1e-6
}

/// Rings and stands that were not taken, as other techniques: of the stands of the ring taken only the
/// fastest, since the rule on the water path names them all.
pub(crate) fn others(tried: &[Tried]) -> Vec<Other> {
    let Some(taken) = tried.iter().find(|t| t.taken) else { return Vec::new() };
    let speed = |t: &Tried| t.outcome.as_ref().map_or(0.0, |o| o.0);
    let mut told: Vec<&Tried> = Vec::new();
    for t in tried.iter().filter(|t| !t.taken) {
        match told.iter_mut().find(|o| o.ring == t.ring) {
            Some(o) if speed(o) < speed(t) => *o = t,
            Some(_) => {}
            None => told.push(t),
        }
    }
    told.into_iter()
        .map(|t| {
            let path =
                t.path_m.map_or(String::new(), |m| format!(", water path {:.1} mm", m * 1e3));
            let words = format!("on ring {}{path}", t.ring);
            match &t.outcome {
                Ok((line_m_s, beams)) => Other {
                    words,
                    beams: *beams as u32,
                    line_speed_m_s: Some(*line_m_s),
                    why_not: if *line_m_s < speed(taken) * (1.0 - ALIKE) {
                        "slower, planned by itself with both kinds of beams".to_owned()
                    } else {
                        "as fast, with less coverage in hand".to_owned()
                    },
                },
                Err(rule) => Other { words, beams: 0, line_speed_m_s: None, why_not: rule.clone() },
            }
        })
        .collect()
}

//! What the rules say of each indication: its class by size in its zone, and the limits of length,
//! number and distance that flaws of the class must keep.
//!
//! Indications that the rules take as one are judged as one, as large as the largest and as long as
//! all. Where a flaw may lie in one of two zones, for the uncertainty of its place, the harder one
//! decides. Beyond a limit on number or distance the consequence falls on every flaw concerned.

use barwright_job::{
    Rules,
    judgement::{Indication, Reason},
    proof::FlawClass,
    rules::{
        tables::{Band, Limited, Table},
        zones::{Action, Extent},
    },
};

use crate::measure::Measured;

/// What follows from flaws that are judged as one.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ruling {
    /// The indications, by their place in the list.
    pub members: Vec<usize>,
    /// The hardest of what follows.
    pub action: Action,
    /// Why, the class first.
    pub reasons: Vec<Reason>,
}

/// One or several indications judged as one.
struct Unit {
    members: Vec<usize>,
    class: FlawClass,
    extent: Extent,
    size_m: f64,
    clipped: bool,
    from_m: f64,
    to_m: f64,
    /// Depths at which it may lie.
    depth_m: (f64, f64),
}

/// Rules on every indication that is not a ghost.
pub(crate) fn rule(measured: &[Measured], rules: &Rules, tables: &[Table]) -> Vec<Ruling> {
    let units = units(measured, rules);
    let mut rulings = Vec::with_capacity(units.len());
    let mut falls: Vec<Option<(usize, usize)>> = Vec::with_capacity(units.len());
    for unit in &units {
        let found = band_of(unit, tables);
        falls.push(found);
        rulings.push(by_size(unit, measured, found.map(|(t, b)| &tables[t].bands[b]), rules));
    }
    for (t, table) in tables.iter().enumerate() {
        for (b, band) in table.bands.iter().enumerate() {
            let here: Vec<usize> = (0..units.len()).filter(|&u| falls[u] == Some((t, b))).collect();
            limit(&units, &here, band, measured, &mut rulings);
        }
    }
    rulings
}

/// Indications taken together as the rules ask, along the bar.
fn units(measured: &[Measured], rules: &Rules) -> Vec<Unit> {
    let factor = rules.guard.map_or(1.0, |g| 10f64.powf(g.height_db / 20.0));
    let mut units: Vec<Unit> = Vec::new();
    for (k, m) in measured.iter().enumerate().filter(|(_, m)| m.indication.ghost.is_none()) {
        let i = &m.indication;
        let size_m = match i.class {
            // The disc's diameter goes with the root of its echo, the crack's depth with the echo.
            FlawClass::Disc => i.size_m * factor.sqrt(),
            FlawClass::Crack => i.size_m * factor,
        };
        let joined = rules.grouping.and_then(|g| {
            units.iter().rposition(|u| {
                u.class == i.class
                    && i.from_m - u.to_m <= g.within_mm / 1e3
                    && u.members.iter().any(|&o| {
                        measured[o].indication.place.distance(i.place) <= g.section_mm / 1e3
                    })
            })
        });
        let about = (i.depth_m - i.place_uncertainty_m, i.depth_m + i.place_uncertainty_m);
        match joined.map(|u| &mut units[u]) {
            Some(unit) => {
                unit.members.push(k);
                unit.extent = Extent::Extended;
                unit.size_m = unit.size_m.max(size_m);
                unit.clipped |= i.clipped;
                unit.to_m = unit.to_m.max(i.to_m);
                unit.depth_m = (unit.depth_m.0.min(about.0), unit.depth_m.1.max(about.1));
            }
            None => units.push(Unit {
                members: vec![k],
                class: i.class,
                extent: i.extent.unwrap_or(Extent::Extended),
                size_m,
                clipped: i.clipped,
                from_m: i.from_m,
                to_m: i.to_m,
                depth_m: about,
            }),
        }
    }
    units
}

/// Table and band into which a unit falls: the hardest of those it may fall into.
fn band_of(unit: &Unit, tables: &[Table]) -> Option<(usize, usize)> {
    tables
        .iter()
        .enumerate()
        .filter(|(_, t)| {
            t.class == unit.class
                && t.extent.is_none_or(|e| e == unit.extent)
                && (t.class == FlawClass::Crack
                    || (t.from_m <= unit.depth_m.1 && unit.depth_m.0.max(0.0) <= t.to_m))
        })
        .filter_map(|(i, t)| {
            let b = t.bands.iter().position(|b| unit.size_m <= b.up_to_m)?;
            Some((i, b))
        })
        // The first of equally hard ones, that is the one nearest to the surface as written.
        .min_by_key(|&(i, b)| std::cmp::Reverse(tables[i].bands[b].action))
}

/// The class by size.
fn by_size(unit: &Unit, measured: &[Measured], band: Option<&Band>, rules: &Rules) -> Ruling {
    let letters = letters(unit, measured);
    let reason = |clause: &str, statement: String| Reason {
        clause: clause.into(),
        statement,
        indications: letters.clone(),
    };
    let what = match unit.class {
        FlawClass::Disc => "equivalent disc",
        FlawClass::Crack => "equivalent crack depth",
    };
    let size_mm = unit.size_m * 1e3;
    let Some(band) = band else {
        let statement = format!("{what} {size_mm:.2} mm, but no zone of the rules speaks of it");
        return Ruling {
            members: unit.members.clone(),
            action: Action::Hold,
            reasons: vec![reason("zone", statement)],
        };
    };
    let bound = if unit.clipped { "at least " } else { "" };
    let guard = rules
        .guard
        .filter(|g| g.height_db > 0.0)
        .map_or_else(String::new, |g| format!(" (with {:.1} dB on the safe side)", g.height_db));
    let over_mm = band.over_m * 1e3;
    let follows = match band.action {
        Action::Accept if band.up_to_m.is_finite() => {
            format!("within {:.2} mm", band.up_to_m * 1e3)
        }
        Action::Accept => "accepted at any size".into(),
        Action::Crop | Action::Hold => format!("allowed are {over_mm:.2} mm"),
        Action::Reject => format!("the bar is rejected above {over_mm:.2} mm"),
    };
    // A size just over its bound must not read like one within it.
    let looks_within = format!("{size_mm:.2}") == format!("{over_mm:.2}");
    let size = if looks_within { format!("{size_mm:.4}") } else { format!("{size_mm:.2}") };
    let mut reasons =
        vec![reason(&band.clause, format!("{what} {bound}{size} mm{guard}, {follows}"))];
    let mut action = band.action;
    if unit.members.len() > 1 {
        reasons.push(reason(
            "grouping",
            format!(
                "{} indications judged as one, {:.0} mm long",
                unit.members.len(),
                (unit.to_m - unit.from_m) * 1e3
            ),
        ));
    }
    if unit.clipped && action == Action::Accept {
        action = Action::Hold;
        let statement = "the echo was clipped, so that it may be larger than allowed";
        reasons.push(reason(&band.clause, statement.into()));
    }
    Ruling { members: unit.members.clone(), action, reasons }
}

/// The limits of a class, over the units that fall into it (along the bar).
fn limit(
    units: &[Unit],
    here: &[usize],
    band: &Band,
    measured: &[Measured],
    rulings: &mut [Ruling],
) {
    for l in &band.limits {
        let mut break_it = |who: &[usize], statement: String| {
            for &u in who {
                rulings[u].action = rulings[u].action.max(l.beyond);
            }
            // A finding on several is told once, with all their letters.
            if let Some(&first) = who.first() {
                rulings[first].reasons.push(Reason {
                    clause: l.clause.clone(),
                    statement,
                    indications: who.iter().flat_map(|&u| letters(&units[u], measured)).collect(),
                });
            }
        };
        match l.what {
            Limited::Length(most) => {
                for &u in here {
                    let length = units[u].to_m - units[u].from_m;
                    if length > most {
                        let (length, most) = (length * 1e3, most * 1e3);
                        break_it(&[u], format!("length {length:.0} mm, allowed are {most:.0} mm"));
                    }
                }
            }
            Limited::PerBar(most) => {
                if here.len() > most as usize {
                    break_it(here, format!("{} in the bar, allowed are {most}", here.len()));
                }
            }
            Limited::PerMetre(most) => {
                let crowd = crowded(units, here, most as usize);
                if !crowd.is_empty() {
                    let statement = format!(
                        "{} flaws, of which more than {most} lie within a metre",
                        crowd.len()
                    );
                    break_it(&crowd, statement);
                }
            }
            Limited::Apart(least) => {
                for pair in here.windows(2) {
                    let apart = units[pair[1]].from_m - units[pair[0]].to_m;
                    if apart < least {
                        let (apart, least) = (apart.max(0.0) * 1e3, least * 1e3);
                        break_it(
                            pair,
                            format!("{apart:.0} mm apart, at least {least:.0} mm are asked for"),
                        );
                    }
                }
            }
        }
    }
}

/// Units that lie with more than `most` of their like within a metre.
fn crowded(units: &[Unit], here: &[usize], most: usize) -> Vec<usize> {
    let middle = |u: usize| 0.5 * (units[u].from_m + units[u].to_m);
    let mut order = here.to_vec();
    order.sort_by(|&a, &b| middle(a).total_cmp(&middle(b)));
    let mut out: Vec<usize> = Vec::new();
    let mut last = 0;
    for first in 0..order.len() {
        while last < order.len() && middle(order[last]) - middle(order[first]) <= 1.0 {
            last += 1;
        }
        if last - first > most {
            out.extend(
                order[first..last].iter().filter(|u| !out.contains(u)).copied().collect::<Vec<_>>(),
            );
        }
    }
    out
}

fn letters(unit: &Unit, measured: &[Measured]) -> Vec<String> {
    let letter = |&m: &usize| measured[m].indication.letter.clone();
    unit.members.iter().map(letter).collect()
}

/// The words for an indication that another one explains.
pub(crate) fn ghost_reason(i: &Indication) -> Option<Reason> {
    let ghost = i.ghost.as_ref()?;
    let of = if ghost.of.is_empty() { String::new() } else { format!(" from {}", ghost.of) };
    let height = ghost.height_db.map_or_else(String::new, |db| format!(", {:.1} dB below it", -db));
    Some(Reason {
        clause: "ghost".into(),
        statement: format!(
            "{}{of}, predicted to {:.2} µs{height}: no flaw of its own, not counted",
            ghost.path.words(),
            ghost.off_s * 1e6
        ),
        indications: vec![i.letter.clone()],
    })
}

//! Why a technique is as fast as it is: what else was weighed, and what a change would buy.

use std::sync::Arc;

use barwright_job::{
    Order, Rules, Station,
    order::SectionSpec,
    station::Array,
    technique::{Beam, Change, Other},
};
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::error::{PlanError, Result};
use crate::layout::Layout;
use crate::search::{Effort, Found, Weighed};
use crate::technique::{Speed, draft};

/// How many other techniques are told.
const TOLD: usize = 6;
/// One decibel more of echo is a disc larger by this factor: its echo grows with its area.
const ONE_DB_DISC: f64 = 1.059_253_725_177_288_8;
/// And a crack deeper by this one.
const ONE_DB_CRACK: f64 = 1.122_018_454_301_963_3;

/// Layouts that were weighed and not taken, the fastest first.
pub(crate) fn others(bench: &Bench<'_>, kinds: &[Found<'_>], weighed: &[Weighed]) -> Vec<Other> {
    let mut rest: Vec<&Weighed> =
        weighed.iter().filter(|w| kinds.iter().all(|k| k.layout != w.layout)).collect();
    rest.sort_by(|a, b| {
        b.spacing_m
            .is_some()
            .cmp(&a.spacing_m.is_some())
            .then((b.covered > 0.0).cmp(&(a.covered > 0.0)))
            .then(b.speed_m_s.total_cmp(&a.speed_m_s))
    });
    let most = bench.station.line.max_speed_m_s;
    rest.into_iter()
        .take(TOLD)
        .map(|w| {
            let speed = w.speed_m_s.min(most);
            Other {
                words: w.layout.words(),
                beams: w.beams as u32,
                line_speed_m_s: w.spacing_m.map(|_| speed),
                why_not: match w.spacing_m {
                    Some(spacing) => format!(
                        "slower: {} beams, {:.2} mm between pulses for the ordered coverage",
                        w.beams,
                        spacing * 1e3
                    ),
                    None => w.rule.clone(),
                },
            }
        })
        .collect()
}

/// The layouts that a change of order or station may bring to the fore: those taken, the fastest others and
/// those that nearly cover what is ordered.
pub(crate) fn nearest(kinds: &[Found<'_>], weighed: &[Weighed]) -> Vec<Layout> {
    let mut layouts: Vec<Layout> = kinds.iter().map(|k| k.layout).collect();
    for mode in [Mode::L, Mode::S] {
        let mut of_mode: Vec<&Weighed> =
            weighed.iter().filter(|w| w.layout.mode == mode && w.covered > 0.0).collect();
        of_mode.sort_by(|a, b| b.speed_m_s.total_cmp(&a.speed_m_s));
        layouts.extend(of_mode.iter().filter(|w| w.spacing_m.is_some()).take(2).map(|w| w.layout));
        of_mode.sort_by(|a, b| b.covered.total_cmp(&a.covered));
        layouts.extend(of_mode.iter().filter(|w| w.spacing_m.is_none()).take(3).map(|w| w.layout));
    }
    layouts
}

/// What one decibel, one millimetre and one probe more would buy, by the nearest layouts.
pub(crate) fn changes(
    bench: &Bench<'_>,
    rules: &Rules,
    nearest: &[Layout],
    speed: &Speed,
) -> Vec<Change> {
    let (order, station) = (bench.order, bench.station);
    let effort = Effort::Only(nearest.to_vec());
    let speed_of = |order: &Order, station: &Station| -> Result<(f64, String)> {
        let bars = Arc::clone(&bench.bars);
        let bench = Bench { bars, ..Bench::new(order, station, rules)? };
        let draft = draft(&bench, &effort)?;
        Ok((draft.speed.line_m_s, limit_words(&draft.all, &draft.speed)))
    };
    let mut changes = Vec::new();
    let mut add = |words: String, order: &Order, station: &Station| {
        let (line_speed_m_s, limit) = match speed_of(order, station) {
            Ok((v, limit)) => (Some(v), limit),
            Err(PlanError::NoTechnique { rule, figure, .. }) => (None, format!("{rule}: {figure}")),
            Err(other) => (None, other.to_string()),
        };
        changes.push(Change { words, line_speed_m_s, limit });
    };
    let mut easier = order.clone();
    easier.flaws.disc.diameter_mm *= ONE_DB_DISC;
    if let Some(crack) = &mut easier.flaws.crack {
        crack.depth_mm *= ONE_DB_CRACK;
    }
    add("flaws larger by one decibel of echo".into(), &easier, station);
    let mut longer = order.clone();
    longer.flaws.shortest_mm += 1.0;
    add("shortest flaw one millimetre longer".into(), &longer, station);
    if let SectionSpec::Round(_) = order.section
        && station.line.centring_mm > 0.0
    {
        let mut held = station.clone();
        held.line.centring_mm /= 2.0;
        add(format!("bar held within {} mm of the centre", held.line.centring_mm), order, &held);
    }
    if let Some(more) = one_probe_more(order, station) {
        add("one probe more around the ring".into(), order, &more);
    }
    if speed.station_binds {
        let mut faster = station.clone();
        faster.line.max_speed_m_s *= 2.0;
        add("a line that runs twice as fast".into(), order, &faster);
    }
    changes
}

/// The station with one probe more on the ring that serves the order, if it fits around.
fn one_probe_more(order: &Order, station: &Station) -> Option<Station> {
    // Four faces have four probes.
    if !matches!(order.section, SectionSpec::Round(_)) {
        return None;
    }
    let ring = crate::ring::choose(order, station).ok()?;
    let index = station.rings.iter().position(|r| r.name == ring.name)?;
    let mut more = station.clone();
    let ring = more.rings.get_mut(index)?;
    ring.probes += 1;
    if let Array::Arc(arc) = ring.array {
        let around = f64::from(ring.probes) * f64::from(arc.elements) * arc.pitch_mm;
        if around > std::f64::consts::TAU * arc.radius_mm {
            return None;
        }
    }
    Some(more)
}

fn limit_words(all: &[Beam], speed: &Speed) -> String {
    if speed.station_binds {
        return "highest line speed of the station".to_owned();
    }
    let count = |mode| all.iter().filter(|b| b.mode == mode).count();
    format!(
        "{} longitudinal and {} shear beams, {:.2} mm between pulses",
        count(Mode::L),
        count(Mode::S),
        speed.spacing_m * 1e3
    )
}

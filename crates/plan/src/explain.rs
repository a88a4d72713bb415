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

/// Speeds of weighed layouts as those of whole techniques in m/s: with the beams of the other kind that were
/// taken, at their rhythm.
pub(crate) fn in_m_s(weighed: &mut [Weighed], kinds: &[Found<'_>], speed: &Speed) {
    for kind in kinds {
        let mode = kind.layout.mode;
        let other = kinds.iter().find(|k| k.layout.mode != mode);
        let other_m = other.map_or(f64::INFINITY, |k| k.spacing_m);
        // No pulses lie further apart than the other kind's; what serves at none keeps its estimate.
        let rate = |w: &Weighed| match w.spacing_m {
            Some(own_m) if own_m > 0.0 => w.speed_m_s * own_m.min(other_m) / own_m,
            _ => w.speed_m_s,
        };
        let taken = weighed.iter().find(|w| w.layout == kind.layout).map(rate);
        let scale = taken.filter(|rate| *rate > 0.0).map_or(0.0, |rate| speed.possible_m_s / rate);
        for w in weighed.iter_mut().filter(|w| w.layout.mode == mode) {
            w.speed_m_s = rate(w) * scale;
        }
    }
}

/// Layouts that were weighed and not taken, the fastest first.
pub(crate) fn others(
    bench: &Bench<'_>,
    kinds: &[Found<'_>],
    weighed: &[Weighed],
    speed: &Speed,
) -> Vec<Other> {
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
    let beside = |w: &Weighed| {
        let name = if w.layout.mode == Mode::L { "shear" } else { "longitudinal" };
        let other = kinds.iter().find(|k| k.layout.mode != w.layout.mode);
        other.map_or(String::new(), |k| format!(" beside the {} {name} ones", k.beams.len()))
    };
    let taken_m_s = speed.line_m_s;
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
                        "{}: {} beams{}, {:.2} mm between pulses for the ordered coverage",
                        if w.speed_m_s < 0.999 * taken_m_s {
                            "slower by estimate"
                        } else {
                            "as fast"
                        },
                        w.beams,
                        beside(w),
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
///
/// `(serving, failing)`: of each kind, beside those taken, so many that serve and so many that nearly do.
pub(crate) fn nearest(
    kinds: &[Found<'_>],
    weighed: &[Weighed],
    (serving, failing): (usize, usize),
) -> Vec<Layout> {
    let mut layouts: Vec<Layout> = kinds.iter().map(|k| k.layout).collect();
    for mode in [Mode::L, Mode::S] {
        let mut of_mode: Vec<&Weighed> =
            weighed.iter().filter(|w| w.layout.mode == mode && w.covered > 0.0).collect();
        of_mode.sort_by(|a, b| b.speed_m_s.total_cmp(&a.speed_m_s));
        layouts.extend(
            of_mode.iter().filter(|w| w.spacing_m.is_some()).take(serving + 1).map(|w| w.layout),
        );
        of_mode.sort_by(|a, b| b.nearness.total_cmp(&a.nearness));
        layouts.extend(
            of_mode.iter().filter(|w| w.spacing_m.is_none()).take(failing).map(|w| w.layout),
        );
    }
    let mut distinct: Vec<Layout> = Vec::new();
    for layout in layouts {
        if !distinct.contains(&layout) {
            distinct.push(layout);
        }
    }
    distinct
}

/// What one decibel, one millimetre and one probe more would buy, on the ring and with the water path that
/// were taken: by the nearest layouts, and where none of these serves by a search of its own.
pub(crate) fn changes(
    bench: &Bench<'_>,
    rules: &Rules,
    nearest: &[Layout],
    speed: &Speed,
) -> Vec<Change> {
    let (order, station) = (bench.order, bench.station);
    let speed_of = |order: &Order, station: &Station| -> Result<(f64, String)> {
        let ring = station.rings.iter().find(|r| r.name == bench.ring.name).unwrap_or(bench.ring);
        let bars = Arc::clone(&bench.bars);
        let mut changed =
            Bench { bars, watch: bench.watch, ..Bench::on(order, station, rules, ring)? };
        // A changed order may ask for a longer water path than was taken.
        if let (Some(own_m), Some(taken_m)) = (changed.stand.at_m, bench.stand.at_m)
            && taken_m > own_m
        {
            changed = changed.drawn(taken_m);
        }
        let few = Effort { only: Some(nearest.to_vec()), ..Effort::default() };
        let draft = match draft(&changed, &few) {
            Err(PlanError::NoTechnique { .. }) => draft(&changed, &Effort::default())?,
            other => other?,
        };
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
    if speed.station_binds {
        let mut faster = station.clone();
        faster.line.max_speed_m_s *= 2.0;
        add("a line that runs twice as fast".into(), order, &faster);
    }
    let words = "one probe more around the ring".to_owned();
    match one_probe_more(bench) {
        Ok(more) => add(words, order, &more),
        Err(limit) => changes.push(Change { words, line_speed_m_s: None, limit }),
    }
    changes
}

/// The station with one probe more on the ring that was taken.
///
/// # Errors
/// Why there is no room for it, in words.
fn one_probe_more(bench: &Bench<'_>) -> std::result::Result<Station, String> {
    if !matches!(bench.order.section, SectionSpec::Round(_)) {
        return Err("no room: four faces have four probes".to_owned());
    }
    let mut more = bench.station.clone();
    let ring = more.rings.iter_mut().find(|r| r.name == bench.ring.name);
    let Some(ring) = ring else { return Err("the ring is not the station's".to_owned()) };
    ring.probes += 1;
    let (elements, pitch_mm, _, _) = ring.array.elements();
    let own_mm = f64::from(elements) * pitch_mm;
    let (wide_mm, around_mm) = match ring.array {
        Array::Arc(arc) => (own_mm, std::f64::consts::TAU * arc.radius_mm),
        // Flat arrays side by side are a polygon about the ring's centre.
        Array::Flat(flat) => {
            let half = std::f64::consts::PI / f64::from(ring.probes);
            (own_mm, f64::from(ring.probes) * 2.0 * flat.distance_mm * half.tan())
        }
    };
    let all_mm = f64::from(ring.probes) * wide_mm;
    if all_mm > around_mm {
        return Err(format!(
            "no room: {} arrays of {wide_mm:.1} mm are {all_mm:.0} mm wide, around the ring there are \
             {around_mm:.0} mm",
            ring.probes
        ));
    }
    Ok(more)
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

//! The whole look: every series charted, what moves together told once.

use barwright_job::{Rules, Station, Technique, measures::Quantity};
use serde::Serialize;

use super::{
    cause::{self, Drift},
    chart::{self, Chart},
    forecast::{At, Bound, Course, Left, forecast},
    history::{self, Series, Subject, Taken},
    run_length, standard,
};
use crate::reading::db;

/// How trends are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Settings {
    /// Checks at the beginning of a series that say what is usual; at least 3.
    pub reference: usize,
    /// Share of checks at which some series of a sound station may be called, all series together.
    pub false_per_check: f64,
}

impl Default for Settings {
    /// Ten checks, and one false call in two hundred checks (a month of a check every four hours).
    fn default() -> Self {
        Self { reference: 10, false_per_check: 1.0 / 200.0 }
    }
}

/// What a drift runs into.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// Alarm in dB re the level target: a loss by so much and the ordered flaw, which reads the target, is
    /// called no more.
    pub alarm_db: f64,
    /// Level target in dB re full screen height.
    pub target_db: f64,
    /// Ratio of reflector to noise that the check asks for, in dB.
    pub signal_to_noise_db: f64,
    /// Gain that the electronics have left above the technique's, in dB, least over the beams.
    pub gain_room_db: Option<f64>,
    /// Range of the water's temperature in °C.
    pub water_c: Option<[f64; 2]>,
}

impl Limits {
    /// The limits of rules, station and technique; what is not given sets no limit.
    #[must_use]
    pub fn of(rules: &Rules, station: Option<&Station>, technique: Option<&Technique>) -> Self {
        let target = rules.level.target_fsh_percent;
        let most_db = station.map(|s| s.electronics.gain_max_db);
        let highest_db =
            technique.map(|t| t.beams.iter().map(|b| b.gain_db).fold(f64::NEG_INFINITY, f64::max));
        let water_c = station.and_then(|s| match s.coupling {
            barwright_job::station::Coupling::Water(w) => {
                Some([w.temperature_c - w.tolerance_k, w.temperature_c + w.tolerance_k])
            }
            barwright_job::station::Coupling::Contact(_) => None,
        });
        Self {
            alarm_db: db(rules.alarm.height_fsh_percent / target),
            target_db: db(target / 100.0),
            signal_to_noise_db: rules.check.signal_to_noise_db,
            gain_room_db: most_db.zip(highest_db).map(|(most, high)| most - high),
            water_c,
        }
    }
}

/// A limit of a series with what happens there.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limit {
    /// Value, in the unit of the series, with its side.
    #[serde(flatten)]
    pub bound: Bound,
    /// What happens there.
    pub what: String,
}

/// One series with what is made of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Watched {
    /// Name to ask for it.
    pub name: String,
    /// Unit, with what a dB is relative to.
    pub unit: String,
    /// The series.
    #[serde(flatten)]
    pub series: Series,
    /// Whether its places are levels, not checks.
    pub by_level: bool,
    /// Its chart; absent for what is judged by the rules alone and where there are too few values.
    pub chart: Option<Chart>,
    /// Places of the charted values.
    pub charted: Vec<usize>,
    /// Whether the average stands outside its limits now.
    pub out: bool,
    /// Where it went outside, if it is.
    pub called: Option<usize>,
    /// Since when it has shifted, as the cumulative sum tells, if it is outside.
    pub since: Option<usize>,
    /// What it runs into, where something is.
    pub limit: Option<Limit>,
    /// What it did.
    pub course: Course,
    /// How many checks are left; only with a slope and a limit ahead.
    pub left: Option<Left>,
}

/// All trends.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trends {
    /// How they were looked for.
    pub settings: Settings,
    /// Checks looked at.
    pub checks: usize,
    /// Levels looked at.
    pub levels: usize,
    /// Series charted.
    pub charted: usize,
    /// Limit of a series of station, probes or reflectors, in standard deviations of a known average, and
    /// the average number of checks until one of them calls falsely.
    pub limit_sigmas: f64,
    /// See `limit_sigmas`; for one series.
    pub run_length: f64,
    /// What drifts, most urgent first; one entry for one cause.
    pub drifts: Vec<Drift>,
    /// Every series.
    pub series: Vec<Watched>,
    /// What could not be watched, and why.
    pub notes: Vec<String>,
}

impl Trends {
    /// Whether something needs a hand.
    #[must_use]
    pub fn needs_attention(&self) -> bool {
        !self.drifts.is_empty()
    }

    /// The series of a name.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<&Watched> {
        self.series.iter().find(|w| w.name.eq_ignore_ascii_case(name))
    }
}

/// Values of which the last so many are averaged, where only what stands now counts.
const RECENT: usize = 5;
/// Values with which a level begins.
const BEGINNING: usize = 3;
/// Most values that a forecast is drawn from.
const MOST: usize = 200;

/// Looks for trends in checks and levels of one technique on one line, oldest first.
#[must_use]
pub fn watch(checks: &[Taken], levels: &[Taken], limits: &Limits, settings: &Settings) -> Trends {
    let settings = Settings { reference: settings.reference.max(3), ..*settings };
    let m = settings.reference;
    let mut of_checks = Vec::new();
    for quantity in [Quantity::WallHeight, Quantity::SurfaceHeight] {
        of_checks.extend(history::split(checks, quantity, m));
    }
    let delays = history::split(checks, Quantity::SurfaceDelay, m);
    let is_probe = |s: &Series| matches!(s.subject, Subject::Probe(_));
    of_checks.extend(delays.into_iter().filter(is_probe));
    of_checks.extend(history::reflectors(checks));
    of_checks.push(history::whole(checks, Quantity::Noise));
    let of_levels = history::split(levels, Quantity::BeamGain, m);
    let mut series = charted(of_checks, &settings, false);
    series.extend(charted(of_levels, &settings, true));
    let count = series.iter().filter(|w| w.chart.is_some()).count();
    // Temperature follows the day and calls are counts: neither scatters as charts presume.
    for quantity in [Quantity::WaterTemperature, Quantity::FalseCalls, Quantity::FoundShare] {
        let whole = history::whole(checks, quantity);
        if whole.present().next().is_some() {
            series.push(plain(whole, false));
        }
    }
    series.extend(history::elements(levels).into_iter().map(|s| plain(s, true)));
    for i in 0..series.len() {
        let limit = limit(&series[i], checks, &series, limits);
        let w = &mut series[i];
        w.limit = limit;
        if w.out {
            w.foresee();
        }
    }
    let whole = series.iter().filter(|w| !w.by_level && is_whole(w)).count();
    let chance = settings.false_per_check / 2.0 / whole.max(1) as f64;
    let limit_sigmas = chart::sigmas(chance);
    let mut notes = notes(checks, &settings, count);
    notes.extend(water(checks, limits));
    Trends {
        settings,
        checks: checks.len(),
        levels: levels.len(),
        charted: count,
        limit_sigmas,
        run_length: run_length::ewma(chart::WEIGHT, limit_sigmas, 0.0),
        drifts: cause::causes(&series),
        series,
        notes,
    }
}

impl Watched {
    /// Fits step and slope, and counts the checks left.
    pub fn foresee(&mut self) {
        let all: Vec<At> = self.series.present().map(|(i, v)| (i as f64, v)).collect();
        let values = &all[all.len().saturating_sub(MOST)..];
        let bound = self.limit.as_ref().map(|l| l.bound);
        (self.course, self.left) = forecast(values, bound, self.series.quantity.step());
    }
}

/// Whether a charted series counts with the station's few, not with the many beams.
fn is_whole(w: &Watched) -> bool {
    w.chart.is_some() && !matches!(w.series.subject, Subject::Beam { .. })
}

fn plain(series: Series, by_level: bool) -> Watched {
    Watched {
        name: series.name(),
        unit: series.unit(),
        series,
        by_level,
        chart: None,
        charted: Vec::new(),
        out: false,
        called: None,
        since: None,
        limit: None,
        course: Course::NoTrend,
        left: None,
    }
}

/// Charts series: like ones share their spread; half of the false calls is left to beams, which are many,
/// half to all else.
fn charted(list: Vec<Series>, settings: &Settings, by_level: bool) -> Vec<Watched> {
    let m = settings.reference;
    let mut standards: Vec<Option<standard::Standard>> = list
        .iter()
        .map(|s| {
            let first: Vec<f64> = s.present().map(|p| p.1).take(m).collect();
            (first.len() == m).then(|| standard::of_stretch(&first)).flatten()
        })
        .collect();
    let kind = |s: &Series| (s.quantity, std::mem::discriminant(&s.subject));
    let mut at = 0;
    // Series of a kind stand together.
    for run in list.chunk_by(|a, b| kind(a) == kind(b)) {
        let own = &mut standards[at..at + run.len()];
        let least = run[0].quantity.step();
        if run[0].is_split() {
            standard::share(own, least);
        } else {
            // Reflectors still hold what is common to all: their scatters are no independent witnesses.
            own.chunks_mut(1).for_each(|one| standard::share(one, least));
        }
        at += run.len();
    }
    let is_beam = |s: &Series| matches!(s.subject, Subject::Beam { .. });
    let count = |beams: bool| {
        list.iter().zip(&standards).filter(|(s, d)| d.is_some() && is_beam(s) == beams).count()
    };
    let chances = [false, true].map(|b| settings.false_per_check / 2.0 / count(b).max(1) as f64);
    list.into_iter()
        .zip(standards)
        .map(|(s, standard)| {
            let chance = chances[usize::from(is_beam(&s))];
            let later: Vec<(usize, f64)> = s.present().skip(m).collect();
            let Some(standard) = standard.filter(|_| !later.is_empty()) else {
                return plain(s, by_level);
            };
            let values: Vec<f64> = later.iter().map(|l| l.1).collect();
            let charted: Vec<usize> = later.iter().map(|l| l.0).collect();
            let chart = chart::chart(standard, &values, chance);
            let out = chart.is_out();
            let place = |i: Option<usize>| i.filter(|_| out).and_then(|i| charted.get(i).copied());
            let (called, since) = (place(chart.called_at()), place(chart.shift_from()));
            Watched { out, called, since, charted, chart: Some(chart), ..plain(s, by_level) }
        })
        .collect()
}

/// What a series runs into.
fn limit(w: &Watched, checks: &[Taken], all: &[Watched], limits: &Limits) -> Option<Limit> {
    let s = &w.series;
    match (s.quantity, &s.subject) {
        (Quantity::BeamGain, _) => Some(Limit {
            bound: Bound { at: limits.gain_room_db?, upper: true, sigma: 0.0 },
            what: "the electronics have no more gain to give".into(),
        }),
        (Quantity::Noise, _) => {
            let lowest = all
                .iter()
                .filter(|r| matches!(r.series.subject, Subject::Reflector { .. }))
                .filter_map(|r| recent(r.series.values.iter().copied()))
                .reduce(f64::min)?;
            Some(Limit {
                bound: Bound {
                    at: lowest + limits.target_db - limits.signal_to_noise_db,
                    upper: true,
                    sigma: 0.0,
                },
                what: "a reflector stands too little over the noise".into(),
            })
        }
        (Quantity::WallHeight | Quantity::SurfaceHeight, subject) => {
            let seen = |probes: &[u32]| match subject {
                Subject::Station => true,
                Subject::Probe(p) => probes == [*p],
                _ => false,
            };
            let named = all.iter().filter_map(|r| match &r.series.subject {
                Subject::Reflector { name, probes } if seen(probes) => {
                    let reserves = reserves(checks, name);
                    let both = now(s, checks).map(|(i, v)| Some(v - reserves[i]?));
                    let what = format!("reflector {name} fails the check");
                    Some(Limit { bound: bound_of(both)?, what })
                }
                _ => None,
            });
            let ordered = Limit {
                bound: below(limits.alarm_db + begun(s, checks)?),
                what: "the ordered flaw reads below the alarm".into(),
            };
            // The nearest: losses go downwards.
            Some(named.fold(ordered, |a, b| if b.bound.at > a.bound.at { b } else { a }))
        }
        (Quantity::ReflectorHeight, Subject::Reflector { name, .. }) => {
            let reserves = reserves(checks, name);
            let both = now(s, checks).map(|(i, v)| Some(v - reserves[i]?));
            Some(Limit {
                bound: bound_of(both)?,
                what: format!("reflector {name} fails the check"),
            })
        }
        _ => None,
    }
}

fn below(at: f64) -> Bound {
    Bound { at, upper: false, sigma: 0.0 }
}

/// What a series of values less their reserves runs into: their mean over the level in force, and their
/// scatter, because a check fails by its own reserve and not by the mean one. The scatter is told by a few
/// values only, which Student's factor over the normal one makes up for.
fn bound_of(values: impl Iterator<Item = Option<f64>>) -> Option<Bound> {
    let all: Vec<f64> = values.flatten().collect();
    let at = crate::reading::mean(&all)?;
    let n = all.len() as f64;
    let sigma = if all.len() > 1 {
        let squares: f64 = all.iter().map(|v| (v - at).powi(2)).sum();
        (squares / (n - 1.0) * (1.0 + 1.0 / n)).sqrt()
    } else {
        0.0
    };
    Some(Bound { at, upper: false, sigma })
}

/// What a reflector has left, by check.
fn reserves(checks: &[Taken], name: &str) -> Vec<Option<f64>> {
    let at = |t: &Taken| t.measures.reflectors.iter().position(|r| r.name == name);
    checks.iter().map(|t| t.measures.value(Quantity::ReflectorReserve, at(t)?)).collect()
}

/// Values under the level in force, oldest first.
fn now<'a>(s: &'a Series, checks: &'a [Taken]) -> impl Iterator<Item = (usize, f64)> + 'a {
    let level = checks.last().and_then(|t| t.level.as_ref());
    s.present().filter(move |(i, _)| checks.get(*i).is_some_and(|t| t.level.as_ref() == level))
}

/// Mean of the last few values.
fn recent(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let all: Vec<f64> = values.flatten().collect();
    crate::reading::mean(&all[all.len().saturating_sub(RECENT)..])
}

/// Where a series of deviations stood when the level in force was set: its beams then read the target.
fn begun(s: &Series, checks: &[Taken]) -> Option<f64> {
    let first = checks.first().and_then(|t| t.level.as_ref());
    if checks.last().and_then(|t| t.level.as_ref()) == first {
        // Deviations count from the mean of the first checks.
        return Some(0.0);
    }
    let own: Vec<f64> = now(s, checks).map(|v| v.1).take(BEGINNING).collect();
    crate::reading::mean(&own)
}

fn notes(checks: &[Taken], settings: &Settings, charted: usize) -> Vec<String> {
    let measured = checks.iter().filter(|t| !t.measures.is_empty()).count();
    let mut out = Vec::new();
    if measured < checks.len() {
        out.push(format!(
            "{} of {} checks were entered by an earlier version and carry no figures for trends",
            checks.len() - measured,
            checks.len()
        ));
    }
    if charted == 0 {
        out.push(format!(
            "no trend can be told yet: the first {} checks say what is usual, {measured} have been entered",
            settings.reference
        ));
    }
    out
}

/// The water by its limit alone.
fn water(checks: &[Taken], limits: &Limits) -> Option<String> {
    let [low, high] = limits.water_c?;
    let t = checks.last()?.measures.value(Quantity::WaterTemperature, 0)?;
    (!(low..=high).contains(&t)).then(|| {
        format!(
            "the water reads {t:.1} °C at the last check by the surface times, the station allows {low:.0} to {high:.0} °C (or the water path is not the technique's)"
        )
    })
}

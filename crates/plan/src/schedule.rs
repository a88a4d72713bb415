//! Which beams fire together and when: a schedule free of cross-talk and ghost echoes.
//!
//! Rules (common practice, no source, unless said otherwise):
//! - Beams of one firing belong to different probes and are of one kind and sense; they are no more
//!   than the electronics' apertures and channels.
//! - The next firing waits for the end of the record, and for the electronics.
//! - Nothing that a firing sends arrives in a gate of another beam of the same firing (cross-talk)
//!   or of any beam of a later firing (ghost echo) with more than [`IN_HAND_DB`] under the gate's
//!   threshold: passages of the section by longitudinal and shear waves, on and off the axis,
//!   through-transmitted ones included, and what comes back from the surface through the water.
//! - The data fit through the electronics.
//!
//! Where to start: [`make`] (the steps), [`view`] (what of a beam matters), [`late`] (what arrives
//! when, and how high), [`lags`] (the waits it forbids), [`groups`] (who fires together), [`fill`]
//! (the same by the gap that they stand in), [`order`] (when), [`mod@bound`] and [`mod@priced`] (what
//! cannot be beaten), [`mod@faults`] (the checker, which shares only `view` and `late` with the maker).

mod assignment;
pub mod bound;
pub mod faults;
pub mod fill;
pub mod groups;
pub mod lags;
pub mod late;
pub mod order;
pub mod priced;
pub mod view;

use barwright_job::technique::{Beam, Firing, Record, Schedule};
use barwright_wave::Mode;
use rayon::prelude::*;

use crate::bench::Bench;
use crate::echo::db;

pub use bound::Bound;
pub use faults::{Fault, faults};

use fill::Filled;
use groups::Together;
use lags::Between;
use order::{Placed, Waits};
use view::View;

/// Distance in dB that late echoes keep under the threshold of a gate (common practice, no source).
pub const IN_HAND_DB: f64 = 6.0;

/// Apertures up to which every smaller number is tried too.
const MOST_APERTURES: usize = 3;

/// A schedule with the figures of the rules it kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Timed {
    /// The schedule, with its lower bound.
    pub schedule: Schedule,
    /// What the lower bound rests on.
    pub bound: Bound,
    /// Period in s of the plain greedy order.
    pub greedy_s: f64,
    /// Shortest wait between two firings in s.
    pub shortest_wait_s: f64,
    /// Longest wait between two firings in s.
    pub longest_wait_s: f64,
    /// Time to the end of the record in s.
    pub listen_s: f64,
    /// Shortest wait the electronics allow in s.
    pub shortest_s: f64,
    /// Shortest period the data rate allows in s; zero without a limit.
    pub data_s: f64,
    /// Level allowed for late echoes in a flaw gate, dB re the ordered flaw.
    pub allowed_db: f64,
    /// Most longitudinal beams that fire together.
    pub together_l: usize,
    /// Most shear beams that fire together.
    pub together_s: usize,
}

impl Timed {
    /// Whether late echoes make any firing wait longer than record and electronics do.
    #[must_use]
    pub fn waits(&self) -> bool {
        // Starts are whole trigger steps; half a sample is far above that.
        self.longest_wait_s > self.listen_s.max(self.shortest_s) + 20e-9
    }
}

/// Level in dB re the ordered flaw that late echoes may have in a flaw gate: 6 dB under the alarm
/// (common practice, no source).
#[must_use]
pub fn allowed_db(bench: &Bench<'_>) -> f64 {
    db(bench.sensitivity.alarm_fsh) - db(bench.sensitivity.target_fsh) - IN_HAND_DB
}

/// Period in s of a schedule made with less effort than that of [`make`]: a few per cent longer at most in the
/// examples, for choosing among beams.
#[must_use]
pub fn period_s(bench: &Bench<'_>, all: &[Beam], record: &Record) -> f64 {
    let table = Table::of(bench, all, record);
    let together = table.together(bench);
    let bound = bound::bound(&together, &table.between, table.base_s, table.data_s);
    table.shortest(bench, &together, &bound, false).0.period_s
}

/// Makes the schedule: never longer than [`greedy`], without [`faults()`].
#[must_use]
pub fn make(bench: &Bench<'_>, all: &[Beam], record: &Record) -> Timed {
    let table = Table::of(bench, all, record);
    let together = table.together(bench);
    let bound = bound::bound(&together, &table.between, table.base_s, table.data_s);
    let (mut schedule, greedy_s) = table.shortest(bench, &together, &bound, true);
    let bound = bound.sharpened(&together, &table.between, table.base_s, schedule.period_s);
    // Sums of the bound are rounded; the period is never below it.
    schedule.least_period_s = Some(bound.period_s.min(schedule.period_s));
    let waits = waits(&schedule);
    let most = |mode: Mode| {
        let own = |f: &Firing| f.beams.iter().filter(|b| table.mode(**b) == Some(mode)).count();
        schedule.firings.iter().map(own).max().unwrap_or(0)
    };
    Timed {
        greedy_s,
        shortest_wait_s: waits.iter().copied().fold(f64::INFINITY, f64::min),
        longest_wait_s: waits.iter().copied().fold(0.0, f64::max),
        listen_s: record.last_sample_s(),
        shortest_s: 1.0 / bench.station.electronics.max_prf_hz,
        data_s: table.data_s,
        allowed_db: allowed_db(bench),
        together_l: most(Mode::L),
        together_s: most(Mode::S),
        bound,
        schedule,
    }
}

/// The plain order, for comparison: beams in their order, each into the first firing that takes it,
/// firings in the order in which they were opened, each as soon as those before it allow.
#[must_use]
pub fn greedy(bench: &Bench<'_>, all: &[Beam], record: &Record) -> Schedule {
    let table = Table::of(bench, all, record);
    table.greedy(&table.together(bench))
}

/// Most elements that act at once.
pub(crate) fn channels(bench: &Bench<'_>) -> u64 {
    let e = &bench.station.electronics;
    let all = u64::from(e.aperture_elements) * u64::from(e.parallel_apertures);
    e.channels.map_or(all, u64::from)
}

fn waits(schedule: &Schedule) -> Vec<f64> {
    let starts: Vec<f64> = schedule.firings.iter().map(|f| f.start_s).collect();
    let first = starts.first().copied().unwrap_or(0.0);
    let ends = starts.iter().skip(1).copied().chain([schedule.period_s + first]);
    starts.iter().zip(ends).map(|(a, b)| b - a).collect()
}

/// What both makers work on.
struct Table {
    views: Vec<View>,
    between: Between,
    base_s: f64,
    data_s: f64,
}

impl Table {
    fn of(bench: &Bench<'_>, all: &[Beam], record: &Record) -> Self {
        let views: Vec<View> = all.iter().map(|b| View::of(bench, b)).collect();
        let e = &bench.station.electronics;
        let bytes = f64::from(record.samples) * 2.0 * views.len() as f64;
        Self {
            between: Between::of(bench, &views),
            base_s: record.last_sample_s().max(1.0 / e.max_prf_hz),
            data_s: e.data_rate_mb_s.map_or(0.0, |rate| bytes / (rate * 1e6)),
            views,
        }
    }

    fn together<'a>(&'a self, bench: &Bench<'_>) -> Together<'a> {
        let apertures = bench.station.electronics.parallel_apertures as usize;
        Together::new(&self.views, &self.between, apertures, channels(bench))
    }

    fn waits(&self, firings: &[Vec<usize>]) -> Waits {
        Waits::of(&self.between, firings, self.base_s, self.data_s)
    }

    /// The best order found, with its firings. Fewest firings are not always best: what many beams
    /// leave together keeps more of the later ones waiting. So the firings are made with all the
    /// apertures and with fewer, and, where the search is to be thorough, about the gaps of one kind
    /// ([`fill`]).
    fn best(&self, bench: &Bench<'_>, bound: &Bound, thorough: bool) -> (Placed, Vec<Vec<usize>>) {
        let least_s = bound.period_s;
        let apertures = bench.station.electronics.parallel_apertures as usize;
        let most: Vec<usize> =
            (1..=apertures.clamp(1, MOST_APERTURES)).chain([apertures]).collect();
        let mut groupings: Vec<Filled> = most
            .iter()
            .map(|most| {
                let together = Together::new(&self.views, &self.between, *most, channels(bench));
                let firings = together.kinds().iter().flat_map(|k| together.grouped(k)).collect();
                Filled { firings, order: Vec::new() }
            })
            .collect();
        groupings.dedup();
        if let (true, Some(kind)) = (thorough, bound.slowest) {
            let about = |most: usize| {
                let together = Together::new(&self.views, &self.between, most, channels(bench));
                fill::filled(&together, &self.between, kind, self.base_s)
            };
            let about: Vec<Option<Filled>> = most.into_par_iter().map(about).collect();
            groupings.extend(about.into_iter().flatten());
            groupings.dedup();
        }
        let tried: Vec<(Placed, Vec<Vec<usize>>)> = groupings
            .into_par_iter()
            .map(|Filled { firings, order }| {
                let waits = self.waits(&firings);
                let placed =
                    if order.is_empty() { waits.best(least_s) } else { waits.better(least_s) };
                (placed, firings)
            })
            .collect();
        let shortest = |a: &(Placed, _), b: &(Placed, _)| a.0.period_s.total_cmp(&b.0.period_s);
        tried
            .into_iter()
            .min_by(shortest)
            .unwrap_or_else(|| (self.waits(&[]).as_given(), Vec::new()))
    }

    /// The best schedule found, or the plain one if that is shorter; and the period of that in s.
    fn shortest(
        &self,
        bench: &Bench<'_>,
        together: &Together<'_>,
        bound: &Bound,
        thorough: bool,
    ) -> (Schedule, f64) {
        let (best, firings) = self.best(bench, bound, thorough);
        let plain = self.greedy(together);
        let greedy_s = plain.period_s;
        if best.period_s <= greedy_s {
            (self.schedule(&firings, &best), greedy_s)
        } else {
            (plain, greedy_s)
        }
    }

    fn greedy(&self, together: &Together<'_>) -> Schedule {
        let firings: Vec<Vec<usize>> =
            together.kinds().iter().flat_map(|k| together.first_fit(k)).collect();
        self.schedule(&firings, &self.waits(&firings).as_given())
    }

    fn schedule(&self, firings: &[Vec<usize>], placed: &Placed) -> Schedule {
        let firing = |(i, start_s): (&usize, &f64)| {
            let mut beams: Vec<u32> = firings[*i].iter().map(|b| self.views[*b].id).collect();
            beams.sort_unstable();
            Firing { start_s: *start_s, beams }
        };
        Schedule {
            firings: placed.order.iter().zip(&placed.starts_s).map(firing).collect(),
            period_s: placed.period_s,
            least_period_s: None,
        }
    }

    fn mode(&self, id: u32) -> Option<Mode> {
        self.views.iter().find(|v| v.id == id).map(|v| v.mode)
    }
}

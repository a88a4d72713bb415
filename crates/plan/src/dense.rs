//! The dense proof: the worst case over a thousand combinations of the order's tolerances.
//!
//! The proof ([`crate::prove`]) takes each tolerance to its ends by itself. Here they come together: first a
//! grid of their ends and middles, then seeded draws, each combination turned to as many directions as the
//! ring has probes. The fields go through a [`FieldEngine`] in batches.

mod combinations;
mod result;

use std::sync::atomic::{AtomicBool, Ordering};

use barwright_job::{
    Order, Sealed, Station, Technique,
    dense::DenseProof,
    proof::ProvedClass,
    technique::{Beam, Section},
};
use barwright_wave::cylinder::batch::FieldEngine;

use crate::conditions::{Conditions, tolerance_cases};
use crate::coverage::Margin;
use crate::error::{PlanError, Result};
use crate::exact::margins::{self, Judged, Place, State};
use crate::exact::{Bars, Fields, Fineness};
use crate::proof::draws::with_direction;
use crate::proof::round::{self, Wanted};
use crate::search::share;
use combinations::Combination;
use result::Worst;

/// Rings, and places of a full turn in the section and around the rim: as fine as drawn states of the proof.
const RINGS: usize = 14;
const ANGLES: usize = 120;
const RIM: usize = 360;
/// Angles of the maps and around the ring. Both engines transform such numbers.
const MAP_ANGLES: usize = 240;
const AROUND: usize = 12;
/// Combinations whose fields are held together.
const TOGETHER: usize = 48;
/// Probes that stand a whole part of a turn apart do so to this, in rad; gains agree to this, in dB.
const SAME: f64 = 1e-6;

/// How many combinations are tried, and which.
#[derive(Debug, Clone, Copy)]
pub struct DenseOptions<'a> {
    /// Combinations in all: the grid first, then draws; at least one.
    pub combinations: usize,
    /// Seed of the draws and of all directions.
    pub seed: u64,
    /// Set from elsewhere to stop the work.
    pub cancelled: Option<&'a AtomicBool>,
}

impl Default for DenseOptions<'_> {
    fn default() -> Self {
        Self { combinations: 1000, seed: 1, cancelled: None }
    }
}

impl DenseOptions<'_> {
    fn go_on(&self) -> Result<()> {
        match self.cancelled {
            Some(flag) if flag.load(Ordering::Relaxed) => Err(PlanError::Cancelled),
            _ => Ok(()),
        }
    }
}

/// Proves a technique of a round bar in water over many combinations of its order's tolerances: the worst
/// margin at each place, which combination it came from, and what the tolerances one by one said there.
///
/// Margins are those of [`crate::prove`], at its drawn states' places: of as many shots as must agree, at the
/// worst place along the bar between two pulses, laws, gates and gains kept, the surface echo followed. A bar
/// out of round acts by place and slope of its surface in combinations, with its curvature one by one. Discs
/// are turned by quarters of their tolerance. `progress` gets the share done, 0 to 1. The result depends on
/// the engine by what engines may differ (0.02 dB), not on threads.
///
/// # Errors
/// [`PlanError::Document`] when the technique was made for another order or station;
/// [`PlanError::NoTechnique`] for no combination, or a section that is not round or has no water;
/// [`PlanError::Wave`] where the physics cannot answer; [`PlanError::Engine`] where the engine failed;
/// [`PlanError::Cancelled`].
pub fn dense(
    order: &Order,
    station: &Station,
    technique: &Sealed<Technique>,
    options: &DenseOptions<'_>,
    engine: &dyn FieldEngine,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<DenseProof> {
    technique.demand("technique", "order", &order.hash())?;
    technique.demand("technique", "station", &station.hash())?;
    let t = &technique.body;
    if options.combinations == 0 {
        return Err(PlanError::rule("combinations", "none", "ask for at least one"));
    }
    if !matches!(t.section, Section::Round { .. }) {
        return Err(PlanError::rule(
            "section",
            "a dense proof needs the exact field of a round bar",
            "prove the technique one tolerance at a time",
        ));
    }
    t.media.water.ok_or_else(crate::conditions::dry)?;
    let nominal = Conditions::nominal(t)?;
    let looked = Looked::new(order, t, &nominal);
    let work = Work { order, station, options, engine, looked: &looked };
    // What one engine began it computes as a whole: where it gave up in between, all begins anew.
    loop {
        if let Some(proof) = work.done(progress)? {
            return Ok(proof);
        }
    }
}

/// A dense proof to be made.
struct Work<'a> {
    order: &'a Order,
    station: &'a Station,
    options: &'a DenseOptions<'a>,
    engine: &'a dyn FieldEngine,
    looked: &'a Looked<'a>,
}

impl Work<'_> {
    /// The proof; `None` where another engine than at the beginning computed at its end.
    fn done(&self, progress: &(dyn Fn(f32) + Sync)) -> Result<Option<DenseProof>> {
        let Self { order, station, options, engine, looked } = *self;
        let nominal = looked.nominal;
        let name = engine.name();
        let mut classes = looked.classes();
        let bars = Bars::default();
        let cases = tolerance_cases(order, station, nominal)?;
        let alone: Vec<Conditions> =
            std::iter::once(nominal.clone()).chain(cases.iter().cloned()).collect();
        let margins = looked.margins(order, &bars, &alone, engine)?;
        for (class, margins) in classes.iter_mut().zip(margins) {
            class.take_alone(&margins);
        }
        options.go_on()?;
        let directions = looked.technique.probes.len().max(1);
        let all = combinations::all(order, station, options.combinations, options.seed);
        for (portion, together) in all.chunks(TOGETHER).enumerate() {
            if engine.name() != name {
                return Ok(None);
            }
            let first = portion * TOGETHER;
            progress(first as f32 / all.len() as f32);
            let drawn = together
                .iter()
                .map(|c: &Combination| c.state(order, station, nominal, directions))
                .collect::<Result<Vec<_>>>()?;
            let states: Vec<Conditions> =
                drawn.iter().flat_map(|d| d.turned.iter().cloned()).collect();
            let words =
                |state: usize| with_direction(&drawn[state / directions].words, &states[state]);
            let margins = looked.margins(order, &bars, &states, engine)?;
            for (class, margins) in classes.iter_mut().zip(margins) {
                class.take(looked, first, directions, &margins, &words);
            }
            options.go_on()?;
        }
        if engine.name() != name {
            return Ok(None);
        }
        progress(1.0);
        Ok(Some(DenseProof {
            engine: name,
            seed: options.seed,
            combinations: all.len(),
            directions,
            one_by_one: cases.len(),
            classes: classes.into_iter().map(|c| c.done(looked)).collect(),
        }))
    }
}

/// The places that are looked at, and the classes asked for there.
pub(crate) struct Looked<'a> {
    technique: &'a Technique,
    nominal: &'a Conditions,
    wanted: Vec<Wanted>,
    radius_m: f64,
    section: Vec<Place>,
    rim: Vec<Place>,
    /// Angles of a ring of the section.
    angles: usize,
}

impl<'a> Looked<'a> {
    fn new(order: &Order, t: &'a Technique, nominal: &'a Conditions) -> Self {
        let wanted = round::wanted(order, t);
        let radius_m = t.section.half_extent_m();
        let turned = is_turned(t);
        let outer = wanted
            .iter()
            .filter(|w| !w.is_crack())
            .map(|w| w.within_m.1 / radius_m)
            .fold(0.0, f64::max)
            .min(1.0);
        let probes = t.probes.len().max(1);
        // A ring of like probes repeats itself, and so does what it covers in all its directions.
        let count = |all: usize| if turned { all.div_ceil(probes) } else { all };
        let part = |all: usize| if turned { probes * count(all) } else { all };
        let angles = count(ANGLES);
        let ring = |share: f64, all: usize| Place::around(share, part(all)).take(count(all));
        Self {
            technique: t,
            nominal,
            section: (0..RINGS)
                .flat_map(|i| ring((i as f64 + 0.5) / RINGS as f64 * outer, ANGLES))
                .collect(),
            rim: ring(1.0, RIM).collect(),
            wanted,
            radius_m,
            angles,
        }
    }

    fn classes(&self) -> Vec<Worst> {
        self.wanted.iter().map(|w| Worst::new(w, self.places(w).len())).collect()
    }

    /// Places of a class.
    pub fn places(&self, wanted: &Wanted) -> &[Place] {
        if wanted.is_crack() { &self.rim } else { &self.section }
    }

    /// Angles of each ring of a class's places.
    pub fn angles(&self, wanted: &Wanted) -> usize {
        if wanted.is_crack() { self.rim.len() } else { self.angles }
    }

    /// What is asked of a class.
    pub fn of_class(&self, class: ProvedClass) -> Option<&Wanted> {
        self.wanted.iter().find(|w| w.class == class)
    }

    pub fn radius_m(&self) -> f64 {
        self.radius_m
    }

    /// Whether a class is asked for at each of its places.
    pub fn asked(&self, wanted: &Wanted) -> Vec<bool> {
        self.places(wanted).iter().map(|p| wanted.asks(p, self.radius_m)).collect()
    }

    /// Share of the places asked for that margins cover.
    pub fn covered(&self, wanted: &Wanted, margins: &[Option<f32>]) -> f64 {
        let asked = self.asked(wanted);
        let (places, margins): (Vec<Place>, Vec<Margin>) = self
            .places(wanted)
            .iter()
            .zip(margins)
            .zip(asked)
            .filter(|x| x.1)
            .map(|((p, m), _)| (*p, Margin { nominal_db: *m, ..Margin::default() }))
            .unzip();
        share(&places, &margins, false)
    }

    /// Margins of each class in each state, by place.
    fn margins(
        &self,
        order: &Order,
        bars: &Bars,
        states: &[Conditions],
        engine: &dyn FieldEngine,
    ) -> Result<Vec<Vec<Vec<Option<f32>>>>> {
        let fineness = Fineness {
            rings: RINGS,
            angles: MAP_ANGLES,
            rim: transforms_well(round::rim_angles(self.nominal)),
            around: AROUND,
        };
        let judged: Judged<'_> = round::judged(self.technique);
        let mut fields: Fields<'_> =
            round::fields(order, self.technique, self.nominal, bars, fineness);
        let states: Vec<State> =
            margins::states_of_many(&mut fields, &judged, self.nominal, states, engine)?;
        // Disc, inclusion and pipe are asked for at the same places.
        let mut known: [Option<Vec<margins::Sights>>; 2] = [None, None];
        self.wanted
            .iter()
            .map(|wanted| {
                let crack = wanted.is_crack();
                let places = self.places(wanted);
                let sights = known[usize::from(crack)].get_or_insert_with(|| {
                    margins::sights(&fields, &judged, &states, crack, places)
                });
                margins::by_state(&fields, &judged, sights, wanted.flaw)
            })
            .collect()
    }
}

/// Whether the beams of each probe are those of the one before, turned by a whole part of a circle.
fn is_turned(t: &Technique) -> bool {
    let probes = t.probes.len();
    if probes < 2 {
        return false;
    }
    let step = std::f64::consts::TAU / probes as f64;
    let near = |a: f64, b: f64| (a - b).abs() <= SAME;
    let mut starts: Vec<f64> = t
        .probes
        .iter()
        .map(|p| crate::ring::middle(&p.elements).angle().rem_euclid(std::f64::consts::TAU))
        .collect();
    starts.sort_by(f64::total_cmp);
    let even = starts.windows(2).all(|pair| near(pair[1] - pair[0], step));
    // As many beams each, alike but for where they stand.
    let of = |probe: usize| t.beams.iter().filter(move |b| b.probe as usize == probe);
    even && (1..probes).all(|probe| {
        of(probe).count() == of(0).count() && of(0).zip(of(probe)).all(|(a, b)| alike(a, b))
    })
}

/// Whether two beams of two probes have the same elements, laws, gains and gates.
fn alike(a: &Beam, b: &Beam) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= SAME;
    let times = |a: &[f64], b: &[f64]| {
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| near(a * 1e6, b * 1e6))
    };
    let gates = |beam: &Beam| -> Vec<f64> {
        beam.gates.iter().flat_map(|g| [g.start_s, g.end_s]).collect()
    };
    let curve = |beam: &Beam| -> Vec<f64> {
        beam.gain_curve.iter().flat_map(|p| [p.after_surface_s, p.gain_db * 1e-6]).collect()
    };
    a.mode == b.mode
        && a.first_element == b.first_element
        && near(a.gain_db, b.gain_db)
        && near(a.surface_time_s * 1e6, b.surface_time_s * 1e6)
        && a.gates.iter().map(|g| g.kind).eq(b.gates.iter().map(|g| g.kind))
        && times(&gates(a), &gates(b))
        && times(&curve(a), &curve(b))
        && times(&a.transmit_delays_s, &b.transmit_delays_s)
        && times(&a.receive_delays_s, &b.receive_delays_s)
}

/// The least product of twos, threes and fives that is as large.
fn transforms_well(least: usize) -> usize {
    (least..)
        .find(|n| {
            let rest = [2, 3, 5].iter().fold(*n, |mut rest, prime| {
                while rest > 1 && rest.is_multiple_of(*prime) {
                    rest /= prime;
                }
                rest
            });
            rest == 1
        })
        .unwrap_or(least)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form.
    #[test]
    fn lengths_that_transform_well() {
        for (least, want) in [(1, 1), (7, 8), (721, 729), (840, 864), (1080, 1080), (1201, 1215)] {
            assert_eq!(transforms_well(least), want);
        }
    }
}

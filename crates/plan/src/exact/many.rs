//! Maps of many states at once, by an engine that takes batches.

use std::f64::consts::TAU;

use barwright_wave::{
    Mode, Point,
    cylinder::{
        Drive, EchoWeights, LineArray,
        batch::{BarBand, EchoBatch, EchoItem, FieldEngine, ItemPlaces},
    },
};
use rayon::prelude::*;

use super::class::Class;
use super::fields::{Family, of_mode};
use super::maps::{
    BeamMap, Fineness, bar_band, element_weights, face_array, frequencies_hz, samples, search_s,
};
use super::sought::{Sought, ring_shares};
use super::weights::{Band, Flaw, Nodes, Strengths};
use crate::conditions::Conditions;
use crate::error::Result;

/// Most places of a batch, so that what goes to an engine and what comes back stays within some hundred
/// megabytes.
const PLACES: usize = 4_000_000;

/// States whose maps are wanted, and what is shared between them.
pub(super) struct Many<'a> {
    classes: &'a [Class],
    radius_m: f64,
    fineness: &'a Fineness,
    /// How many states were asked, and the angles of each around the ring.
    around: Vec<usize>,
    jobs: Vec<Job<'a>>,
}

/// One class in one state at one radius: maps at several angles around the ring.
struct Job<'a> {
    state: usize,
    class: usize,
    conditions: &'a Conditions,
    lost_middle: bool,
    reference: Flaw,
    radius_m: f64,
    /// Numbers of the angles, and the displacement at each.
    at: Vec<(usize, Point)>,
}

impl<'a> Many<'a> {
    pub fn new(classes: &'a [Class], radius_m: f64, fineness: &'a Fineness) -> Self {
        Self { classes, radius_m, fineness, around: Vec::new(), jobs: Vec::new() }
    }

    /// Asks for the maps of one more state.
    pub fn ask(
        &mut self,
        family: &Family,
        conditions: &'a Conditions,
        references: &[Option<Flaw>; 2],
    ) -> Result<()> {
        let around = family.around(self.fineness.around);
        let state = self.around.len();
        self.around.push(around);
        let angles: Vec<f64> = (0..around).map(|k| TAU * k as f64 / around as f64).collect();
        for (number, class) in self.classes.iter().enumerate() {
            let Some(reference) = of_mode(references, class.mode) else {
                continue;
            };
            // A beam that is its own mirror image meets the other half mirrored.
            let half = if class.is_symmetric() { around / 2 + 1 } else { around };
            let mut done = vec![false; half];
            for k in 0..half {
                if done[k] {
                    continue;
                }
                // Angles whose circle has the same radius share its modal solution.
                let radius_m = family.radius_m(self.radius_m, angles[k]);
                let mut at = Vec::new();
                for j in k..half {
                    let other = family.radius_m(self.radius_m, angles[j]);
                    if (other - radius_m).abs() < 1e-8 {
                        done[j] = true;
                        let off = Point::polar(family.offset_m, angles[j]);
                        at.push((j, off + family.circle(angles[j])));
                    }
                }
                self.jobs.push(Job {
                    state,
                    class: number,
                    conditions,
                    lost_middle: family.lost_middle,
                    reference,
                    radius_m,
                    at,
                });
            }
        }
        Ok(())
    }

    /// Maps of all states, by class, then by angle around the ring.
    pub fn computed(self, engine: &dyn FieldEngine) -> Result<Vec<Vec<Vec<BeamMap>>>> {
        let mut maps: Vec<Vec<Vec<Option<BeamMap>>>> = self
            .around
            .iter()
            .map(|around| vec![vec![None; *around]; self.classes.len()])
            .collect();
        for mode in [Mode::L, Mode::S] {
            let jobs: Vec<&Job<'_>> =
                self.jobs.iter().filter(|job| self.classes[job.class].mode == mode).collect();
            if jobs.is_empty() {
                continue;
            }
            for jobs in self.portions(&jobs) {
                for (job, own) in jobs.iter().zip(self.portion(mode, jobs, engine)?) {
                    for ((k, _), map) in job.at.iter().zip(own) {
                        maps[job.state][job.class][*k] = Some(map);
                    }
                }
            }
        }
        for (by_class, around) in maps.iter_mut().zip(&self.around) {
            for by_angle in by_class {
                for k in 0..*around {
                    if by_angle[k].is_none() {
                        let opposite = (around - k) % around;
                        by_angle[k] = by_angle[opposite].as_ref().map(BeamMap::mirrored);
                    }
                }
            }
        }
        let whole = |by_angle: Vec<Option<BeamMap>>| by_angle.into_iter().flatten().collect();
        Ok(maps.into_iter().map(|by_class| by_class.into_iter().map(whole).collect()).collect())
    }

    /// Jobs cut so that their places are not too many.
    fn portions<'j>(&self, jobs: &'j [&'j Job<'a>]) -> Vec<&'j [&'j Job<'a>]> {
        let rings = ring_shares(self.classes[jobs[0].class].mode, self.fineness);
        // Half of the places at the most, commonly a fifth.
        let each = |job: &Job<'_>| job.at.len() * rings.shares.len() * rings.angles / 2;
        let (mut portions, mut from, mut places) = (Vec::new(), 0, 0);
        for (i, job) in jobs.iter().enumerate() {
            if i > from && places + each(job) > PLACES {
                portions.push(&jobs[from..i]);
                (from, places) = (i, 0);
            }
            places += each(job);
        }
        portions.push(&jobs[from..]);
        portions
    }

    /// Maps of some jobs of one kind of wave, in their order.
    fn portion(
        &self,
        mode: Mode,
        jobs: &[&Job<'a>],
        engine: &dyn FieldEngine,
    ) -> Result<Vec<Vec<BeamMap>>> {
        let frequencies = frequencies_hz(jobs[0].conditions, mode);
        let rings = ring_shares(mode, self.fineness);
        let mut arrays: Vec<LineArray> = Vec::new();
        let mut array_of: Vec<Option<(usize, Point)>> = vec![None; self.classes.len()];
        for job in jobs {
            if array_of[job.class].is_none() {
                let (array, centre) = face_array(&self.classes[job.class])?;
                arrays.push(array);
                array_of[job.class] = Some((arrays.len() - 1, centre));
            }
        }
        let (mut bars, mut bar_of): (Vec<BarBand>, Vec<usize>) = (Vec::new(), Vec::new());
        for job in jobs {
            let own = bar_band(job.conditions, job.radius_m, &frequencies)?;
            // Jobs of one state follow each other.
            let known = bars.iter().rposition(|bar| *bar == own);
            bar_of.push(known.unwrap_or_else(|| {
                bars.push(own);
                bars.len() - 1
            }));
        }
        let weights: Vec<EchoWeights> = jobs
            .par_iter()
            .map(|job| {
                let class = &self.classes[job.class];
                let band = Band { frequencies_hz: &frequencies, damping_1_s: 0.0 };
                Strengths { class, conditions: job.conditions, band }
                    .weights(job.reference, &Nodes::of(class))
            })
            .collect::<Result<_>>()?;
        let sought: Vec<Sought<'_>> = jobs
            .par_iter()
            .map(|job| {
                let more_m = job.at.iter().map(|(_, by)| by.radius()).fold(0.0, f64::max);
                let class = &self.classes[job.class];
                Sought::new(job.conditions, class, job.radius_m, more_m, self.fineness)
            })
            .collect();
        let items: Vec<EchoItem> = jobs
            .par_iter()
            .enumerate()
            .map(|(number, job)| {
                let class = &self.classes[job.class];
                let count = class.elements.len();
                let all: Vec<usize> = (0..count).collect();
                let strengths = element_weights(count, job.lost_middle);
                let drive = |delays: &[f64]| Drive::weighted(&all, delays, &strengths);
                let transmit = drive(&class.transmit_s)?;
                let receive = (class.receive_s != class.transmit_s)
                    .then(|| drive(&class.receive_s))
                    .transpose()?;
                let (array, centre) = array_of[job.class].unwrap_or_default();
                Ok(job
                    .at
                    .iter()
                    .map(|&(_, by)| EchoItem {
                        bar: bar_of[number],
                        array,
                        transmit: transmit.clone(),
                        receive: receive.clone(),
                        centre: centre + by,
                        weights: number,
                        places: ItemPlaces { rings: sought[number].places(by) },
                    })
                    .collect::<Vec<_>>())
            })
            .collect::<Result<Vec<_>>>()?
            .into_iter()
            .flatten()
            .collect();
        let found = engine.echoes(&EchoBatch {
            frequencies_hz: &frequencies,
            mode,
            bars: &bars,
            arrays: &arrays,
            weights: &weights,
            items: &items,
            rings: &rings,
            times: samples(frequencies.len()),
            search_s: search_s(jobs[0].conditions, mode),
            headings: mode == Mode::S,
        })?;
        let mut first = 0;
        let ranges: Vec<std::ops::Range<usize>> = jobs
            .iter()
            .map(|job| {
                first += job.at.len();
                first - job.at.len()..first
            })
            .collect();
        Ok(ranges
            .into_par_iter()
            .zip(&sought)
            .map(|(range, sought)| found[range].iter().map(|peaks| sought.map(peaks)).collect())
            .collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::{Oval, tolerance_cases};
    use crate::exact::Bars;
    use crate::proof::round;
    use barwright_job::{Order, Rules, Station};
    use barwright_wave::cylinder::batch::Processors;

    // Truth: the plain way, one state after the other. Places within 40 dB of the highest are held to 1e-3 dB
    // and 1 ns: single precision, and probes' fields that are displaced from the face's centre in one step
    // here, in two there.
    #[test]
    fn many_states_are_as_one_by_one() {
        let order = include_str!("../../../../examples/order-round-42.toml");
        let station = include_str!("../../../../examples/station-line-2.toml");
        let rules = include_str!("../../../../examples/rules-th-k2.toml");
        let order = Order::from_toml("order", order).expect("an order");
        let station = Station::from_toml("station", station).expect("a station");
        let rules = Rules::from_toml("rules", rules).expect("rules");
        let mut t = crate::technique(&order, &station, &rules).expect("a technique").body;
        // One probe stands off the ring's circle.
        let out = Point::polar(4e-4, crate::ring::middle(&t.probes[0].elements).angle());
        t.probes[0].elements.iter_mut().for_each(|e| e.centre = e.centre + out);
        let nominal = Conditions::nominal(&t).expect("conditions");
        let cases = tolerance_cases(&order, &station, &nominal).expect("cases");
        // A few directions of those off centre, and everything else; two ovals, which the order knows not.
        let mut off_centre = 0;
        let few = cases.into_iter().filter(|c| {
            let turned = c.centre.radius() > 0.0;
            off_centre += usize::from(turned);
            !turned || off_centre % 5 == 1
        });
        let mut states: Vec<Conditions> = std::iter::once(nominal.clone()).chain(few).collect();
        for curvature in [true, false] {
            let mut c = nominal.moved("oval".into(), Point::new(1e-4, 2e-4), 1.0);
            c.oval = Some(Oval { amplitude_m: 6e-5, direction_rad: 0.3, curvature });
            states.push(c);
        }
        assert!(states.iter().any(|s| s.lost_middle));
        let rim = round::rim_angles(&nominal);
        let fineness = Fineness { rings: 5, angles: 120, rim, around: 4 };
        let bars = Bars::default();
        let fields = || round::fields(&order, &t, &nominal, &bars, fineness);
        let (mut one, mut many) = (fields(), fields());
        let prepared = many.prepare_many(&states, &Processors).expect("fields");
        let again = many.prepare_many(&states[1..3], &Processors).expect("known fields");
        assert_eq!(again, prepared[1..3]);
        let mut compared = 0;
        for (state, ours) in states.iter().zip(prepared) {
            let plain = one.prepare(state).expect("fields");
            for beam in (0..t.beams.len()).step_by(7) {
                let mut pairs = Vec::new();
                for r in 1..=9 {
                    let share =
                        if t.beams[beam].mode == Mode::S { 1.0 } else { f64::from(r) / 9.5 };
                    for a in 0..90 {
                        let angle = f64::from(a) * TAU / 90.0;
                        let seen = one.seen(plain, beam, share, angle);
                        let other = many.seen(ours, beam, share, angle);
                        assert_eq!(seen.is_some(), other.is_some());
                        pairs.extend(seen.zip(other));
                    }
                }
                let top = pairs.iter().map(|p| p.0.level_db).fold(f64::MIN, f64::max);
                for (a, b) in pairs.iter().filter(|p| p.0.level_db > top - 40.0) {
                    compared += 1;
                    let off = (a.level_db - b.level_db).abs();
                    assert!(off < 1e-3, "{}: {a:?} against {b:?}", state.words);
                    assert!((a.time_s - b.time_s).abs() < 1e-9, "{}: {a:?} {b:?}", state.words);
                }
            }
        }
        assert!(compared > 10_000, "{compared}");
    }
}

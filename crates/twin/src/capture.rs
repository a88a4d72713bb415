//! Putting shots together: the bare bar, the flaws in reach, noise, full scale.

use barwright_capture::{CaptureKind, Header, Shots, shots::ShotPlace};
use barwright_wave::Point;
use barwright_wave::elevation::Spread;
use num_complex::Complex32;
use rand::RngExt;
use rayon::prelude::*;
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::f64::consts::TAU;

use crate::along::reach_m;
use crate::bend::BentAxis;
use crate::disturb::{Disturbance, PULSE_SIGMAS, add_pulse};
use crate::echo::{Echo, EchoMaker, Request};
use crate::error::{Result, TwinError};
use crate::motion::{Run, missed};
use crate::noise::{generator, seed_for};
use crate::reflector::Reflector;
use crate::scene::SceneBar;
use crate::station::VirtualStation;

/// Samples of one batch handed to the sink, in bytes.
const BATCH_BYTES: usize = 12 << 20;
/// Echoes that stay below this many sample counts are left out.
const LEAST_COUNTS: f32 = 0.25;

/// A capture about to be taken: header first, then its shots.
pub struct Capture<'a> {
    pub(crate) station: &'a VirtualStation,
    pub(crate) header: Header,
    pub(crate) runs: Vec<Run>,
    pub(crate) reflectors: Vec<Reflector>,
    pub(crate) bar: Option<SceneBar>,
    /// Tells captures of the same kind apart, so that each has noise of its own.
    pub(crate) occasion: String,
    /// Runs after which the motions repeat.
    pub(crate) motions: usize,
}

/// Echoes of one reflector in one run, by shot of the run.
type Heard = HashMap<u64, Echo>;

/// A shot to be put together.
#[derive(Clone, Copy)]
struct Shot {
    place: ShotPlace,
    /// Number within the run.
    number: u64,
}

/// What is common to the shots of a capture.
struct Mixer<'a> {
    capture: &'a Capture<'a>,
    /// Bare signals in sample counts.
    bare: Vec<f32>,
    /// Sample counts of unit transfer, by beam.
    scale: Vec<f32>,
    noise_key: u64,
    wander: Wander,
    /// Axis of the bar at hand, if that is bent.
    bend: Option<BentAxis>,
    disturbance: Option<Disturbance>,
    /// Largest sample of each beam's bare signal, in sample counts.
    loudest: Vec<f32>,
}

/// Room for one shot that a thread puts together.
struct Room {
    sum: Vec<f32>,
    silence: Vec<f32>,
}

impl Capture<'_> {
    /// What the capture is and what it is taken with.
    #[must_use]
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Number of shots, missed ones included.
    #[must_use]
    pub fn shots(&self) -> u64 {
        let cycle: usize =
            self.station.technique.schedule.firings.iter().map(|f| f.beams.len()).sum();
        self.runs.iter().map(|run| run.cycles * cycle as u64).sum()
    }

    /// Takes the capture: hands its shots to the sink, in order of time, in batches of about
    /// 12 MB of samples. The bytes depend on scene, technique and seed only.
    ///
    /// # Errors
    /// Whatever the sink returns; [`TwinError`] for a beam the technique has not or a field that
    /// cannot be computed.
    pub fn run<E: From<TwinError>>(
        &self,
        sink: &mut dyn FnMut(Shots) -> std::result::Result<(), E>,
    ) -> std::result::Result<(), E> {
        let mixer = Mixer::new(self)?;
        let samples = self.header.record.samples as usize;
        let batch = (BATCH_BYTES / (2 * samples.max(1))).max(1);
        let mut heard: HashMap<usize, Vec<Heard>> = HashMap::new();
        for (r, run) in self.runs.iter().enumerate() {
            let motion = r % self.motions.max(1);
            let heard = match heard.entry(motion) {
                Entry::Occupied(known) => known.into_mut(),
                Entry::Vacant(new) => new.insert(mixer.heard(run)?),
            };
            let mut waiting = Vec::with_capacity(batch);
            for shot in self.shots_of(run)? {
                waiting.push(shot);
                if waiting.len() == batch {
                    sink(mixer.mix(r as u64, &waiting, heard))?;
                    waiting.clear();
                }
            }
            if !waiting.is_empty() {
                sink(mixer.mix(r as u64, &waiting, heard))?;
            }
        }
        Ok(())
    }

    /// Shots of a run that are recorded.
    fn shots_of<'r>(&'r self, run: &'r Run) -> Result<impl Iterator<Item = Shot> + 'r> {
        let schedule = &self.station.technique.schedule;
        let have = self.station.beams.len();
        if let Some(&beam) =
            schedule.firings.iter().flat_map(|f| &f.beams).find(|&&b| b as usize >= have)
        {
            return Err(TwinError::Count {
                what: "beams of the schedule",
                got: have,
                need: beam as usize + 1,
            });
        }
        let cycle_shots: u64 = schedule.firings.iter().map(|f| f.beams.len() as u64).sum();
        let recorded =
            move |&cycle: &u64| self.bar.as_ref().is_none_or(|bar| !missed(bar, run, cycle));
        Ok((0..run.cycles).filter(recorded).flat_map(move |cycle| {
            run.cycle(schedule, cycle)
                .enumerate()
                .map(move |(i, place)| Shot { place, number: cycle * cycle_shots + i as u64 })
        }))
    }
}

impl<'a> Mixer<'a> {
    fn new(capture: &'a Capture<'a>) -> Result<Self> {
        let station = capture.station;
        let per_fsh = station.counts_per_fsh();
        let scale: Vec<f32> = capture
            .header
            .gains_db
            .iter()
            .map(|db| (10f64.powf(db / 20.0) * per_fsh) as f32)
            .collect();
        let signals = &station.bare;
        let row = signals.places * signals.phases * signals.stride;
        let bare: Vec<f32> = signals
            .samples
            .chunks(row.max(1))
            .zip(&scale)
            .flat_map(|(row, &scale)| row.iter().map(move |x| x * scale))
            .collect();
        let header = &capture.header;
        let level = header.level.as_ref().map_or("", |hash| hash.short());
        let occasion = &capture.occasion;
        let purpose = format!("noise/{:?}/{}/{level}/{occasion}", header.kind, header.bar);
        let duration_s = capture
            .runs
            .last()
            .map_or(0.0, |run| run.start_s + (run.cycles + 1) as f64 * run.cycle_s);
        let probes = station.technique.probes.len();
        let disturbance =
            Disturbance::new(&station.faults, probes, station.seed, &purpose, duration_s);
        let loudest = bare
            .chunks(row.max(1))
            .map(|row| row.iter().take(signals.stride).fold(0.0f32, |m, x| m.max(x.abs())))
            .collect();
        // Bars of the order are straight.
        let bend = station.bend.filter(|_| header.kind != CaptureKind::Production);
        Ok(Self {
            capture,
            bare,
            scale,
            noise_key: seed_for(station.seed, &purpose),
            wander: Wander::new(station.seed, &header.bar, station.wobble_m),
            bend,
            disturbance,
            loudest,
        })
    }

    /// Echoes of all reflectors that a run comes near.
    fn heard(&self, run: &Run) -> Result<Vec<Heard>> {
        let station = self.capture.station;
        let maker = station.echo_maker();
        let last_m = run.cycle_z_m(run.cycles);
        // The farthest any beam hears along the bar: through the whole section.
        let across = 2.0 * station.field.radius_m;
        let (fluid, solid) = (&station.field.fluid, &station.field.solid);
        let most = station
            .beams
            .iter()
            .map(|b| {
                let (water, steel) = (fluid.velocity_m_s, solid.longitudinal_m_s);
                let spread = Spread::through_water(b.water_m, across, water, steel);
                reach_m(&b.strip, &spread, station.field.pulse.centre_hz)
            })
            .fold(0.0, f64::max);
        let mut all = Vec::new();
        for reflector in &self.capture.reflectors {
            let (from, to) = (reflector.from_m - most, reflector.to_m + most);
            if run.z_m.max(last_m) < from || run.z_m.min(last_m) > to {
                continue;
            }
            all.push(self.echoes(&maker, reflector, run)?);
        }
        Ok(all)
    }

    fn echoes(&self, maker: &EchoMaker<'_>, reflector: &Reflector, run: &Run) -> Result<Heard> {
        let centre_hz = self.capture.station.field.pulse.centre_hz;
        let mut numbers = Vec::new();
        let mut requests: Vec<Request> = Vec::new();
        for shot in self.capture.shots_of(run)? {
            let request = Request {
                beam: shot.place.beam as usize,
                turn_rad: f64::from(shot.place.turn_rad),
                z_m: shot.place.z_m,
                bent: self.bent(&shot.place),
            };
            if maker.sees(reflector, &request)
                && maker.seen(reflector, &request).within_reach(reflector, centre_hz)
            {
                numbers.push(shot.number);
                requests.push(request);
            }
        }
        let echoes = if !self.capture.station.field.is_in_place() {
            maker.about(reflector, &requests)?
        } else if run.turn_rad_s == 0.0 {
            maker.at(reflector, &requests)?
        } else {
            maker.around(reflector, &requests)?
        };
        let loud =
            |request: &Request, echo: &Echo| echo.peak * self.scale[request.beam] > LEAST_COUNTS;
        Ok(numbers
            .into_iter()
            .zip(&requests)
            .zip(echoes)
            .filter_map(|((number, request), echo)| {
                echo.filter(|echo| loud(request, echo)).map(|echo| (number, echo))
            })
            .collect())
    }

    /// Where the axis of a bent bar stands in a shot, against that of a straight one.
    fn bent(&self, place: &ShotPlace) -> Point {
        self.bend.map_or_else(Point::default, |bend| {
            bend.at(place.z_m, self.capture.header.length_m, f64::from(place.turn_rad))
        })
    }

    /// Samples of a batch of shots.
    fn mix(&self, run: u64, shots: &[Shot], heard: &[Heard]) -> Shots {
        let samples = self.capture.header.record.samples as usize;
        let mut out = Shots::new(samples);
        out.pass.extend(shots.iter().map(|s| s.place.pass));
        out.beam.extend(shots.iter().map(|s| s.place.beam));
        out.time_s.extend(shots.iter().map(|s| s.place.time_s));
        out.z_m.extend(shots.iter().map(|s| s.place.z_m));
        out.turn_rad.extend(shots.iter().map(|s| s.place.turn_rad));
        out.clipped_s.resize(shots.len(), [f32::NAN; 2]);
        out.samples.resize(shots.len() * samples, 0);
        out.samples.par_chunks_mut(samples.max(1)).zip(shots).with_min_len(64).for_each_init(
            || Room { sum: vec![0f32; samples], silence: vec![0f32; samples] },
            |room, (out, shot)| {
                self.one(run, shot, heard, room);
                to_counts(&room.sum, out);
            },
        );
        out
    }

    /// Sum of one shot in sample counts, not yet limited.
    fn one(&self, run: u64, shot: &Shot, heard: &[Heard], room: &mut Room) {
        let Room { sum, silence } = room;
        let station = self.capture.station;
        let beam = shot.place.beam as usize;
        let model = &station.beams[beam];
        // Runs have far fewer than 2^40 shots.
        let noise = station.noise.of_shot(self.noise_key, (run << 40) | shot.number, sum.len());
        if self.uncoupled(model.probe, shot.place.z_m) {
            sum.copy_from_slice(noise);
            return;
        }
        let offset = self.wander.at(shot.place.z_m);
        let rate_hz = self.capture.header.record.sample_rate_hz;
        let water_m_s = station.field.fluid.velocity_m_s;
        let later = model.shift_s(offset, water_m_s) * rate_hz;
        // What disturbs the echoes leaves the noise alone.
        let floor = if self.disturbance.is_none() { noise } else { &silence[..] };
        if station.bare.places == 1 {
            self.straight(beam, later, floor, sum);
        } else {
            let bent = self.bent(&shot.place);
            let all = later + model.surface_shift_s(bent, water_m_s) * rate_hz;
            self.curved(beam, bent, all, floor, sum);
        }
        for echo in heard.iter().filter_map(|heard| heard.get(&shot.number)) {
            self.add(echo, beam, later, sum);
        }
        if let Some(disturbance) = &self.disturbance {
            self.disturb(disturbance, shot, sum);
            sum.iter_mut().zip(noise).for_each(|(sum, noise)| *sum += noise);
        }
    }

    /// The bare signal of a straight bar, moved by the nearest eighth of a sample.
    fn straight(&self, beam: usize, later: f64, floor: &[f32], sum: &mut [f32]) {
        let phases = self.capture.station.bare.phases;
        let steps = (later * phases as f64).round() as isize;
        let bare = self.bare_from(beam, 0, steps);
        for ((sum, bare), floor) in sum.iter_mut().zip(bare).zip(floor) {
            *sum = bare + floor;
        }
    }

    /// The bare signal of a bent bar: between the places that were computed, and between two steps of
    /// an eighth of a sample.
    fn curved(&self, beam: usize, bent: Point, later: f64, floor: &[f32], sum: &mut [f32]) {
        let station = self.capture.station;
        let at = later * station.bare.phases as f64;
        let (step, share) = (at.floor(), (at - at.floor()) as f32);
        sum.copy_from_slice(floor);
        for (place, weight) in station.field.places().weights(bent).into_iter().enumerate() {
            let weight = weight as f32;
            let [here, next] = [0.0, 1.0].map(|n| self.bare_from(beam, place, (step + n) as isize));
            for ((sum, here), next) in sum.iter_mut().zip(here).zip(next) {
                *sum += (here + (next - here) * share) * weight;
            }
        }
    }

    /// Samples of a beam's bare signal at a place of the bar, some steps later.
    fn bare_from(&self, beam: usize, place: usize, steps: isize) -> &[f32] {
        let signals = &self.capture.station.bare;
        let phase = steps.rem_euclid(signals.phases as isize) as usize;
        let whole = steps.div_euclid(signals.phases as isize);
        let pad = signals.pad as isize;
        let row = (beam * signals.places + place) * signals.phases + phase;
        &self.bare[row * signals.stride + (pad - whole.clamp(-pad, pad)) as usize..]
    }

    /// Drift and bubbles.
    fn disturb(&self, disturbance: &Disturbance, shot: &Shot, sum: &mut [f32]) {
        let station = self.capture.station;
        let (beam, time_s) = (shot.place.beam as usize, shot.place.time_s);
        let probe = station.beams[beam].probe;
        let factor = disturbance.factor(probe, time_s);
        sum.iter_mut().for_each(|x| *x *= factor);
        let record = &self.capture.header.record;
        let pulse = &station.field.pulse;
        // Clear of the surface echo by two lengths of the pulse.
        let clear = 2.0 * PULSE_SIGMAS * pulse.sigma_s();
        let span_s = station.beams[beam].surface_time_s - clear - record.first_sample_s;
        for stray in disturbance.strays(probe, beam, time_s).filter(|_| span_s > 0.0) {
            let at = stray.share * span_s * record.sample_rate_hz;
            let height = f64::from(self.loudest[beam]) * stray.height;
            add_pulse(sum, pulse, record.sample_rate_hz, at, height);
        }
    }

    fn add(&self, echo: &Echo, beam: usize, later: f64, sum: &mut [f32]) {
        // Whole samples are moved, the rest is a turn of the carrier.
        let whole = later.round();
        let cycles = (later - whole) * self.capture.station.field.pulse.centre_hz
            / self.capture.header.record.sample_rate_hz;
        let factor = Complex32::from_polar(self.scale[beam], (TAU * cycles) as f32);
        let first = echo.first + whole as isize;
        let skip = (-first).clamp(0, echo.samples.len() as isize) as usize;
        let start = (first.max(0) as usize).min(sum.len());
        for (sum, z) in sum[start..].iter_mut().zip(&echo.samples[skip..]) {
            *sum += z.re * factor.re - z.im * factor.im;
        }
    }

    fn uncoupled(&self, probe: usize, z_m: f64) -> bool {
        self.capture.bar.as_ref().is_some_and(|bar| {
            bar.coupling_losses.iter().any(|loss| {
                loss.probe.is_none_or(|p| p as usize == probe)
                    && (loss.from_mm / 1e3..=loss.to_mm / 1e3).contains(&z_m)
            })
        })
    }
}

/// Rounds to sample values; full scale is the same on both sides.
fn to_counts(sum: &[f32], out: &mut [i16]) {
    // 1.5 · 2^23: adding it leaves the rounded number in the low bits, which unlike a cast is fast
    // on every processor.
    const ROUND: f32 = 12_582_912.0;
    let limit = f32::from(i16::MAX);
    for (out, &x) in out.iter_mut().zip(sum) {
        *out = (x.max(-limit).min(limit) + ROUND).to_bits() as i16;
    }
}

/// How the bar's centre wanders along its length.
struct Wander {
    most_m: f64,
    phase_rad: f64,
    direction_rad: f64,
}

/// Lengths along the bar of one swing and of one turn of its direction, in metres: long against
/// everything that is measured, short against a bar.
const SWING_M: f64 = 1.1;
const TURN_M: f64 = 1.7;

impl Wander {
    fn new(seed: u64, bar: &str, most_m: f64) -> Self {
        let mut random = generator(seed, &format!("wander/{bar}"));
        Self {
            most_m,
            phase_rad: random.random_range(0.0..TAU),
            direction_rad: random.random_range(0.0..TAU),
        }
    }

    fn at(&self, z_m: f64) -> Point {
        if self.most_m == 0.0 {
            return Point::default();
        }
        let size = self.most_m * (TAU * z_m / SWING_M + self.phase_rad).sin();
        Point::polar(size, self.direction_rad + TAU * z_m / TURN_M)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form.
    #[test]
    fn counts_round_and_stop_at_full_scale() {
        let mut out = [0i16; 7];
        to_counts(&[0.4, -0.6, 1234.6, 32766.9, 40000.0, -1e9, -32767.4], &mut out);
        assert_eq!(out, [0, -1, 1235, 32767, 32767, -32767, -32767]);
    }
}

//! Levelling: the gain of every beam from its echo of the reference bar, and what explains it.
//!
//! A visit is a run of shots of one beam within the turn window of one expected echo. Each visit
//! gives one height: the largest in the time window, refined by a parabola over the turn. Gains
//! change by the robust mean over the visits, in the steps and within the limits of the
//! electronics; a height in the inner half of the accepted band leaves its gain alone. Beside the
//! windows the whole turn is kept, so that an echo that comes at another turn is found and the
//! explanations (in `explain`) can say why.
//!
//! A level may rest on several captures: where an echo was clipped, a later capture at lower gain
//! gives its height; nothing is extrapolated.

mod attend;
mod gains;
mod heights;
mod stray;
mod tell;
mod track;
mod water;

use barwright_capture::{CaptureKind, Header, Shots};
use barwright_job::{
    Hash, Rules, Sealed, Technique,
    level::Level,
    reference::{Expected, ReferenceBar},
    station::Electronics,
};
use rayon::prelude::*;

use crate::{
    error::{EvaluateError, Result},
    explain::{self, Seen, Taken},
    follow::Follower,
    kernel::Detector,
    reading::{demand_capture, demand_shots, wrapped},
    trends::measures,
};
use attend::Attendance;
use track::{Look, Point};

pub(crate) use heights::BeamRead;
pub(crate) use track::{Form, Part, SurfacePoint, Trace, Track};
pub(crate) use water::{Spell, Water};

/// Share of the surface gate's threshold that is enough before gains are level (12 dB).
const UNLEVELLED: f64 = 0.25;
/// Most captures of one level: the first and three at lower gain.
const MOST_CAPTURES: usize = 4;
/// Names of a level's captures among its sources.
const ROLES: [&str; MOST_CAPTURES] = ["capture", "capture_2", "capture_3", "capture_4"];
/// Drop within which the rest of a pulse still hides a second echo of like height, in dB.
const PULSE_FOOT_DB: f64 = 20.0;
/// How many times its time window an echo is looked for either side when it is not in it.
pub(crate) const WIDE: f64 = 3.0;

/// A levelling in progress.
#[derive(Debug, Clone)]
pub struct Levelling {
    technique: Sealed<Technique>,
    reference: Sealed<ReferenceBar>,
    rules: Rules,
    headers: Vec<Header>,
    electronics: Electronics,
    detector: Detector,
    follower: Follower,
    /// For each beam, its expected echoes by number.
    by_beam: Vec<Vec<usize>>,
    tracks: Vec<Track>,
    /// Surface readings, for beams with a gate for it.
    surfaces: Vec<Vec<SurfacePoint>>,
    /// Traces up to the surface, of the first capture: `[beam][motion]`.
    forms: Vec<Vec<Form>>,
    attendance: Attendance,
    /// Time from an echo's peak within which nothing counts as a second one, in seconds.
    foot_s: f64,
    shots: u64,
}

impl Levelling {
    /// Starts a levelling.
    ///
    /// # Errors
    /// [`EvaluateError::OtherOrigin`] for a capture or reference bar of another technique,
    /// [`EvaluateError::WrongCapture`] for a capture that is neither of the reference bar nor
    /// still, and for one whose record or gains do not fit.
    pub fn new(
        technique: &Sealed<Technique>,
        reference: &Sealed<ReferenceBar>,
        rules: &Rules,
        electronics: &Electronics,
        header: &Header,
    ) -> Result<Self> {
        reference.demand(&reference.body.name, "technique", &technique.hash)?;
        demand(technique, header)?;
        let beams = technique.body.beams.len();
        let mut by_beam = vec![Vec::new(); beams];
        for (i, e) in reference.body.expected.iter().enumerate() {
            if let Some(list) = by_beam.get_mut(e.beam as usize) {
                list.push(i);
            }
        }
        let pulse = technique.body.pulse;
        let foot_s = barwright_wave::pulse::Pulse::new(pulse.centre_hz, pulse.bandwidth_rel)
            .map_or(0.0, |p| p.duration_s(PULSE_FOOT_DB) / 2.0);
        Ok(Self {
            detector: Detector::new(&technique.body),
            follower: Follower::new(&technique.body, UNLEVELLED),
            technique: technique.clone(),
            tracks: vec![Track::default(); reference.body.expected.len()],
            attendance: Attendance::new(beams, reference.body.motion.len()),
            reference: reference.clone(),
            rules: rules.clone(),
            headers: vec![header.clone()],
            electronics: *electronics,
            by_beam,
            surfaces: vec![Vec::new(); beams],
            forms: vec![vec![Form::default(); reference.body.motion.len()]; beams],
            foot_s,
            shots: 0,
        })
    }

    /// Goes on with another capture of the same reference bar, at other gains: for beams whose echo
    /// was clipped. The level's changes count from the gains of the latest capture.
    ///
    /// # Errors
    /// As [`Self::new`]; [`EvaluateError::Gains`] for a fifth capture.
    pub fn next_capture(&mut self, header: &Header) -> Result<()> {
        demand(&self.technique, header)?;
        if self.headers.len() == MOST_CAPTURES {
            let message = format!("a level rests on {MOST_CAPTURES} captures at most");
            return Err(EvaluateError::Gains { message });
        }
        self.headers.push(header.clone());
        self.follower = Follower::new(&self.technique.body, UNLEVELLED);
        self.attendance.next_capture();
        Ok(())
    }

    /// Reads a run of shots.
    ///
    /// # Errors
    /// [`EvaluateError::Shots`] when the run does not hold together.
    pub fn push(&mut self, shots: &Shots) -> Result<()> {
        demand_shots(&self.technique.body, &shots.run())?;
        let followed = self.follower.follow(&self.detector, &shots.run(), &shots.samples);
        let seen: Vec<Vec<Look>> = followed
            .par_iter()
            .enumerate()
            .with_min_len(256)
            .map(|(i, f)| if f.coupled { self.look(shots, i, f.shift_s) } else { Vec::new() })
            .collect();
        let capture = (self.headers.len() - 1) as u8;
        for (i, (seen, f)) in seen.into_iter().zip(&followed).enumerate() {
            let beam = shots.beam[i] as usize;
            let (motion, turn) = (shots.pass[i], f64::from(shots.turn_rad[i]));
            let run = self.attendance.note(beam, motion, turn, shots.z_m[i]);
            if let Some(surface) = f.surface.filter(|_| f.surface_shot.is_some()) {
                let before_fsh = self.before_fsh(shots, i, f.shift_s);
                self.surfaces[beam].push(SurfacePoint {
                    capture,
                    motion,
                    turn_rad: turn as f32,
                    time_s: shots.time_s[i],
                    shift_s: f.shift_s,
                    height_fsh: surface.height_fsh as f32,
                    before_fsh: before_fsh as f32,
                    coupled: f.coupled,
                });
            }
            if f.coupled && capture == 0 {
                self.form(shots, i);
            }
            for mut look in seen {
                look.point.run = run;
                look.point.capture = capture;
                look.point.time_s = shots.time_s[i] as f32;
                self.tracks[look.expected].add(&look);
            }
        }
        self.shots += shots.len() as u64;
        Ok(())
    }

    /// Adds a trace up to its surface: what a steered beam sees of it tells of its elements, and the
    /// flank of a clipped one its time.
    fn form(&mut self, shots: &Shots, i: usize) {
        let beam = shots.beam[i] as usize;
        let t = &self.technique.body;
        let b = &t.beams[beam];
        if b.surface_beam.is_none() || t.media.water.is_none() {
            return;
        }
        let end = t.record.position(b.surface_time_s + 2.0 * self.foot_s).max(0.0) as usize;
        let ascan = shots.ascan(i);
        if let Some(form) = self.forms[beam].get_mut(usize::from(shots.pass[i])) {
            let (time_s, turn_rad) = (shots.time_s[i], f64::from(shots.turn_rad[i]));
            form.add(&ascan[..end.min(ascan.len())], t.record.full_scale_fsh, time_s, turn_rad);
        }
    }

    /// Largest height before the flank of a shot's surface echo, where only water is.
    fn before_fsh(&self, shots: &Shots, i: usize, shift_s: f64) -> f64 {
        let beam = &self.technique.body.beams[shots.beam[i] as usize];
        // Twice as far from its peak a pulse stands four times as many decibels down.
        let end_s = beam.surface_time_s + shift_s - 2.0 * self.foot_s;
        let start_s = self.technique.body.record.first_sample_s;
        self.detector.peak(shots.ascan(i), start_s, end_s).map_or(0.0, |r| r.height_fsh)
    }

    /// Readings of all expected windows of one shot's beam.
    fn look(&self, shots: &Shots, i: usize, shift_s: f64) -> Vec<Look> {
        let beam = &self.technique.body.beams[shots.beam[i] as usize];
        let origin_s = beam.surface_time_s + shift_s;
        let own = &self.by_beam[shots.beam[i] as usize];
        own.iter()
            .filter_map(|&number| {
                let e = &self.reference.body.expected[number];
                let still = self.still(e);
                if !still && u32::from(shots.pass[i]) != e.motion {
                    return None;
                }
                let at_s = origin_s + e.after_surface_s;
                let window = (at_s - e.time_window_s, at_s + e.time_window_s);
                let reading = self.detector.peak(shots.ascan(i), window.0, window.1)?;
                let [a, b] = shots.clipped_s[i].map(f64::from);
                let turn = f64::from(shots.turn_rad[i]);
                let offset_rad = if still { 0.0 } else { wrapped(turn - e.turn_rad) };
                let inside = still || offset_rad.abs() <= e.turn_window_rad;
                let mut look = Look {
                    expected: number,
                    point: Point {
                        offset_rad: offset_rad as f32,
                        height_fsh: reading.height_fsh as f32,
                        time_off_s: (reading.time_s - at_s) as f32,
                        second_fsh: 0.0,
                        inside,
                        clipped: reading.clipped || (a <= window.1 && b >= window.0),
                        run: 0,
                        capture: 0,
                        time_s: 0.0,
                        spoilt: false,
                    },
                    wide: None,
                    others: Vec::new(),
                };
                if !still {
                    self.look_beside(shots, i, &mut look, origin_s, reading.time_s);
                }
                Some(look)
            })
            .collect()
    }

    /// A second echo in the window, one before or behind it, and echoes where this beam's other
    /// reflectors would show.
    fn look_beside(&self, shots: &Shots, i: usize, look: &mut Look, origin_s: f64, peak_s: f64) {
        let e = &self.reference.body.expected[look.expected];
        let ascan = shots.ascan(i);
        let at_s = origin_s + e.after_surface_s;
        let (from, to) = (at_s - e.time_window_s, at_s + e.time_window_s);
        let height =
            |from: f64, to: f64| (from < to).then(|| self.detector.peak(ascan, from, to)).flatten();
        if look.point.inside {
            let beside = [height(from, peak_s - self.foot_s), height(peak_s + self.foot_s, to)];
            let second = beside.iter().flatten().map(|r| r.height_fsh).fold(0.0, f64::max);
            look.point.second_fsh = second as f32;
        }
        let wide = WIDE * e.time_window_s;
        look.wide = [height(at_s - wide, from), height(to, at_s + wide)]
            .into_iter()
            .flatten()
            .max_by(|a, b| a.height_fsh.total_cmp(&b.height_fsh))
            .map(|r| (r.height_fsh as f32, (r.time_s - at_s) as f32));
        let turn = f64::from(shots.turn_rad[i]);
        for &number in &self.by_beam[e.beam as usize] {
            let other = &self.reference.body.expected[number];
            if number == look.expected
                || wrapped(turn - other.turn_rad).abs() > other.turn_window_rad
            {
                continue;
            }
            let at_s = origin_s + other.after_surface_s;
            let found = height(at_s - other.time_window_s, at_s + other.time_window_s);
            look.others.extend(found.map(|r| (number, r.height_fsh as f32)));
        }
    }

    /// Whether the bar stands still while this echo is looked for.
    fn still(&self, e: &Expected) -> bool {
        let motion = self.reference.body.motion.get(e.motion as usize);
        self.headers[0].kind == CaptureKind::Still || motion.is_none_or(|m| m.turn_rad == 0.0)
    }

    /// Ends a levelling on one capture, whose hash is given.
    ///
    /// # Errors
    /// As [`Self::finish_all`].
    pub fn finish(self, capture: Hash) -> Result<Sealed<Level>> {
        self.finish_all(vec![capture])
    }

    /// Ends the levelling; `captures` are the hashes of the captures read, in order.
    ///
    /// # Errors
    /// [`EvaluateError::Empty`] when no shot was read; [`EvaluateError::OtherMotion`] when the bar
    /// was not moved as the reference bar's motion list says; [`EvaluateError::Gap`] when shots of
    /// the list are missing where an echo could hide.
    pub fn finish_all(mut self, captures: Vec<Hash>) -> Result<Sealed<Level>> {
        if self.shots == 0 {
            return Err(EvaluateError::Empty);
        }
        if self.headers[0].kind != CaptureKind::Still {
            self.attendance.demand(&self.reference.body, &self.by_beam)?;
        }
        let water = Water::of(&self.technique.body, &self.surfaces);
        for (e, track) in self.reference.body.expected.iter().zip(&mut self.tracks) {
            let Some(beam) = self.technique.body.beams.get(e.beam as usize) else { continue };
            for p in &mut track.points {
                let at = f64::from(p.time_s);
                p.spoilt = water.spoilt(beam.probe, p.capture, (at, at));
            }
        }
        let gains: Vec<&[f64]> = self.headers.iter().map(|h| h.gains_db.as_slice()).collect();
        let (technique, reference) = (&self.technique.body, &self.reference.body);
        let reads: Vec<BeamRead> = (0..self.by_beam.len())
            .map(|b| heights::read(reference, &self.by_beam[b], &self.tracks, &gains, b))
            .collect();
        let strays: Vec<Option<stray::Stray>> = (0..self.by_beam.len())
            .map(|b| stray::find(reference, &self.by_beam[b], &self.tracks, &reads[b]))
            .collect();
        let taken = Taken {
            tracks: &self.tracks,
            surfaces: &self.surfaces,
            forms: &self.forms,
            reads: &reads,
            gains: &gains,
            water: &water,
        };
        let seen = Seen::new(technique, reference, &taken);
        let explained = explain::explain(&seen);
        let context = gains::Context { rule: &self.rules.level, electronics: &self.electronics };
        let latest = gains.last().copied().unwrap_or_default();
        let beams: Vec<_> = (0..reads.len())
            .map(|b| {
                let full_scale = technique.record.full_scale_fsh;
                let cured_db = explained.cured_db[b];
                context.beam(b, &reads[b], strays[b], latest[b], cured_db, full_scale)
            })
            .collect();
        let passes = reads.iter().filter(|r| r.visits > 0).map(|r| r.visits).min().unwrap_or(0);
        let findings = tell::findings(&tell::Told {
            beams: &beams,
            reads: &reads,
            strays: &strays,
            explained: &explained,
            reference,
            electronics: &self.electronics,
            missed: self.attendance.missed(reference),
            still: self.headers[0].kind == CaptureKind::Still,
            passes,
        });
        let good = gains::all_done(&beams) && !explained.needs_a_hand();
        let measures = measures::of_level(technique, &beams, &explained.list, &self.surfaces);
        let body = Level {
            beams,
            passes,
            good,
            bar_offset_m: explained.bar_offset_m,
            explanations: explained.list,
            findings,
            measures,
        };
        let mut sources = vec![
            ("technique", self.technique.hash),
            ("reference_bar", self.reference.hash),
            ("rules", self.rules.hash()),
        ];
        sources.extend(ROLES.into_iter().zip(captures));
        Ok(Sealed::seal(body, sources))
    }
}

/// Demands a capture of the reference bar, moved or still.
fn demand(technique: &Sealed<Technique>, header: &Header) -> Result<()> {
    let kinds = [CaptureKind::Reference, CaptureKind::Still];
    let wanted = "the reference bar moved through its motion list";
    demand_capture("levelling", &kinds, wanted, technique, header)
}

//! Following the surface: the shift of every shot's gates, and whether sound got into the steel.

use barwright_capture::ShotRun;
use barwright_job::{
    Technique,
    technique::{Gate, GateKind},
};
use rayon::prelude::*;

use crate::kernel::{Detector, Reading, sample::Sample};

/// What following the surface tells of one shot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Followed {
    /// Measured minus nominal surface time, to be added to all times of this shot, in seconds.
    pub shift_s: f64,
    /// The shot's own surface echo, for beams that have a gate for it.
    pub surface: Option<Reading>,
    /// Whether a surface echo at or above its threshold stands behind the shift.
    pub coupled: bool,
    /// The shot that gave the surface, counted from the first one ever followed.
    pub surface_shot: Option<u64>,
}

/// How a beam gets its surface.
#[derive(Debug, Clone, Copy)]
enum Source {
    /// From its own gate (times from firing).
    Own(Gate),
    /// From another beam.
    Leader(u32),
    /// In contact: time counts from firing.
    Firing,
}

/// The last shot of a beam.
#[derive(Debug, Clone, Copy)]
struct Last {
    shot: u64,
    pass: u16,
    shift_s: f64,
    coupled: bool,
}

/// Follows the surface through a capture.
///
/// A beam without a surface gate takes the latest shift of the beam it follows, provided that one
/// fired since this beam's previous shot in the same pass; otherwise the shot counts as not coupled.
#[derive(Debug, Clone)]
pub(crate) struct Follower {
    sources: Vec<Source>,
    nominal_s: Vec<f64>,
    last: Vec<Option<Last>>,
    count: u64,
}

impl Follower {
    /// Number of shots followed so far.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// A follower that takes a surface echo from `share` of its gate's threshold: one, but less
    /// where gains are still to be found.
    pub fn new(technique: &Technique, share: f64) -> Self {
        let sources = technique
            .beams
            .iter()
            .map(|b| match (b.gate(GateKind::Surface), b.surface_beam) {
                (Some(&gate), _) => {
                    Source::Own(Gate { threshold_fsh: share * gate.threshold_fsh, ..gate })
                }
                (None, Some(leader)) => Source::Leader(leader),
                (None, None) => Source::Firing,
            })
            .collect();
        Self {
            sources,
            nominal_s: technique.beams.iter().map(|b| b.surface_time_s).collect(),
            last: vec![None; technique.beams.len()],
            count: 0,
        }
    }

    /// One entry for each shot of a run that has been checked.
    ///
    /// `samples` are those of the run, shot after shot.
    pub fn follow<S: Sample>(
        &mut self,
        detector: &Detector,
        shots: &ShotRun<'_>,
        samples: &[S],
    ) -> Vec<Followed> {
        let n = shots.samples_per_shot;
        let surfaces: Vec<Option<Reading>> = (0..shots.len())
            .into_par_iter()
            .with_min_len(512)
            .map(|i| match self.sources[shots.beam[i] as usize] {
                Source::Own(gate) => {
                    detector.peak(&samples[i * n..(i + 1) * n], gate.start_s, gate.end_s)
                }
                _ => None,
            })
            .collect();
        surfaces
            .into_iter()
            .enumerate()
            .map(|(i, surface)| self.step(shots.beam[i] as usize, shots.pass[i], surface))
            .collect()
    }

    fn step(&mut self, beam: usize, pass: u16, surface: Option<Reading>) -> Followed {
        let shot = self.count;
        self.count += 1;
        let previous = self.last[beam].filter(|l| l.pass == pass);
        let followed = match self.sources[beam] {
            Source::Firing => Followed { shift_s: 0.0, surface, coupled: true, surface_shot: None },
            Source::Own(gate) => {
                let sound = surface.filter(|r| r.height_fsh >= gate.threshold_fsh);
                Followed {
                    shift_s: sound.map_or(previous.map_or(0.0, |l| l.shift_s), |r| {
                        r.time_s - self.nominal_s[beam]
                    }),
                    surface,
                    coupled: sound.is_some(),
                    surface_shot: Some(shot),
                }
            }
            Source::Leader(leader) => {
                let led =
                    self.last.get(leader as usize).copied().flatten().filter(|l| l.pass == pass);
                let fresh = led.filter(|l| previous.is_none_or(|p| l.shot > p.shot));
                Followed {
                    shift_s: led.map_or(0.0, |l| l.shift_s),
                    surface: None,
                    coupled: fresh.is_some_and(|l| l.coupled),
                    surface_shot: fresh.map(|l| l.shot),
                }
            }
        };
        self.last[beam] =
            Some(Last { shot, pass, shift_s: followed.shift_s, coupled: followed.coupled });
        followed
    }
}

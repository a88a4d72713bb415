//! Which A-scans are kept: those of alarms and of lost coupling, with what came before and after.

use std::collections::VecDeque;

use barwright_capture::{KeptAscan, ShotRun};
use serde::{Deserialize, Serialize};

/// What is kept of a bar's samples. Peaks are kept of every shot in any case.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Retention {
    /// No A-scans.
    Peaks,
    /// A-scans of alarms and where coupling is lost, with two shots of the beam before and after.
    #[default]
    Around,
    /// Every A-scan, in a capture of its own beside the peaks.
    All,
}

/// Shots of the same beam kept before and after one that is kept for itself.
const CONTEXT: usize = 2;
/// Most A-scans kept of one bar.
pub(crate) const MOST_KEPT: u64 = 12_288;

/// A recent shot of a beam.
#[derive(Debug, Clone)]
enum Recent {
    /// In the run at hand, at this place.
    InRun(usize),
    /// From an earlier run.
    Held(KeptAscan),
    /// Kept already.
    Kept,
}

/// Chooses the A-scans to keep.
#[derive(Debug, Clone)]
pub(crate) struct Keeper {
    retention: Retention,
    first_sample_s: f64,
    recent: Vec<VecDeque<Recent>>,
    /// Shots of each beam still to be kept after one kept for itself.
    due: Vec<usize>,
    kept: u64,
    /// A-scans that would have been kept beyond the limit.
    pub missed: u64,
}

impl Keeper {
    pub fn new(retention: Retention, beams: usize, first_sample_s: f64) -> Self {
        Self {
            retention,
            first_sample_s,
            recent: vec![VecDeque::new(); beams],
            due: vec![0; beams],
            kept: 0,
            missed: 0,
        }
    }

    /// The A-scans to keep of a run; `wanted` says of each shot whether it is kept for itself.
    pub fn keep(&mut self, shots: &ShotRun<'_>, wanted: impl Fn(usize) -> bool) -> Vec<KeptAscan> {
        let mut out = Vec::new();
        if self.retention != Retention::Around {
            return out;
        }
        for i in 0..shots.len() {
            let beam = shots.beam[i] as usize;
            if wanted(i) {
                for r in std::mem::take(&mut self.recent[beam]) {
                    match r {
                        Recent::InRun(k) => self.add(&mut out, self.ascan(shots, k)),
                        Recent::Held(a) => self.add(&mut out, a),
                        Recent::Kept => {}
                    }
                }
                self.due[beam] = CONTEXT + 1;
            }
            let keep = self.due[beam] > 0;
            if keep {
                self.due[beam] -= 1;
                self.add(&mut out, self.ascan(shots, i));
            }
            let recent = &mut self.recent[beam];
            recent.push_back(if keep { Recent::Kept } else { Recent::InRun(i) });
            if recent.len() > CONTEXT {
                recent.pop_front();
            }
        }
        for beam in 0..self.recent.len() {
            for at in 0..self.recent[beam].len() {
                if let Recent::InRun(i) = self.recent[beam][at] {
                    self.recent[beam][at] = Recent::Held(self.ascan(shots, i));
                }
            }
        }
        out
    }

    fn add(&mut self, out: &mut Vec<KeptAscan>, ascan: KeptAscan) {
        if self.kept < MOST_KEPT {
            self.kept += 1;
            out.push(ascan);
        } else {
            self.missed += 1;
        }
    }

    fn ascan(&self, shots: &ShotRun<'_>, i: usize) -> KeptAscan {
        KeptAscan {
            beam: shots.beam[i],
            z_m: shots.z_m[i],
            turn_rad: shots.turn_rad[i],
            time_s: shots.time_s[i],
            first_sample_s: self.first_sample_s,
            samples: shots.ascan(i),
        }
    }
}

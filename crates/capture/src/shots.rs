//! Recorded shots in memory and the header that says what they are.

use std::{fmt, ops::Range};

use barwright_job::{Hash, technique::Record};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a capture was taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CaptureKind {
    /// The reference bar moved through its motion list.
    Reference,
    /// The reference bar at line speed, several passes.
    Check,
    /// A bar of the order at line speed.
    Production,
    /// One position on a block or bar that does not move.
    Still,
}

impl fmt::Display for CaptureKind {
    /// What was recorded, in words.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Reference => "the reference bar through its motion list",
            Self::Check => "passes of the reference bar at line speed",
            Self::Production => "a bar at line speed",
            Self::Still => "a block or bar that does not move",
        })
    }
}

/// What a capture is and what it was taken with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// What it was taken for.
    pub kind: CaptureKind,
    /// Hash of the technique that was loaded.
    pub technique: Hash,
    /// Hash of the level that was loaded; absent before levelling.
    pub level: Option<Hash>,
    /// Bar or block it was taken from.
    pub bar: String,
    /// Heat of the bar.
    pub heat: String,
    /// Length of the bar in metres.
    pub length_m: f64,
    /// What was recorded of each shot.
    pub record: Record,
    /// Gain that was set for each beam, dB re unit transfer.
    pub gains_db: Vec<f64>,
    /// Where the shots come from, in words (station, or file of a measured matrix).
    pub origin: String,
}

/// A run of shots, one entry in each column for each shot, in order of time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shots {
    /// Samples of one shot.
    pub samples_per_shot: usize,
    /// Motion of the motion list (reference) or pass (check); 0 otherwise.
    pub pass: Vec<u16>,
    /// Beam by number.
    pub beam: Vec<u32>,
    /// Time since the capture began, in seconds.
    pub time_s: Vec<f64>,
    /// Place along the bar under the ring, metres from the head end.
    pub z_m: Vec<f64>,
    /// Turn of the bar, counter-clockwise, in rad: a reflector at angle φ of the bar stands at
    /// φ + turn in the section.
    pub turn_rad: Vec<f32>,
    /// First and last time from firing, in seconds, at which a source trace of a formed beam was
    /// at full scale although the sum is not; NaN where none was. Beams recorded as such have NaN
    /// here: their own samples tell.
    pub clipped_s: Vec<[f32; 2]>,
    /// Samples, shot after shot; `i16::MAX` stands for the record's `full_scale_fsh`.
    pub samples: Vec<i16>,
}

impl Shots {
    /// An empty run for shots of that many samples.
    #[must_use]
    pub fn new(samples_per_shot: usize) -> Self {
        Self { samples_per_shot, ..Self::default() }
    }

    /// Number of shots.
    #[must_use]
    pub fn len(&self) -> usize {
        self.beam.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.beam.is_empty()
    }

    /// Samples of one shot. Valid for `index < len()`.
    #[must_use]
    pub fn ascan(&self, index: usize) -> &[i16] {
        &self.samples[index * self.samples_per_shot..(index + 1) * self.samples_per_shot]
    }

    /// The run, lent.
    #[must_use]
    pub fn run(&self) -> ShotRun<'_> {
        ShotRun {
            samples_per_shot: self.samples_per_shot,
            pass: &self.pass,
            beam: &self.beam,
            time_s: &self.time_s,
            z_m: &self.z_m,
            turn_rad: &self.turn_rad,
            clipped_s: &self.clipped_s,
            samples: Samples::I16(&self.samples),
        }
    }

    /// Appends all shots of another run with as many samples per shot.
    pub fn append(&mut self, mut other: Self) {
        debug_assert_eq!(self.samples_per_shot, other.samples_per_shot);
        self.pass.append(&mut other.pass);
        self.beam.append(&mut other.beam);
        self.time_s.append(&mut other.time_s);
        self.z_m.append(&mut other.z_m);
        self.turn_rad.append(&mut other.turn_rad);
        self.clipped_s.append(&mut other.clipped_s);
        self.samples.append(&mut other.samples);
    }

    /// Appends the columns of one shot and `samples_per_shot` zero samples, returned for filling.
    pub fn push(&mut self, shot: ShotPlace) -> &mut [i16] {
        self.pass.push(shot.pass);
        self.beam.push(shot.beam);
        self.time_s.push(shot.time_s);
        self.z_m.push(shot.z_m);
        self.turn_rad.push(shot.turn_rad);
        self.clipped_s.push([f32::NAN; 2]);
        let start = self.samples.len();
        self.samples.resize(start + self.samples_per_shot, 0);
        &mut self.samples[start..]
    }
}

/// What the samples of an A-scan are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Waveform {
    /// Sound pressure with its sign.
    #[default]
    RadioFrequency,
    /// Its magnitude, smoothed or not.
    Rectified,
}

/// What the electronics made of the sound before they gave it away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signal {
    /// What the samples are.
    #[serde(default)]
    pub waveform: Waveform,
    /// Whether the samples carry the technique's gain against depth; otherwise it is laid on when screening.
    #[serde(default = "yes")]
    pub gain_curve_applied: bool,
}

fn yes() -> bool {
    true
}

impl Default for Signal {
    fn default() -> Self {
        Self { waveform: Waveform::RadioFrequency, gain_curve_applied: true }
    }
}

/// A run of shots whose columns lie elsewhere: in [`Shots`], or in a message as it came.
#[derive(Debug, Clone, Copy)]
pub struct ShotRun<'a> {
    /// As [`Shots::samples_per_shot`].
    pub samples_per_shot: usize,
    /// As [`Shots::pass`].
    pub pass: &'a [u16],
    /// As [`Shots::beam`].
    pub beam: &'a [u32],
    /// As [`Shots::time_s`].
    pub time_s: &'a [f64],
    /// As [`Shots::z_m`].
    pub z_m: &'a [f64],
    /// As [`Shots::turn_rad`].
    pub turn_rad: &'a [f32],
    /// As [`Shots::clipped_s`].
    pub clipped_s: &'a [[f32; 2]],
    /// Samples, shot after shot.
    pub samples: Samples<'a>,
}

/// Samples of a run of shots, as the electronics give them.
#[derive(Debug, Clone, Copy)]
pub enum Samples<'a> {
    /// 8 bit: `i8::MAX` stands for the record's `full_scale_fsh`.
    I8(&'a [i8]),
    /// 16 bit: `i16::MAX` stands for it.
    I16(&'a [i16]),
    /// 32-bit floating point: 1 stands for it.
    F32(&'a [f32]),
}

impl Samples<'_> {
    /// Number of samples of all shots.
    #[must_use]
    pub fn len(&self) -> usize {
        match self {
            Self::I8(s) => s.len(),
            Self::I16(s) => s.len(),
            Self::F32(s) => s.len(),
        }
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Samples of a range as 16 bit; what is not a number stands at full scale.
    #[must_use]
    pub fn to_i16(&self, range: Range<usize>) -> Vec<i16> {
        let full = f32::from(i16::MAX);
        match self {
            // 127 becomes 32766, which counts as full scale.
            Self::I8(s) => s[range].iter().map(|&x| i16::from(x) * 258).collect(),
            Self::I16(s) => s[range].to_vec(),
            Self::F32(s) => s[range]
                .iter()
                .map(|&x| if x.is_nan() { i16::MAX } else { (x * full).clamp(-full, full) as i16 })
                .collect(),
        }
    }
}

impl ShotRun<'_> {
    /// Number of shots.
    #[must_use]
    pub fn len(&self) -> usize {
        self.beam.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.beam.is_empty()
    }

    /// Samples of one shot as 16 bit. Valid for `index < len()`.
    #[must_use]
    pub fn ascan(&self, index: usize) -> Vec<i16> {
        let n = self.samples_per_shot;
        self.samples.to_i16(index * n..(index + 1) * n)
    }
}

/// Where and when a shot was taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShotPlace {
    /// Motion or pass.
    pub pass: u16,
    /// Beam by number.
    pub beam: u32,
    /// Time since the capture began, in seconds.
    pub time_s: f64,
    /// Place along the bar, metres from the head end.
    pub z_m: f64,
    /// Turn of the bar in rad.
    pub turn_rad: f32,
}

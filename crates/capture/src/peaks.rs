//! What is left of shots once their gates have been read: a line for each shot, an echo for each
//! gate.

use barwright_job::screened::Echo;

/// One shot without its samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShotLine {
    /// Its number within the bar, counted from 0 in the order of reading.
    pub shot: u64,
    /// Beam by number.
    pub beam: u32,
    /// Motion or pass.
    pub pass: u16,
    /// Time since the capture began, in seconds.
    pub time_s: f64,
    /// Place along the bar, metres from the head end.
    pub z_m: f64,
    /// Turn of the bar in rad.
    pub turn_rad: f32,
    /// Whether sound got into the steel, and the gates lay inside the record.
    pub coupled: bool,
    /// The shot whose surface echo stands behind it.
    pub surface_shot: Option<u64>,
    /// Whether full scale hid a flaw gate, wholly or in part.
    pub hidden: bool,
    /// Number of its echoes: one for each gate of its beam.
    pub gates: u8,
}

/// The peaks of a run of shots.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Peaks {
    /// The shots, in order of reading.
    pub lines: Vec<ShotLine>,
    /// Their echoes, shot after shot, [`ShotLine::gates`] of each.
    pub echoes: Vec<Echo>,
}

impl Peaks {
    /// Every shot with its echoes.
    pub fn shots(&self) -> impl Iterator<Item = (&ShotLine, &[Echo])> {
        let mut rest = self.echoes.as_slice();
        self.lines.iter().map(move |line| {
            let (own, others) = rest.split_at(usize::from(line.gates).min(rest.len()));
            rest = others;
            (line, own)
        })
    }

    /// Every shot with its echoes, to be marked.
    pub fn shots_mut(&mut self) -> impl Iterator<Item = (&mut ShotLine, &mut [Echo])> {
        let mut rest = self.echoes.as_mut_slice();
        self.lines.iter_mut().map(move |line| {
            let all = std::mem::take(&mut rest);
            let (own, others) = all.split_at_mut(usize::from(line.gates).min(all.len()));
            rest = others;
            (line, own)
        })
    }

    /// Appends the peaks that follow.
    pub fn append(&mut self, mut other: Self) {
        self.lines.append(&mut other.lines);
        self.echoes.append(&mut other.echoes);
    }
}

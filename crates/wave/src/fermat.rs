//! Least-time paths in bulk: one source in the water, many targets in the steel.
//!
//! The same paths as [`crate::path::least_time`] gives one at a time, at the pace of the machine's
//! vector instructions. The least-time condition is squared, which leaves a polynomial free of roots
//! and angles, and solved by Halley's method for many targets side by side. Targets that are special
//! (on the surface, outside the steel, at the end of a face, not converged) go to `least_time`, so
//! that every answer and every refusal is the plain one.

mod block;
mod flat;
mod rays;
mod round;

pub use rays::{RayState, Rays, RaysMut, Tally};

use crate::error::{Result, WaveError};
use crate::geometry::{Point, Surface};
use crate::lanes::{Kernel, LANES, widest};
use crate::path::{Path, check, least_time};
use block::{Block, FOUND, NO_PATH, Step};

/// The least-time paths from one source through one surface, for one kind of wave.
#[derive(Debug, Clone, Copy)]
pub struct Fermat {
    surface: Surface,
    from: Point,
    water_m_s: f64,
    steel_m_s: f64,
    frame: Frame,
}

/// The source in the frame in which its targets are solved.
#[derive(Debug, Clone, Copy)]
enum Frame {
    Round(round::Frame),
    Flat(flat::Frame),
    /// Steel slower than water: one by one.
    Plain,
}

impl Fermat {
    /// Prepares the paths from a point in the water for waves of velocity `steel_m_s` in the steel.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a source that does not stand in the water, a surface or a
    /// velocity that is none; the same as [`least_time`].
    pub fn new(surface: &Surface, from: Point, water_m_s: f64, steel_m_s: f64) -> Result<Self> {
        check(surface, from, water_m_s, steel_m_s)?;
        let frame = match *surface {
            _ if steel_m_s <= water_m_s => Frame::Plain,
            Surface::Round { centre, radius_m } => {
                Frame::Round(round::Frame::new(centre, radius_m, from, water_m_s, steel_m_s))
            }
            Surface::Flat { a, b } => {
                Frame::Flat(flat::Frame::new(a, b, from, water_m_s, steel_m_s))
            }
        };
        Ok(Self { surface: *surface, from, water_m_s, steel_m_s, frame })
    }

    /// Paths to the targets (`x_m[i]`, `y_m[i]`). Allocates nothing.
    ///
    /// # Errors
    /// [`WaveError::Count`] for lists of different lengths. Targets without an answer are no error
    /// here: their state says so, and [`Self::path`] gives the reason.
    pub fn rays(&self, x_m: &[f64], y_m: &[f64], out: &mut RaysMut<'_>) -> Result<Tally> {
        same_length("y coordinates of the targets", y_m.len(), x_m.len())?;
        out.check(x_m.len())?;
        let mut tally = Tally::default();
        widest(Blocks::<_, true> {
            fermat: self,
            x_m,
            y_m,
            tally: &mut tally,
            keep: |start, count, block: &Block| out.copy(start, count, block),
        });
        Ok(tally)
    }

    /// Travel times in s to the targets (`x_m[i]`, `y_m[i]`); infinite where no ray arrives.
    /// Allocates nothing.
    ///
    /// # Errors
    /// [`WaveError::Count`] for lists of different lengths.
    pub fn times(&self, x_m: &[f64], y_m: &[f64], time_s: &mut [f64]) -> Result<Tally> {
        same_length("y coordinates of the targets", y_m.len(), x_m.len())?;
        same_length("places for travel times", time_s.len(), x_m.len())?;
        let mut tally = Tally::default();
        widest(Blocks::<_, false> {
            fermat: self,
            x_m,
            y_m,
            tally: &mut tally,
            keep: |start: usize, count: usize, block: &Block| {
                time_s[start..start + count].copy_from_slice(&block.time_s[..count]);
            },
        });
        Ok(tally)
    }

    /// One path, solved by the plain solver; what a state other than [`RayState::Found`] stands for.
    ///
    /// # Errors
    /// Those of [`least_time`].
    pub fn path(&self, to: Point) -> Result<Path> {
        least_time(&self.surface, self.from, to, self.water_m_s, self.steel_m_s)
    }

    /// Gives the lanes that the kernel left open their plain answer.
    #[inline(never)]
    fn settle(&self, block: &mut Block, count: usize, tally: &mut Tally) {
        for i in 0..count {
            if block.code[i] == FOUND {
                continue;
            }
            let state = if block.code[i] == NO_PATH {
                RayState::NoPath
            } else {
                tally.one_by_one += 1;
                match self.path(Point::new(block.x_m[i], block.y_m[i])) {
                    Ok(path) => {
                        block.put(i, &path);
                        continue;
                    }
                    Err(WaveError::NoPath { .. }) => RayState::NoPath,
                    Err(_) => RayState::Refused,
                }
            };
            block.miss(i, state);
            match state {
                RayState::NoPath => tally.no_path += 1,
                _ => tally.refused += 1,
            }
        }
    }
}

/// Travel times in s from every element of an aperture to every target: `time_s[e·n + i]` for
/// source `e` and target `i` of `n`; infinite where no ray arrives. On all cores.
///
/// # Errors
/// [`WaveError::Count`] for lists of different lengths; those of [`Fermat::new`] for the first source
/// that has one.
pub fn aperture_times(
    surface: &Surface,
    from: &[Point],
    water_m_s: f64,
    steel_m_s: f64,
    x_m: &[f64],
    y_m: &[f64],
    time_s: &mut [f64],
) -> Result<Tally> {
    use rayon::prelude::*;
    same_length("y coordinates of the targets", y_m.len(), x_m.len())?;
    same_length("places for travel times", time_s.len(), from.len() * x_m.len())?;
    if x_m.is_empty() {
        return Ok(Tally::default());
    }
    time_s
        .par_chunks_exact_mut(x_m.len())
        .zip(from)
        .map(|(times, at)| Fermat::new(surface, *at, water_m_s, steel_m_s)?.times(x_m, y_m, times))
        .try_reduce(Tally::default, |a, b| Ok(a + b))
}

/// All blocks of a list of targets.
struct Blocks<'a, K, const FULL: bool> {
    fermat: &'a Fermat,
    x_m: &'a [f64],
    y_m: &'a [f64],
    tally: &'a mut Tally,
    keep: K,
}

impl<K: FnMut(usize, usize, &Block), const FULL: bool> Kernel for Blocks<'_, K, FULL> {
    #[inline(always)]
    fn run<const FMA: bool>(mut self) {
        let mut block = Block::default();
        for start in (0..self.x_m.len()).step_by(LANES) {
            let count = LANES.min(self.x_m.len() - start);
            block.load(&self.x_m[start..start + count], &self.y_m[start..start + count]);
            match &self.fermat.frame {
                Frame::Round(frame) => frame.solve::<FMA, FULL>(&mut block),
                Frame::Flat(frame) => frame.solve::<FMA, FULL>(&mut block),
                Frame::Plain => block.hand_over(),
            }
            let before = self.tally.no_path + self.tally.refused;
            if block.code[..count].iter().sum::<f64>() > 0.0 {
                self.fermat.settle(&mut block, count, self.tally);
            }
            self.tally.found += count - (self.tally.no_path + self.tally.refused - before);
            (self.keep)(start, count, &block);
        }
    }
}

fn same_length(what: &'static str, got: usize, need: usize) -> Result<()> {
    if got == need { Ok(()) } else { Err(WaveError::Count { what, got, need }) }
}

#[cfg(test)]
mod tests;

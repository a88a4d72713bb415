//! The lanes that are solved side by side.

use super::rays::RayState;
use crate::lanes::{LANES, Lane, Real, fma};
use crate::path::Path;

/// Code of a lane that is solved.
pub(super) const FOUND: f64 = 0.0;
/// Code of a lane whose ray misses the face.
pub(super) const NO_PATH: f64 = 1.0;
/// Code of a lane for the plain solver.
pub(super) const HAND_OVER: f64 = 2.0;

/// Steps in single precision, which nearly every lane needs and which halve the work.
const COARSE_STEPS: usize = 2;
/// Steps in double precision after which a lane that still moves is handed over.
const FINE_STEPS: usize = 8;
/// A lane is solved once its last step was shorter than this part of the shorter way: Halley's
/// method leaves its third power.
const SETTLED: f64 = 3e-5;
/// Targets closer to the surface than this part of its size go to the plain solver.
pub(super) const SHALLOW: f64 = 1e-6;
/// Slack of the bracket, above rounding, in single and double precision.
const COARSE_SLACK: f64 = 1e-6;
const FINE_SLACK: f64 = 1e-12;

/// Targets and unknowns of all lanes in one precision.
#[derive(Clone)]
pub(super) struct Unknowns<R> {
    /// Coordinates of the target in the frame of the solver.
    pub u: Lane<R>,
    pub v: Lane<R>,
    /// Unknown with the bracket around it.
    pub t: Lane<R>,
    pub low: Lane<R>,
    pub high: Lane<R>,
    /// How far the unknown is from settled (0 or less: it is).
    pub unsettled: Lane<R>,
}

impl<R: Real> Unknowns<R> {
    fn zero() -> Self {
        let z = [R::of(0.0); LANES];
        Self { u: z, v: z, t: z, low: z, high: z, unsettled: z }
    }
}

/// What a source before one kind of face brings to the solver. All of it must be `#[inline(always)]`.
pub(super) trait Step: Sized {
    /// Targets in the frame, first guess and bracket.
    fn start<const FMA: bool>(&self, block: &mut Block);
    /// One step of the solver on all lanes, in either precision.
    fn step<R: Real, const FMA: bool>(&self, lanes: &mut Unknowns<R>, slack: R);
    /// Times and codes from the entries found; lengths, angles and places too if `FULL`.
    fn finish<const FMA: bool, const FULL: bool>(&self, block: &mut Block);

    /// All lanes of a block.
    #[inline(always)]
    fn solve<const FMA: bool, const FULL: bool>(&self, block: &mut Block) {
        self.start::<FMA>(block);
        block.iterate::<FMA>(self);
        self.finish::<FMA, FULL>(block);
    }
}

/// Targets and answers of all lanes.
#[derive(Clone)]
pub(super) struct Block {
    pub x_m: Lane,
    pub y_m: Lane,
    pub coarse: Unknowns<f32>,
    pub fine: Unknowns<f64>,
    /// -1 where the frame is mirrored.
    pub side: Lane,
    pub code: Lane,
    pub state: [RayState; LANES],
    pub time_s: Lane,
    pub water_m: Lane,
    pub steel_m: Lane,
    pub sin_in: Lane,
    pub cos_in: Lane,
    pub sin_out: Lane,
    pub cos_out: Lane,
    pub entry_x_m: Lane,
    pub entry_y_m: Lane,
}

impl Default for Block {
    fn default() -> Self {
        let z = [0.0; LANES];
        Self {
            x_m: z,
            y_m: z,
            coarse: Unknowns::zero(),
            fine: Unknowns::zero(),
            side: z,
            code: z,
            state: [RayState::Found; LANES],
            time_s: z,
            water_m: z,
            steel_m: z,
            sin_in: z,
            cos_in: z,
            sin_out: z,
            cos_out: z,
            entry_x_m: z,
            entry_y_m: z,
        }
    }
}

impl Block {
    /// Takes up to [`LANES`] targets, at least one; spare lanes repeat the first.
    #[inline(always)]
    pub(super) fn load(&mut self, x_m: &[f64], y_m: &[f64]) {
        let count = x_m.len();
        self.x_m[..count].copy_from_slice(x_m);
        self.y_m[..count].copy_from_slice(y_m);
        self.x_m[count..].fill(x_m[0]);
        self.y_m[count..].fill(y_m[0]);
        self.state = [RayState::Found; LANES];
    }

    pub(super) fn hand_over(&mut self) {
        self.code = [HAND_OVER; LANES];
    }

    /// Repeats the step on all lanes until they are settled, or long enough.
    #[inline(always)]
    pub(super) fn iterate<const FMA: bool>(&mut self, frame: &impl Step) {
        let (coarse, fine) = (&mut self.coarse, &mut self.fine);
        for _ in 0..COARSE_STEPS {
            frame.step::<f32, FMA>(coarse, COARSE_SLACK as f32);
        }
        for i in 0..LANES {
            fine.t[i] = f64::from(coarse.t[i]);
        }
        for _ in 0..FINE_STEPS {
            frame.step::<f64, FMA>(fine, FINE_SLACK);
            // Counted, since a sum of numbers would not be vector code.
            let open: u64 = fine.unsettled.iter().map(|r| u64::from(*r > 0.0)).sum();
            if open == 0 {
                break;
            }
        }
    }

    /// The answer of the plain solver.
    pub(super) fn put(&mut self, i: usize, path: &Path) {
        self.time_s[i] = path.time_s;
        self.water_m[i] = path.water_m;
        self.steel_m[i] = path.steel_m;
        (self.sin_in[i], self.cos_in[i]) = path.angle_in_rad.sin_cos();
        (self.sin_out[i], self.cos_out[i]) = path.angle_out_rad.sin_cos();
        (self.entry_x_m[i], self.entry_y_m[i]) = (path.entry.x, path.entry.y);
    }

    /// No answer.
    pub(super) fn miss(&mut self, i: usize, state: RayState) {
        self.state[i] = state;
        self.time_s[i] = f64::INFINITY;
        for values in [
            &mut self.water_m,
            &mut self.steel_m,
            &mut self.sin_in,
            &mut self.cos_in,
            &mut self.sin_out,
            &mut self.cos_out,
            &mut self.entry_x_m,
            &mut self.entry_y_m,
        ] {
            values[i] = 0.0;
        }
    }
}

/// Halley's step of the way s for a function, half its derivative and half its second derivative.
/// Zero where all of them vanish.
#[inline(always)]
pub(super) fn halley<R: Real, const FMA: bool>(f: R, half_first: R, half_second: R) -> R {
    let first = half_first + half_first;
    let tiny = R::of(f64::from(f32::MIN_POSITIVE));
    f * first / (fma::<R, FMA>(first, first, -f * half_second) + tiny)
}

impl<R: Real> Unknowns<R> {
    /// Moves a lane's unknown to `next`, or halves its bracket where that would leave it; returns the
    /// move.
    #[inline(always)]
    pub(super) fn advance(&mut self, i: usize, f: R, next: R, slack: R) -> R {
        let t = self.t[i];
        let above = f >= R::of(0.0);
        let low = if above { self.low[i] } else { t };
        let high = if above { t } else { self.high[i] };
        let middle = R::of(0.5) * (low + high);
        // Written so that a step that is no number is refused as well.
        let next = if next >= low - slack { next } else { middle };
        let next = if next <= high + slack { next } else { middle };
        self.t[i] = next;
        self.low[i] = low;
        self.high[i] = high;
        next - t
    }

    /// Judges a lane by the square of its last move against those of the ways in water and steel.
    #[inline(always)]
    pub(super) fn judge(&mut self, i: usize, moved: R, square_1: R, square_2: R) {
        let shorter = if square_1 < square_2 { square_1 } else { square_2 };
        self.unsettled[i] = moved * moved - R::of(SETTLED * SETTLED) * shorter;
    }
}

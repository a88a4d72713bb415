//! The lanes that are solved side by side.

use super::rays::RayState;
use crate::lanes::{LANES, Lane, fma};
use crate::path::Path;

/// Code of a lane that is solved.
pub(super) const FOUND: f64 = 0.0;
/// Code of a lane whose ray misses the face.
pub(super) const NO_PATH: f64 = 1.0;
/// Code of a lane for the plain solver.
pub(super) const HAND_OVER: f64 = 2.0;

/// Steps after which a lane that still moves is handed over.
const STEPS: usize = 9;
/// Steps before anything is counted: nearly every lane needs them.
const FIRST_STEPS: usize = 2;
/// A lane is solved once its last step was shorter than this part of the shorter way: Halley's
/// method leaves its third power.
const SETTLED: f64 = 3e-5;
/// Targets closer to the surface than this part of its size go to the plain solver.
pub(super) const SHALLOW: f64 = 1e-6;
/// Slack of the bracket, above rounding.
const SLACK: f64 = 1e-12;

/// Targets, unknowns and answers of all lanes.
#[derive(Clone)]
pub(super) struct Block {
    pub x_m: Lane,
    pub y_m: Lane,
    /// Coordinates of the target in the frame of the solver.
    pub u: Lane,
    pub v: Lane,
    /// Unknown with the bracket around it, and how far it is from settled (0 or less: it is).
    pub t: Lane,
    pub low: Lane,
    pub high: Lane,
    pub unsettled: Lane,
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
            u: z,
            v: z,
            t: z,
            low: z,
            high: z,
            unsettled: z,
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

    /// Repeats `step` on all lanes until they are settled, or long enough.
    #[inline(always)]
    pub(super) fn iterate(&mut self, mut step: impl FnMut(&mut Self)) {
        for _ in 0..FIRST_STEPS {
            step(self);
        }
        for _ in FIRST_STEPS..STEPS {
            step(self);
            // Counted, since a sum of numbers would not be vector code.
            let open: u64 = self.unsettled.iter().map(|r| u64::from(*r > 0.0)).sum();
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
pub(super) fn halley<const FMA: bool>(f: f64, half_first: f64, half_second: f64) -> f64 {
    let first = 2.0 * half_first;
    f * first / (fma::<FMA>(first, first, -f * half_second) + f64::MIN_POSITIVE)
}

/// One step of an unknown inside its bracket: (unknown, low, high).
#[inline(always)]
pub(super) fn bracketed(f: f64, t: f64, next: f64, low: f64, high: f64) -> (f64, f64, f64) {
    let (low, high) = if f < 0.0 { (t, high) } else { (low, t) };
    let middle = 0.5 * (low + high);
    // Written so that a step that is no number is refused as well.
    let next = if next >= low - SLACK { next } else { middle };
    let next = if next <= high + SLACK { next } else { middle };
    (next, low, high)
}

/// Positive while the square of a move exceeds what is allowed for the square of the shorter way.
#[inline(always)]
pub(super) fn unsettled(moved: f64, square_1: f64, square_2: f64) -> f64 {
    let shorter = if square_1 < square_2 { square_1 } else { square_2 };
    moved * moved - SETTLED * SETTLED * shorter
}

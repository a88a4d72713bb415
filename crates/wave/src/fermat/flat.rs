//! Many targets below a flat face.
//!
//! In units of the length of the face, counted along it from the foot of the source towards that of
//! the target: entry at s, height h of the source, target at depth d and reach r ≥ 0. Snell's law
//! κ s / d₁ = w / d₂ with w = r - s, squared: F = κ² s² d₂² - w² d₁², one root in 0..r.

use super::block::{Block, FOUND, HAND_OVER, NO_PATH, SHALLOW, Step, Unknowns, halley};
use crate::geometry::Point;
use crate::lanes::{LANES, Real, fma};

/// Entries this close to an end of the face, in its lengths, are judged by the plain solver.
const END: f64 = 1e-7;

/// A source before a flat face.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    a: Point,
    /// Unit vector from `a` to `b`; the inward normal is its left-hand side.
    along: Point,
    length_m: f64,
    /// Foot and height of the source, in lengths of the face.
    foot: f64,
    height: f64,
    /// Ratio of velocities, steel over water.
    ratio: f64,
    per_water_s: f64,
    per_steel_s: f64,
}

impl Frame {
    pub(super) fn new(a: Point, b: Point, from: Point, water_m_s: f64, steel_m_s: f64) -> Self {
        let length_m = a.distance(b);
        let along = (b - a) * (1.0 / length_m);
        let d = from - a;
        Self {
            a,
            along,
            length_m,
            foot: (d.x * along.x + d.y * along.y) / length_m,
            height: (d.x * along.y - d.y * along.x) / length_m,
            ratio: steel_m_s / water_m_s,
            per_water_s: 1.0 / water_m_s,
            per_steel_s: 1.0 / steel_m_s,
        }
    }
}

impl Step for Frame {
    #[inline(always)]
    fn start<const FMA: bool>(&self, block: &mut Block) {
        let per = 1.0 / self.length_m;
        let (ax, ay) = (self.along.x, self.along.y);
        let (coarse, fine) = (&mut block.coarse, &mut block.fine);
        for i in 0..LANES {
            let (x, y) = ((block.x_m[i] - self.a.x) * per, (block.y_m[i] - self.a.y) * per);
            let ahead = fma::<_, FMA>(x, ax, y * ay) - self.foot;
            let depth = fma::<_, FMA>(y, ax, -x * ay);
            let reach = ahead.abs();
            block.side[i] = 1.0_f64.copysign(ahead);
            block.code[i] = if depth > SHALLOW { FOUND } else { HAND_OVER };
            // Sines taken for tangents.
            let guess = reach * self.height / fma::<_, FMA>(self.ratio, depth.abs(), self.height);
            fine.u[i] = reach;
            fine.v[i] = depth;
            fine.low[i] = 0.0;
            fine.high[i] = reach;
            coarse.u[i] = reach as f32;
            coarse.v[i] = depth as f32;
            coarse.t[i] = guess as f32;
            coarse.low[i] = 0.0;
            coarse.high[i] = reach as f32;
        }
    }

    #[inline(always)]
    fn step<R: Real, const FMA: bool>(&self, lanes: &mut Unknowns<R>, slack: R) {
        let power = R::of(self.ratio * self.ratio);
        let h2 = R::of(self.height * self.height);
        let four = R::of(4.0);
        for i in 0..LANES {
            let (r, d, s) = (lanes.u[i], lanes.v[i], lanes.t[i]);
            let w = r - s;
            let (d1, d2) = (fma::<R, FMA>(s, s, h2), fma::<R, FMA>(w, w, d * d));
            let (ss, ww, sw) = (s * s, w * w, s * w);
            let f = fma::<R, FMA>(power * ss, d2, -ww * d1);
            let first =
                fma::<R, FMA>(power * s, fma::<R, FMA>(s, -w, d2), w * fma::<R, FMA>(-w, s, d1));
            let second = fma::<R, FMA>(
                power,
                fma::<R, FMA>(-four, sw, d2) + ss,
                fma::<R, FMA>(four, sw, -d1) - ww,
            );
            let next = s - halley::<R, FMA>(f, first, second);
            let moved = lanes.advance(i, f, next, slack);
            lanes.judge(i, moved, d1, d2);
        }
    }
    #[inline(always)]
    fn finish<const FMA: bool, const FULL: bool>(&self, block: &mut Block) {
        let (h, length) = (self.height, self.length_m);
        for i in 0..LANES {
            let (r, d, s) = (block.fine.u[i], block.fine.v[i], block.fine.t[i]);
            let side = block.side[i];
            let w = r - s;
            let d1 = fma::<_, FMA>(s, s, h * h).sqrt();
            let d2 = fma::<_, FMA>(w, w, d * d).sqrt();
            let time = length * fma::<_, FMA>(d1, self.per_water_s, d2 * self.per_steel_s);
            block.time_s[i] = time;
            let at = fma::<_, FMA>(side, s, self.foot);
            // How far beyond an end of the face, in lengths of it.
            let beyond = (at - 0.5).abs() - 0.5;
            let code = if beyond > END { NO_PATH } else { FOUND };
            let code = if beyond.abs() <= END { HAND_OVER } else { code };
            let open = block.fine.unsettled[i] > 0.0 || !time.is_finite() || block.code[i] > FOUND;
            block.code[i] = if open { HAND_OVER } else { code };
            if FULL {
                let per = 1.0 / (d1 * d2);
                let (per_1, per_2) = (per * d2, per * d1);
                block.water_m[i] = length * d1;
                block.steel_m[i] = length * d2;
                // Positive angles advance towards `a`.
                block.sin_in[i] = -side * s * per_1;
                block.cos_in[i] = h * per_1;
                block.sin_out[i] = -side * w * per_2;
                block.cos_out[i] = d * per_2;
                block.entry_x_m[i] = fma::<_, FMA>(length * at, self.along.x, self.a.x);
                block.entry_y_m[i] = fma::<_, FMA>(length * at, self.along.y, self.a.y);
            }
        }
    }
}

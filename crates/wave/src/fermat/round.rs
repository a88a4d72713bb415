//! Many targets in a round bar.
//!
//! In units of the bar radius, the centre at the origin and the source at (e, 0), with the entry at
//! (c, s) = (cos θ, sin θ) and the target at (u, v), v ≥ 0. Snell's law says κ e s / d₁ = w / d₂ with
//! w = v c - u s and κ the ratio of velocities. Squared: F = κ² e² s² d₂² - w² d₁² = 0, one root
//! between the foot of the source and that of the target. With t = tan(θ/2) all of it, and its
//! derivatives by θ, are polynomials once multiplied by n = 1 + t² often enough.

use super::block::{Block, FOUND, HAND_OVER, SHALLOW, Step, Unknowns, halley};
use crate::geometry::Point;
use crate::lanes::{LANES, Real, fma};

/// A source beside a round bar.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    centre: Point,
    radius_m: f64,
    /// Unit vector from the centre to the source.
    towards: Point,
    /// Distance of the source from the centre, and from the surface.
    e: f64,
    gap: f64,
    /// Ratio of velocities, steel over water.
    ratio: f64,
    /// Half-angle tangent of the farthest entry that the source sees.
    visible: f64,
    per_water_s: f64,
    per_steel_s: f64,
}

impl Frame {
    pub(super) fn new(
        centre: Point,
        radius_m: f64,
        from: Point,
        water_m_s: f64,
        steel_m_s: f64,
    ) -> Self {
        let arm = from - centre;
        let (e, gap) = (arm.radius() / radius_m, (arm.radius() - radius_m) / radius_m);
        Self {
            centre,
            radius_m,
            towards: arm * (1.0 / arm.radius()),
            e,
            gap,
            ratio: steel_m_s / water_m_s,
            visible: (gap / (e + 1.0)).sqrt(),
            per_water_s: 1.0 / water_m_s,
            per_steel_s: 1.0 / steel_m_s,
        }
    }
}

impl Step for Frame {
    #[inline(always)]
    fn start<const FMA: bool>(&self, block: &mut Block) {
        let per = 1.0 / self.radius_m;
        let (ex, ey) = (self.towards.x, self.towards.y);
        let (coarse, fine) = (&mut block.coarse, &mut block.fine);
        for i in 0..LANES {
            let (x, y) =
                ((block.x_m[i] - self.centre.x) * per, (block.y_m[i] - self.centre.y) * per);
            let u = fma::<_, FMA>(x, ex, y * ey);
            let across = fma::<_, FMA>(y, ex, -x * ey);
            let v = across.abs();
            fine.u[i] = u;
            fine.v[i] = v;
            coarse.u[i] = u as f32;
            coarse.v[i] = v as f32;
            block.side[i] = 1.0_f64.copysign(across);
            let inside = fma::<_, FMA>(u, u, v * v) < (1.0 - SHALLOW) * (1.0 - SHALLOW);
            block.code[i] = if inside { FOUND } else { HAND_OVER };
        }
        let near = (self.ratio * self.e / self.gap) as f32;
        let visible = self.visible as f32;
        for i in 0..LANES {
            let (u, v) = (coarse.u[i], coarse.v[i]);
            // Chords straightened about the foot of the source.
            let chord = fma::<_, FMA>(u - 1.0, u - 1.0, v * v).sqrt();
            let guess = 0.5 * v / fma::<_, FMA>(near, chord, u);
            let foot = v / (fma::<_, FMA>(u, u, v * v).sqrt() + u);
            // Written so that 0/0, a target straight behind the centre, leaves the visible arc.
            let high = if foot < visible { foot } else { visible };
            coarse.t[i] = if guess < high { guess } else { 0.5 * high };
            coarse.low[i] = 0.0;
            coarse.high[i] = high;
        }
        for i in 0..LANES {
            fine.low[i] = 0.0;
            // Single precision may have cut off the root.
            fine.high[i] = f64::from(coarse.high[i]) * (1.0 + 1e-6);
        }
    }

    #[inline(always)]
    fn step<R: Real, const FMA: bool>(&self, lanes: &mut Unknowns<R>, slack: R) {
        let e = R::of(self.e);
        let power = R::of(self.ratio * self.ratio * self.e * self.e);
        let gap2 = R::of(self.gap * self.gap);
        let (one, two, four, half) = (R::of(1.0), R::of(2.0), R::of(4.0), R::of(0.5));
        for i in 0..LANES {
            let (u, v, t) = (lanes.u[i], lanes.v[i], lanes.t[i]);
            let n = fma::<R, FMA>(t, t, one);
            let (c, s) = (fma::<R, FMA>(-t, t, one), t + t);
            let (dx, dy) = (fma::<R, FMA>(u, n, -c), fma::<R, FMA>(v, n, -s));
            let d2 = fma::<R, FMA>(dx, dx, dy * dy);
            let es = e * s;
            let d1 = n * fma::<R, FMA>(gap2, n, es * s);
            let w = fma::<R, FMA>(v, c, -u * s);
            let q = fma::<R, FMA>(u, c, v * s);
            let (ps, wn, esn, four_w) = (power * s, w * n, es * n, four * w);
            let f = fma::<R, FMA>(ps * s, d2, -w * w * d1);
            let first = fma::<R, FMA>(
                ps,
                fma::<R, FMA>(c, d2, -s * wn),
                w * fma::<R, FMA>(q, d1, -w * esn),
            );
            let steel = fma::<R, FMA>(
                fma::<R, FMA>(c, c, -s * s),
                d2,
                s * n * fma::<R, FMA>(s, q, -c * four_w),
            );
            let water = fma::<R, FMA>(
                fma::<R, FMA>(w, w, -q * q),
                d1,
                fma::<R, FMA>(four_w * q, esn, -e * c * w * wn),
            );
            let step = half * halley::<R, FMA>(f, first, fma::<R, FMA>(power, steel, water));
            // t(θ - 2 step) to second order.
            let next = fma::<R, FMA>(-step * n, fma::<R, FMA>(-step, t, one), t);
            let moved = lanes.advance(i, f, next, slack);
            // In units of n times the radius, as d1 and d2.
            lanes.judge(i, two * moved, d1, d2);
        }
    }
    #[inline(always)]
    fn finish<const FMA: bool, const FULL: bool>(&self, block: &mut Block) {
        let (e, gap, a) = (self.e, self.gap, self.radius_m);
        for i in 0..LANES {
            let (u, v, t) = (block.fine.u[i], block.fine.v[i], block.fine.t[i]);
            let per_n = 1.0 / fma::<_, FMA>(t, t, 1.0);
            let s = 2.0 * t * per_n;
            // 1 - cos θ
            let sag = t * s;
            let d1 = fma::<_, FMA>(gap, gap, 2.0 * e * sag).sqrt();
            let (dx, dy) = ((u - 1.0) + sag, v - s);
            let d2 = fma::<_, FMA>(dx, dx, dy * dy).sqrt();
            let time = a * fma::<_, FMA>(d1, self.per_water_s, d2 * self.per_steel_s);
            block.time_s[i] = time;
            // A time that is not finite belongs to a target that is none.
            let open = block.fine.unsettled[i] > 0.0 || !time.is_finite();
            block.code[i] = if open { HAND_OVER } else { block.code[i] };
            if FULL {
                let side = block.side[i];
                let c = 1.0 - sag;
                let per = 1.0 / (d1 * d2);
                let (per_1, per_2) = (per * d2, per * d1);
                block.water_m[i] = a * d1;
                block.steel_m[i] = a * d2;
                block.sin_in[i] = side * e * s * per_1;
                block.cos_in[i] = fma::<_, FMA>(-e, sag, gap) * per_1;
                block.sin_out[i] = side * fma::<_, FMA>(v, c, -u * s) * per_2;
                block.cos_out[i] = (1.0 - fma::<_, FMA>(u, c, v * s)) * per_2;
                let (along, across) = (a * c, a * side * s);
                let at = self.towards;
                block.entry_x_m[i] = self.centre.x + fma::<_, FMA>(along, at.x, -across * at.y);
                block.entry_y_m[i] = self.centre.y + fma::<_, FMA>(along, at.y, across * at.x);
            }
        }
    }
}

//! Many targets in a round bar.
//!
//! In units of the bar radius, the centre at the origin and the source at (e, 0), with the entry at
//! (c, s) = (cos θ, sin θ) and the target at (u, v), v ≥ 0. Snell's law says κ e s / d₁ = w / d₂ with
//! w = v c - u s and κ the ratio of velocities. Squared: F = κ² e² s² d₂² - w² d₁² = 0, one root
//! between the foot of the source and that of the target. With t = tan(θ/2) all of it, and its
//! derivatives by θ, are polynomials once multiplied by n = 1 + t² often enough.

use super::block::{Block, FOUND, HAND_OVER, SHALLOW, bracketed, halley, unsettled};
use crate::geometry::Point;
use crate::lanes::{LANES, fma};

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

    #[inline(always)]
    pub(super) fn solve<const FMA: bool, const FULL: bool>(&self, block: &mut Block) {
        self.start::<FMA>(block);
        block.iterate(
            #[inline(always)]
            |block| self.step::<FMA>(block),
        );
        self.finish::<FMA, FULL>(block);
    }

    /// Targets in the frame, first guess and bracket.
    #[inline(always)]
    fn start<const FMA: bool>(&self, block: &mut Block) {
        let per = 1.0 / self.radius_m;
        let (ex, ey) = (self.towards.x, self.towards.y);
        let near = self.ratio * self.e / self.gap;
        for i in 0..LANES {
            let (x, y) = ((block.x_m[i] - self.centre.x) * per, (block.y_m[i] - self.centre.y) * per);
            let u = fma::<FMA>(x, ex, y * ey);
            let across = fma::<FMA>(y, ex, -x * ey);
            let v = across.abs();
            // Chords straightened about the foot of the source.
            let chord = fma::<FMA>(u - 1.0, u - 1.0, v * v).sqrt();
            let guess = 0.5 * v / fma::<FMA>(near, chord, u);
            let radius = fma::<FMA>(u, u, v * v).sqrt();
            let foot = v / (radius + u);
            // Written so that 0/0, a target straight behind the centre, leaves the visible arc.
            let high = if foot < self.visible { foot } else { self.visible };
            block.u[i] = u;
            block.v[i] = v;
            block.side[i] = 1.0_f64.copysign(across);
            block.t[i] = if guess < high { guess } else { 0.5 * high };
            block.low[i] = 0.0;
            block.high[i] = high;
            block.code[i] = if radius < 1.0 - SHALLOW { FOUND } else { HAND_OVER };
        }
    }

    #[inline(always)]
    fn step<const FMA: bool>(&self, block: &mut Block) {
        let e = self.e;
        let power = self.ratio * self.ratio * e * e;
        let gap2 = self.gap * self.gap;
        for i in 0..LANES {
            let (u, v, t) = (block.u[i], block.v[i], block.t[i]);
            let n = fma::<FMA>(t, t, 1.0);
            let (c, s) = (fma::<FMA>(-t, t, 1.0), 2.0 * t);
            let (dx, dy) = (fma::<FMA>(u, n, -c), fma::<FMA>(v, n, -s));
            let d2 = fma::<FMA>(dx, dx, dy * dy);
            let d1 = n * fma::<FMA>(gap2, n, e * s * s);
            let w = fma::<FMA>(v, c, -u * s);
            let q = fma::<FMA>(u, c, v * s);
            let (ps, wn, esn) = (power * s, w * n, e * s * n);
            let f = fma::<FMA>(ps * s, d2, -w * w * d1);
            let first = fma::<FMA>(
                ps,
                fma::<FMA>(c, d2, -s * wn),
                w * fma::<FMA>(q, d1, -w * esn),
            );
            let steel = fma::<FMA>(
                fma::<FMA>(c, c, -s * s),
                d2,
                s * fma::<FMA>(s * q, n, -4.0 * c * wn),
            );
            let water = fma::<FMA>(
                fma::<FMA>(w, w, -q * q),
                d1,
                w * fma::<FMA>(4.0 * q, esn, -e * c * wn),
            );
            let step = halley::<FMA>(f, first, fma::<FMA>(power, steel, water));
            // t(θ - step) to second order.
            let next = t - 0.5 * step * n * fma::<FMA>(-0.5 * step, t, 1.0);
            let (next, low, high) = bracketed(f, t, next, block.low[i], block.high[i]);
            block.t[i] = next;
            block.low[i] = low;
            block.high[i] = high;
            // In units of n times the radius, as d1 and d2.
            block.unsettled[i] = unsettled(2.0 * (next - t), d1, d2);
        }
    }

    #[inline(always)]
    fn finish<const FMA: bool, const FULL: bool>(&self, block: &mut Block) {
        let (e, gap, a) = (self.e, self.gap, self.radius_m);
        for i in 0..LANES {
            let (u, v, t) = (block.u[i], block.v[i], block.t[i]);
            let per_n = 1.0 / fma::<FMA>(t, t, 1.0);
            let s = 2.0 * t * per_n;
            // 1 - cos θ
            let sag = t * s;
            let d1 = fma::<FMA>(gap, gap, 2.0 * e * sag).sqrt();
            let (dx, dy) = ((u - 1.0) + sag, v - s);
            let d2 = fma::<FMA>(dx, dx, dy * dy).sqrt();
            let time = a * fma::<FMA>(d1, self.per_water_s, d2 * self.per_steel_s);
            block.time_s[i] = time;
            // A time that is not finite belongs to a target that is none.
            let open = block.unsettled[i] > 0.0 || !(time < f64::INFINITY);
            block.code[i] = if open { HAND_OVER } else { block.code[i] };
            if FULL {
                let side = block.side[i];
                let c = 1.0 - sag;
                let per = 1.0 / (d1 * d2);
                let (per_1, per_2) = (per * d2, per * d1);
                block.water_m[i] = a * d1;
                block.steel_m[i] = a * d2;
                block.sin_in[i] = side * e * s * per_1;
                block.cos_in[i] = fma::<FMA>(-e, sag, gap) * per_1;
                block.sin_out[i] = side * fma::<FMA>(v, c, -u * s) * per_2;
                block.cos_out[i] = (1.0 - fma::<FMA>(u, c, v * s)) * per_2;
                let (along, across) = (a * c, a * side * s);
                let at = self.towards;
                block.entry_x_m[i] = self.centre.x + fma::<FMA>(along, at.x, -across * at.y);
                block.entry_y_m[i] = self.centre.y + fma::<FMA>(along, at.y, across * at.x);
            }
        }
    }
}

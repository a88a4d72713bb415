//! The contributions of one element at many points: paths in bulk, then amplitudes side by side.

use std::f64::consts::{FRAC_PI_2, PI};

use super::RayMedium;
use super::arrivals::{DROPPED_RAD, FLAGGED_RAD};
use crate::array::Element;
use crate::error::Result;
use crate::fermat::{Fermat, Rays};
use crate::geometry::{Point, Surface};
use crate::interface::critical_angles;
use crate::lanes::{Kernel, LANES, Lane, fma, widest};
use crate::media::Mode;

/// Mark of a ray that counts.
pub(super) const USABLE: f64 = 0.0;
/// Mark of a ray near a critical incidence.
pub(super) const NEAR: f64 = 1.0;
/// Mark of a ray so near a critical incidence that it is left out beside others.
pub(super) const TOO_NEAR: f64 = 2.0;
/// Mark of a point without a ray.
pub(super) const NONE: f64 = 3.0;

/// What all elements have in common.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tube {
    per_water: f64,
    square_l: f64,
    square_s: f64,
    shear2: f64,
    density: f64,
    ratio: f64,
    mode: Mode,
    /// Amplitude of a line source at 1 m.
    source: f64,
    /// Windows of the sine of incidence: flagged and dropped, about each critical incidence.
    flagged: [(f64, f64); 2],
    dropped: [(f64, f64); 2],
}

impl Tube {
    pub(super) fn new(medium: &RayMedium, mode: Mode, frequency_hz: f64) -> Self {
        let (fluid, solid) = (&medium.fluid, &medium.solid);
        let (c1, c2) = (fluid.velocity_m_s, solid.velocity_m_s(mode));
        let critical = critical_angles(fluid, solid);
        let shear = if mode == Mode::S { critical.shear_rad } else { None };
        let windows = |half_rad: f64| {
            [critical.longitudinal_rad, shear].map(|angle| {
                angle.map_or((2.0, 2.0), |angle| {
                    let end = angle + half_rad;
                    let low = if angle > half_rad { (angle - half_rad).sin() } else { -1.0 };
                    (low, if end < FRAC_PI_2 { end.sin() } else { 2.0 })
                })
            })
        };
        Self {
            per_water: 1.0 / c1,
            square_l: 1.0 / (solid.longitudinal_m_s * solid.longitudinal_m_s),
            square_s: 1.0 / (solid.shear_m_s * solid.shear_m_s),
            shear2: solid.shear_m_s * solid.shear_m_s,
            density: fluid.density_kg_m3 / solid.density_kg_m3,
            ratio: c2 / c1,
            mode,
            source: 0.25 * (2.0 * c1 / (PI * 2.0 * PI * frequency_hz)).sqrt(),
            flagged: windows(FLAGGED_RAD),
            dropped: windows(DROPPED_RAD),
        }
    }
}

/// One element before one face.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source {
    /// Number of the element.
    pub element: usize,
    fermat: Fermat,
    centre: Point,
    facing: Point,
    /// Width over the velocity in the water, in s.
    width_s: f64,
    delay_s: f64,
    weight: f64,
    /// 1/radius; 0 for a flat face.
    curvature: f64,
    /// Sign of `P_S` for rays of positive angles.
    sense: f64,
}

impl Source {
    pub(super) fn new(
        surface: &Surface,
        medium: &RayMedium,
        mode: Mode,
        (number, element, weight): (usize, &Element, f64),
        delay_s: f64,
    ) -> Result<Self> {
        let c1 = medium.fluid.velocity_m_s;
        let (curvature, sense) = match *surface {
            Surface::Round { radius_m, .. } => (1.0 / radius_m, 1.0),
            Surface::Flat { .. } => (0.0, -1.0),
        };
        let c2 = medium.solid.velocity_m_s(mode);
        Ok(Self {
            element: number,
            fermat: Fermat::new(surface, element.centre, c1, c2)?,
            centre: element.centre,
            facing: Point::polar(1.0, element.facing_rad),
            width_s: element.width_m / c1,
            delay_s,
            weight,
            curvature,
            sense,
        })
    }

    /// Contributions at up to [`LANES`] points; the phase of a line source (π/4) and attenuation
    /// are left out.
    pub(super) fn contribute(
        &self,
        tube: &Tube,
        x_m: &[f64],
        y_m: &[f64],
        rays: &mut Rays,
        row: &mut Row,
    ) -> Result<()> {
        self.fermat.rays(x_m, y_m, &mut rays.as_mut())?;
        widest(Amplitudes { source: self, tube, rays, row });
        Ok(())
    }
}

/// What one source contributes at many points.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub time_s: Lane,
    pub re: Lane,
    pub im: Lane,
    pub across_s: Lane,
    pub steel_m: Lane,
    /// Sine of refraction, without sign.
    pub sin_out: Lane,
    pub mark: Lane,
}

impl Default for Row {
    fn default() -> Self {
        let z = [0.0; LANES];
        Self { time_s: z, re: z, im: z, across_s: z, steel_m: z, sin_out: z, mark: z }
    }
}

struct Amplitudes<'a> {
    source: &'a Source,
    tube: &'a Tube,
    rays: &'a Rays,
    row: &'a mut Row,
}

impl Kernel for Amplitudes<'_> {
    #[inline(always)]
    fn run<const FMA: bool>(self) {
        let Self { source, tube, rays, row } = self;
        let shear = tube.mode == Mode::S;
        let Some(paths) = Paths::of(rays) else { return };
        for i in 0..LANES {
            let (sin, cos) = (paths.sin_in[i].abs(), paths.cos_in[i]);
            // Plane-wave transmission as in `interface`, in real numbers.
            let q = sin * tube.per_water;
            let (l_re, l_im) = normal::<FMA>(tube.square_l, q);
            let (s_re, s_im) = normal::<FMA>(tube.square_s, q);
            let twice = 2.0 * q * tube.shear2;
            let a = fma::<_, FMA>(-twice, q, 1.0);
            let (b_re, b_im) = (-twice * l_re, -twice * l_im);
            let sb_re = fma::<_, FMA>(s_re, b_re, -s_im * b_im);
            let sb_im = fma::<_, FMA>(s_re, b_im, s_im * b_re);
            let c_in = cos * tube.per_water;
            let stress_re = fma::<_, FMA>(a, a, -sb_re * twice);
            let stress_im = -sb_im * twice;
            let flow_re = fma::<_, FMA>(l_re, a, -b_re * q) * tube.density;
            let flow_im = fma::<_, FMA>(l_im, a, -b_im * q) * tube.density;
            let under_re = fma::<_, FMA>(stress_re, c_in, flow_re);
            let under_im = fma::<_, FMA>(stress_im, c_in, flow_im);
            let (over_re, over_im) = if shear { (b_re, b_im) } else { (a, 0.0) };
            let size = fma::<_, FMA>(under_re, under_re, under_im * under_im);
            let t_re = fma::<_, FMA>(over_re, under_re, over_im * under_im);
            let t_im = fma::<_, FMA>(over_im, under_re, -over_re * under_im);
            // Spreading, multiplied out: way in the water times widening of the ray's tube.
            let (water, steel, cos2) = (paths.water_m[i], paths.steel_m[i], paths.cos_out[i]);
            let bent = fma::<_, FMA>(source.curvature, water, cos);
            let widening = fma::<_, FMA>(tube.ratio * cos, bent, -source.curvature * cos2 * water);
            let spread = fma::<_, FMA>(steel, widening, cos2 * cos2 * water).abs();
            let scale = 2.0 * c_in * source.weight * tube.source * cos2 / (size * spread.sqrt());
            let turned = if source.sense * paths.sin_in[i] > 0.0 { 1.0 } else { -1.0 };
            let sign = if shear { turned } else { 1.0 };
            row.re[i] = t_re * scale * sign;
            row.im[i] = t_im * scale * sign;
            row.time_s[i] = paths.time_s[i] + source.delay_s;
            row.steel_m[i] = steel;
            row.sin_out[i] = sin * tube.ratio;
            let (dx, dy) =
                (paths.entry_x_m[i] - source.centre.x, paths.entry_y_m[i] - source.centre.y);
            let ahead = fma::<_, FMA>(source.facing.x, dx, source.facing.y * dy);
            let aside = fma::<_, FMA>(source.facing.x, dy, -source.facing.y * dx);
            row.across_s[i] = source.width_s * aside / water;
            let inside = |(low, high): (f64, f64)| sin > low && sin < high;
            let near = inside(tube.flagged[0]) | inside(tube.flagged[1]);
            let too_near = inside(tube.dropped[0]) | inside(tube.dropped[1]);
            let mark = if near { NEAR } else { USABLE };
            let mark = if too_near { TOO_NEAR } else { mark };
            let here = (paths.time_s[i] < f64::INFINITY) & (ahead > 0.0);
            row.mark[i] = if here { mark } else { NONE };
        }
    }
}

/// Real and imaginary part of the normal slowness; waves beyond critical decay.
#[inline(always)]
fn normal<const FMA: bool>(square: f64, q: f64) -> (f64, f64) {
    let left = fma::<_, FMA>(-q, q, square);
    let root = left.abs().sqrt();
    if left >= 0.0 { (root, 0.0) } else { (0.0, root) }
}

/// Arrays of known length, so that the loop above needs no bounds.
struct Paths<'a> {
    time_s: &'a Lane,
    water_m: &'a Lane,
    steel_m: &'a Lane,
    sin_in: &'a Lane,
    cos_in: &'a Lane,
    cos_out: &'a Lane,
    entry_x_m: &'a Lane,
    entry_y_m: &'a Lane,
}

impl<'a> Paths<'a> {
    fn of(rays: &'a Rays) -> Option<Self> {
        Some(Self {
            time_s: rays.time_s.first_chunk()?,
            water_m: rays.water_m.first_chunk()?,
            steel_m: rays.steel_m.first_chunk()?,
            sin_in: rays.sin_in.first_chunk()?,
            cos_in: rays.cos_in.first_chunk()?,
            cos_out: rays.cos_out.first_chunk()?,
            entry_x_m: rays.entry_x_m.first_chunk()?,
            entry_y_m: rays.entry_y_m.first_chunk()?,
        })
    }
}

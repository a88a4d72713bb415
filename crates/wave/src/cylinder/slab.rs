//! What a drive sends into the bar at sixteen frequencies side by side.

use num_complex::{Complex32, Complex64};

use crate::error::Result;
use crate::harmonics::radix;
use crate::media::Mode;

use super::array::Drive;
use super::band::parity;
use super::illumination::Illumination;
use super::modal::ModalSolution;
use super::radial::{Radial, debye_exponent, miller_start, surface_ratios};
use super::wide::{LANES, Lanes, wide};

/// Terms below this share of a slab's largest are left out of its rings: a thousandth of what
/// single precision resolves.
const CUT: f64 = 1e-10;
/// Orders written to the rows together, so that each line of cache is filled at once.
const TILE: usize = 8;
/// Below this argument every `J_n` but `J_0` vanishes beside one.
const NOUGHT: f64 = 1e-20;

/// Coefficients of one mode at up to sixteen neighbouring frequencies of a band, for one drive:
/// the field at radius r is `size Σ sent_n J̃_n(k r) e^{inθ}`, `J̃` as in [`Radial`].
pub(super) struct Slab {
    /// Index in the band of the first lane, and how many lanes hold a frequency.
    pub first: usize,
    pub count: usize,
    wave_number: [Complex64; LANES],
    /// Neper of a damped wave at the surface.
    level: Lanes,
    radius_m: f64,
    /// ρ_n of each lane.
    ratios: Vec<Lanes>,
    /// Orders n and -n.
    sent: Vec<[[Complex32; LANES]; 2]>,
    /// What `sent` is to be multiplied by.
    size: f64,
    /// Largest `sent` from each order on.
    reach: Vec<f32>,
}

impl Slab {
    /// `strengths` are the pulse's spectrum times whatever every value is to be multiplied by, one
    /// for each frequency of the band.
    pub fn new(
        illumination: &Illumination,
        drive: &Drive,
        mode: Mode,
        first: usize,
        strengths: &[Complex64],
    ) -> Result<Self> {
        let solutions = illumination.band().solutions();
        let orders = |f: usize| {
            let highest = solutions[f].highest_order();
            illumination.drive_orders(f, drive, highest).map(std::borrow::Cow::Owned)
        };
        Self::of(solutions, mode, first, strengths, orders)
    }

    /// The same from the scaled incident orders -highest..=highest at each frequency.
    pub fn of<'o>(
        solutions: &[ModalSolution],
        mode: Mode,
        first: usize,
        strengths: &[Complex64],
        orders: impl Fn(usize) -> Result<std::borrow::Cow<'o, [Complex64]>>,
    ) -> Result<Self> {
        let solutions = &solutions[first..];
        let count = solutions.len().min(LANES);
        let solutions = &solutions[..count];
        // Lanes without a frequency repeat the last one and send nothing.
        let of = |lane: usize| &solutions[lane.min(count - 1)];
        let radius_m = solutions[0].radius_m();
        let wave_number: [Complex64; LANES] = std::array::from_fn(|l| of(l).wave_number(mode));
        let surface = wave_number.map(|k| k.norm() * radius_m);
        let highest = solutions.iter().map(|s| s.highest_order()).max().unwrap_or(0);
        let ratios = surface_ratios(&surface, miller_start(highest, surface[LANES - 1]));
        let level = wave_number.map(|k| k.im * radius_m);

        let mut exact = vec![[[Complex64::ZERO; LANES]; 2]; highest + 1];
        for (lane, solution) in solutions.iter().enumerate() {
            let coefficient = solution.coefficient(mode);
            let middle = solution.highest_order();
            let orders = orders(first + lane)?;
            let strength = strengths[first + lane] * level[lane].exp();
            // D_n as mantissa and exponent.
            let (mut fall, mut exponent) = (1.0, 0);
            for (n, both) in exact[..=middle].iter_mut().enumerate() {
                fall *= ratios[n][lane];
                if fall < radix(-1) {
                    fall *= radix(1);
                    exponent -= 1;
                }
                let scale = fall * radix(coefficient.exponents()[n] + exponent);
                let inside = coefficient.mantissas()[n] * scale * strength;
                both[0][lane] = inside * orders[middle + n];
                let sign = if n % 2 == 0 { parity(mode) } else { -parity(mode) };
                both[1][lane] = inside * orders[middle - n] * sign;
            }
        }
        let larger = |both: &[[Complex64; LANES]; 2]| {
            both.iter().flatten().map(|v| v.norm_sqr()).fold(0.0, f64::max).sqrt()
        };
        let sizes: Vec<f64> = exact.iter().map(larger).collect();
        let size = sizes.iter().copied().fold(0.0, f64::max);
        let shrink = if size > 0.0 { 1.0 / size } else { 0.0 };
        let single = |v: Complex64| Complex32::new((v.re * shrink) as f32, (v.im * shrink) as f32);
        let sent = exact.iter().map(|both| both.map(|side| side.map(single))).collect();
        let mut reach: Vec<f32> = sizes.iter().map(|s| (s * shrink) as f32).collect();
        for n in (0..reach.len() - 1).rev() {
            reach[n] = reach[n].max(reach[n + 1]);
        }
        Ok(Self { first, count, wave_number, level, radius_m, ratios, sent, size, reach })
    }

    /// Size of the largest coefficient.
    pub fn size(&self) -> f64 {
        self.size
    }

    /// Last order that counts at a radius. The lane of highest frequency falls slowest.
    fn last_order(&self, radius_m: f64) -> usize {
        let k = self.wave_number[LANES - 1].norm();
        let fall = |n: usize| {
            let n = n as f64;
            debye_exponent(n, k * radius_m) - debye_exponent(n, k * self.radius_m)
        };
        let (mut low, mut high) = (0, self.sent.len() - 1);
        while low < high {
            let middle = (low + high) / 2;
            if f64::from(self.reach[middle + 1]) * (-fall(middle + 1)).exp() > CUT {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        low
    }

    /// Fourier coefficients of a ring, one row per lane, order n in bin n mod `angles`; divided by
    /// `unit`. `rows` holds `count` rows of `stride` values.
    pub fn ring(
        &self,
        radius_m: f64,
        unit: f64,
        radial: &mut Radial,
        rows: &mut [Complex32],
        stride: usize,
        angles: usize,
    ) {
        let x = self.wave_number.map(|k| k * radius_m);
        let largest = x[LANES - 1].norm();
        let mut last = 0;
        if largest < NOUGHT {
            radial.re.clear();
            radial.im.clear();
            radial.re.push(self.level.map(|level| (-level).exp()));
        } else {
            last = self.last_order(radius_m);
            radial.fill(&x, &self.level, &self.ratios, miller_start(last, largest));
        }
        let factor = (self.size / unit) as f32;
        let orders = &self.sent[..=last];
        let alone = orders.len().next_multiple_of(TILE);
        let place = Place { stride, angles, count: self.count, alone: 2 * alone <= angles };
        let gap = if place.alone { orders.len()..angles + 1 - orders.len() } else { 0..angles };
        for row in rows.chunks_exact_mut(stride) {
            row[gap.clone()].fill(Complex32::ZERO);
        }
        wide(
            #[inline(always)]
            || {
                if radial.im.is_empty() {
                    spread::<false>(orders, radial, factor, rows, place);
                } else {
                    spread::<true>(orders, radial, factor, rows, place);
                }
            },
        );
    }
}

#[derive(Clone, Copy)]
struct Place {
    stride: usize,
    angles: usize,
    count: usize,
    /// No two orders share a bin.
    alone: bool,
}

/// Products of coefficients and radial functions, turned from lanes into rows.
#[expect(clippy::needless_range_loop, reason = "lanes of several arrays step together")]
#[inline(always)]
fn spread<const LOSSY: bool>(
    orders: &[[[Complex32; LANES]; 2]],
    radial: &Radial,
    factor: f32,
    rows: &mut [Complex32],
    place: Place,
) {
    let Place { stride, angles, count, alone } = place;
    let mut tile = [[[Complex32::ZERO; LANES]; TILE]; 2];
    for (block, orders) in orders.chunks(TILE).enumerate() {
        let from = block * TILE;
        let width = orders.len();
        for (t, both) in orders.iter().enumerate() {
            let re = radial.re[from + t].map(|v| v as f32 * factor);
            if LOSSY {
                let im = radial.im[from + t].map(|v| v as f32 * factor);
                for side in 0..2 {
                    for l in 0..LANES {
                        tile[side][t][l] = both[side][l] * Complex32::new(re[l], im[l]);
                    }
                }
            } else {
                for side in 0..2 {
                    for l in 0..LANES {
                        tile[side][t][l] = both[side][l] * re[l];
                    }
                }
            }
        }
        for (l, row) in rows.chunks_exact_mut(stride).enumerate().take(count) {
            if alone && from > 0 && width == TILE {
                let up: &mut [Complex32] = &mut row[from..from + TILE];
                for t in 0..TILE {
                    up[t] = tile[0][t][l];
                }
                let down: &mut [Complex32] = &mut row[angles - from - TILE + 1..][..TILE];
                for t in 0..TILE {
                    down[TILE - 1 - t] = tile[1][t][l];
                }
                continue;
            }
            for t in 0..width {
                let n = from + t;
                let (up, down) = (n % angles, (angles - n % angles) % angles);
                if alone {
                    (row[down], row[up]) = (tile[1][t][l], tile[0][t][l]);
                } else {
                    row[up] += tile[0][t][l];
                    if n > 0 {
                        row[down] += tile[1][t][l];
                    }
                }
            }
        }
    }
}

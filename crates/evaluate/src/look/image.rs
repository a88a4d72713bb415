//! The image: at every place the sum of all pairs at the time that sound takes there and back.

use std::ops::Range;

use barwright_wave::{Point, Surface, fermat::Fermat};
use num_complex::Complex32;
use rayon::prelude::*;

use super::{
    LookError, Records,
    records::{SILENCE, parabola_top},
};

/// Places in rows along x, from the first corner on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// The corner with the least x and y.
    pub corner: Point,
    /// Distance of neighbours in m.
    pub step_m: f64,
    /// Places along x.
    pub columns: usize,
    /// Places along y.
    pub rows: usize,
}

impl Grid {
    /// A place.
    #[must_use]
    pub fn place(&self, column: usize, row: usize) -> Point {
        Point {
            x: self.corner.x + self.step_m * column as f64,
            y: self.corner.y + self.step_m * row as f64,
        }
    }
}

/// How sound travels from the array to a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Leg {
    /// Straight, the array on the steel, at a velocity in m/s.
    Contact {
        /// Velocity in the steel.
        steel_m_s: f64,
    },
    /// Through water and a surface.
    Immersion {
        /// The surface.
        surface: Surface,
        /// Velocity in water.
        water_m_s: f64,
        /// Velocity in the steel of the mode of this leg.
        steel_m_s: f64,
    },
}

/// An image. Heights are of the sum over all pairs, divided by their number: 1 is full scale in every pair.
#[derive(Debug, Clone)]
pub struct Image {
    /// Its places.
    pub grid: Grid,
    /// Heights, row by row; nought where no pair has a path.
    pub heights: Vec<f32>,
}

/// A place that stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Where it is highest, between the grid's places by parabolas.
    pub place: Point,
    /// Height there.
    pub height: f64,
    /// Extents along x and y within 6 dB of it, in m.
    pub extent_m: [f64; 2],
}

const MOST: usize = 1 << 26;
/// Side of the square of places worked on together: of each record they read a short stretch, which stays in the
/// fastest memory with their sums.
const SIDE: usize = 32;

/// Sums all records at the times of `out` (from the transmitting element) and `back` (to the receiving one), at the places of a
/// grid. `delay_s`: how much later than its firing the pulse's middle leaves an element.
///
/// # Errors
/// [`LookError::Grid`]; [`LookError::Wave`] for an element inside the steel or velocities that are none.
pub fn image(
    records: &Records,
    elements: &[Point],
    [out, back]: [Leg; 2],
    grid: Grid,
    delay_s: f64,
) -> Result<Image, LookError> {
    let places = grid.columns.saturating_mul(grid.rows);
    if places == 0 || places > MOST {
        return Err(LookError::Grid { places, most: MOST });
    }
    let live: Vec<Point> = records.live.iter().map(|e| elements[*e]).collect();
    let there = legs(&live, out)?;
    let home = if out == back { None } else { Some(legs(&live, back)?) };
    let (across, up) = (grid.columns.div_ceil(SIDE), grid.rows.div_ceil(SIDE));
    let tiles: Vec<Tile> = (0..across * up)
        .map(|k| {
            let (column, row) = (k % across * SIDE, k / across * SIDE);
            Tile {
                columns: column..(column + SIDE).min(grid.columns),
                rows: row..(row + SIDE).min(grid.rows),
            }
        })
        .collect();
    let sums: Vec<Vec<f32>> = tiles
        .par_iter()
        .map(|tile| {
            let points: Vec<Point> = tile.places().map(|(c, r)| grid.place(c, r)).collect();
            sum(records, &points, &there, home.as_deref(), delay_s)
        })
        .collect();
    let mut heights = vec![0.0; places];
    for (tile, sums) in tiles.iter().zip(sums) {
        for ((column, row), height) in tile.places().zip(sums) {
            heights[row * grid.columns + column] = height;
        }
    }
    Ok(Image { grid, heights })
}

/// A square of the grid.
struct Tile {
    columns: Range<usize>,
    rows: Range<usize>,
}

impl Tile {
    fn places(&self) -> impl Iterator<Item = (usize, usize)> {
        let columns = self.columns.clone();
        self.rows.clone().flat_map(move |row| columns.clone().map(move |column| (column, row)))
    }
}

/// The paths from one element.
enum Paths {
    Straight(Point, f64),
    Through(Fermat),
}

fn legs(elements: &[Point], leg: Leg) -> Result<Vec<Paths>, LookError> {
    let one = |from: &Point| match leg {
        Leg::Contact { steel_m_s } => Ok(Paths::Straight(*from, steel_m_s)),
        Leg::Immersion { surface, water_m_s, steel_m_s } => {
            Ok(Paths::Through(Fermat::new(&surface, *from, water_m_s, steel_m_s)?))
        }
    };
    elements.iter().map(one).collect()
}

/// Times from each element to each point, in samples; far beyond every record where there is no path.
fn times(paths: &[Paths], points: &[Point], rate_hz: f64) -> Vec<f32> {
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().map(|p| (p.x, p.y)).unzip();
    let mut time = vec![0.0; points.len()];
    let mut all = Vec::with_capacity(paths.len() * points.len());
    for path in paths {
        match path {
            Paths::Straight(from, velocity) => {
                for (t, p) in time.iter_mut().zip(points) {
                    *t = (p.x - from.x).hypot(p.y - from.y) / velocity;
                }
            }
            Paths::Through(fermat) => {
                // Lists of one length are what it asks for.
                let _ = fermat.times(&x, &y, &mut time);
            }
        }
        let samples = |t: &f64| if t.is_finite() { (t * rate_hz) as f32 } else { NOWHERE };
        all.extend(time.iter().map(samples));
    }
    all
}

/// A time in samples that no record reaches, also twice.
const NOWHERE: f32 = 1e12;

fn sum(
    records: &Records,
    points: &[Point],
    there: &[Paths],
    home: Option<&[Paths]>,
    delay_s: f64,
) -> Vec<f32> {
    let n = points.len();
    let mut out = times(there, points, records.rate_hz);
    let back = home.map(|home| times(home, points, records.rate_hz));
    // The same list there and back is one list; the record's own begin is taken off on the way there, in double
    // precision: a long wait before the record would cost the times their last digits.
    let whole = ((records.first_s - delay_s) * records.rate_hz) as f32;
    let back = back.unwrap_or_else(|| out.clone());
    out.iter_mut().for_each(|t| *t -= whole);
    let mut sums = vec![[0.0; 4]; n];
    let pairs =
        Pairs { records, out: &out, back: &back, elements: there.len(), twice: home.is_some() };
    pulp::Arch::new().dispatch(AddPairs { pairs, sums: &mut sums });
    // With different legs each direction was given the sum of both.
    let count = (there.len() * there.len()) as f32;
    let scale = if home.is_some() { 0.5 } else { 1.0 } / count;
    sums.into_iter().map(|[a, b, c, d]| (a + c).hypot(b + d) * scale).collect()
}

/// The pairs of a matrix with the times at some places, in samples: `[element][place]`, the record's begin taken off `out`.
#[derive(Clone, Copy)]
struct Pairs<'a> {
    records: &'a Records,
    out: &'a [f32],
    back: &'a [f32],
    elements: usize,
    /// Legs differ: each direction of a pair has times of its own.
    twice: bool,
}

/// Adds all pairs to sums of what lies before (re, im) and behind (re, im) each time, weighted by a straight line between them.
struct AddPairs<'a> {
    pairs: Pairs<'a>,
    sums: &'a mut [[f32; 4]],
}

impl pulp::WithSimd for AddPairs<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let Pairs { records, out, back, elements, twice } = self.pairs;
        let n = self.sums.len();
        let mut room = Room { place: [0; SIDE * SIDE], share: [0.0; SIDE * SIDE] };
        for k in 0..elements {
            for l in k..elements {
                let record = records.padded(k, l);
                let (here, last) = (k * n..(k + 1) * n, l * n..(l + 1) * n);
                room.find(record.len(), &out[here.clone()], &back[last.clone()]);
                room.add(self.sums, record);
                if twice && k != l {
                    room.find(record.len(), &out[last], &back[here]);
                    room.add(self.sums, record);
                }
            }
        }
    }
}

/// Places in a record and shares of what stands behind them.
struct Room {
    place: [u32; SIDE * SIDE],
    share: [f32; SIDE * SIDE],
}

/// A single number that great has no digits behind the point: what is added to it is rounded, and stands in its lowest bits.
const WHOLE: f32 = 8_388_608.0;

impl Room {
    /// Finds all times, a loop that vector instructions take whole. Times outside the record fall into the silence about it.
    #[inline(always)]
    fn find(&mut self, length: usize, out: &[f32], back: &[f32]) {
        let last = (length - 2) as f32;
        let found = self.place.iter_mut().zip(self.share.iter_mut());
        for (((place, share), &a), &b) in found.zip(out).zip(back) {
            let at = (a + b + SILENCE as f32).max(0.5).min(last);
            let whole = (at - 0.5) + WHOLE;
            *place = whole.to_bits() & 0x007f_ffff;
            *share = at - (whole - WHOLE);
        }
    }

    #[inline(always)]
    fn add(&self, sums: &mut [[f32; 4]], record: &[Complex32]) {
        for ((sum, &k), &share) in sums.iter_mut().zip(&self.place).zip(&self.share) {
            let k = k as usize;
            if let Some([low, high]) = record.get(k..k + 2) {
                let before = 1.0 - share;
                *sum = [
                    sum[0] + before * low.re,
                    sum[1] + before * low.im,
                    sum[2] + share * high.re,
                    sum[3] + share * high.im,
                ];
            }
        }
    }
}

impl Image {
    /// Height of a place of the grid.
    #[must_use]
    pub fn height(&self, column: usize, row: usize) -> f64 {
        f64::from(self.heights[row * self.grid.columns + column])
    }

    /// The places that stand out: local maxima within `depth_db` of the highest, at most `most`, highest first, none within
    /// `apart_m` of a higher one.
    #[must_use]
    pub fn spots(&self, depth_db: f64, apart_m: f64, most: usize) -> Vec<Spot> {
        let (w, h) = (self.grid.columns, self.grid.rows);
        let highest = self.heights.iter().copied().fold(0.0, f32::max);
        let least = f64::from(highest) * 10f64.powf(-depth_db / 20.0);
        let mut tops: Vec<(usize, usize)> = (1..h.saturating_sub(1))
            .flat_map(|row| (1..w.saturating_sub(1)).map(move |column| (column, row)))
            .filter(|&(c, r)| {
                let here = self.height(c, r);
                here >= least
                    && here > 0.0
                    && (r - 1..=r + 1).all(|y| (c - 1..=c + 1).all(|x| self.height(x, y) <= here))
            })
            .collect();
        tops.sort_by(|a, b| self.height(b.0, b.1).total_cmp(&self.height(a.0, a.1)));
        let mut spots: Vec<Spot> = Vec::new();
        for (c, r) in tops {
            let spot = self.spot(c, r);
            let near =
                |s: &Spot| (s.place.x - spot.place.x).hypot(s.place.y - spot.place.y) < apart_m;
            if !spots.iter().any(near) {
                spots.push(spot);
            }
            if spots.len() == most {
                break;
            }
        }
        spots
    }

    fn spot(&self, c: usize, r: usize) -> Spot {
        let here = self.height(c, r);
        let dx = parabola_top(self.height(c - 1, r), here, self.height(c + 1, r));
        let dy = parabola_top(self.height(c, r - 1), here, self.height(c, r + 1));
        let at = self.grid.place(c, r);
        let step = self.grid.step_m;
        // From the top outward to where it has fallen by 6 dB, between places by a straight line.
        let reach = |value: &dyn Fn(usize) -> Option<f64>| {
            let mut before = here;
            for k in 1.. {
                match value(k) {
                    Some(v) if v >= 0.5 * here => before = v,
                    Some(v) => {
                        return (k - 1) as f64 + (before - 0.5 * here) / (before - v).max(1e-30);
                    }
                    None => return (k - 1) as f64,
                }
            }
            0.0
        };
        let (w, h) = (self.grid.columns, self.grid.rows);
        let left = reach(&|k| c.checked_sub(k).map(|x| self.height(x, r)));
        let right = reach(&|k| (c + k < w).then(|| self.height(c + k, r)));
        let down = reach(&|k| r.checked_sub(k).map(|y| self.height(c, y)));
        let up = reach(&|k| (r + k < h).then(|| self.height(c, r + k)));
        Spot {
            place: Point { x: at.x + dx * step, y: at.y + dy * step },
            height: here,
            extent_m: [(left + right) * step, (down + up) * step],
        }
    }
}

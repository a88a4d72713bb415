//! A whole look: records made fit, the surface found, one picture for each pair of modes, and what stands out in them with what
//! it may be believed for.

use barwright_job::second_look::{Entry, Levels, Places, Recorded, SecondLook, Velocities, View};
use barwright_job::{Finding, Topic};
use barwright_wave::{
    Element, Fluid, Mode, Point, Solid, Surface,
    path::{depth_m, least_time},
    pulse::Pulse,
    ray::{Attenuation, RayMedium},
};

use super::{
    Found, Grid, Image, Leg, LookError, Records, Shape, Traces,
    doubts::noticed,
    expect::{Expect, Way},
    find_surface,
    heard::heard_pulse,
    image,
};

/// What a look needs to know besides the records.
#[derive(Debug, Clone)]
pub struct Setup<'a> {
    /// Name of the matrix.
    pub matrix: &'a str,
    /// Elements of the array, about the origin, facing +y.
    pub elements: &'a [Element],
    /// Way in the water at which their faces focus along the bar, in m; none for straight ones.
    pub axial_focus_m: Option<f64>,
    /// What the surface is; none for an array in contact.
    pub shape: Option<Shape>,
    /// Depth in m of a wall that is known, of an array in contact.
    pub wall_m: Option<f64>,
    /// Times between which the surface is looked for, in s from firing; none: wherever it may be.
    pub window_s: Option<[f64; 2]>,
    /// Water; not used in contact.
    pub water: Fluid,
    /// Steel.
    pub steel: Solid,
    /// Standard uncertainties of the velocities in steel and water, over themselves.
    pub uncertainty_rel: [f64; 2],
    /// How much later than its firing the middle of the pulse leaves an element, in s.
    pub delay_s: f64,
    /// Pairs of modes to draw.
    pub ways: &'a [[Mode; 2]],
    /// Depths under the surface between which to look, in m.
    pub depth_m: [f64; 2],
    /// Half the width to look at about the array's middle, in m; none: the array's and a quarter of the depth.
    pub half_width_m: Option<f64>,
    /// Distance of places, in m.
    pub step_m: f64,
    /// Spots to tell of each picture at most, and down to how many dB under the brightest.
    pub spots: (usize, f64),
}

/// Over the floor of a picture, in dB, from which a place counts as standing out: of a million places of mere noise about
/// one does (Rayleigh: floor = 1.177 σ, 1e-6 at 5.26 σ).
const OUT_DB: f64 = 13.0;
/// Places along a side of the coarse net on which sensitivity is compared.
const NET: usize = 9;

/// Looks.
///
/// # Errors
/// [`LookError`]: records that cannot be used, no surface, a grid without places or with too many, velocities that are none.
pub fn study(traces: &Traces<'_>, setup: &Setup<'_>) -> Result<SecondLook, LookError> {
    if setup.elements.len() != traces.elements {
        let (found, wanted) = (setup.elements.len(), traces.elements);
        return Err(LookError::Shape { what: "elements of the array", found, wanted });
    }
    let records = Records::of(traces)?;
    let points: Vec<Point> = setup.elements.iter().map(|e| e.centre).collect();
    let stated = Pulse { centre_hz: traces.centre_hz, bandwidth_rel: 0.6 };
    let found = match setup.shape {
        None => None,
        Some(shape) => {
            let window = setup.window_s.unwrap_or_else(|| everywhere(&records, setup, &stated));
            let water = setup.water.velocity_m_s;
            let delay = setup.delay_s;
            let f = traces.centre_hz;
            Some(find_surface(&records, &points, shape, water, window, delay, f)?)
        }
    };
    let grid = region(setup, found.as_ref(), &points);
    let mut bench =
        Bench { setup, records: &records, points: &points, pulse: stated, found: found.as_ref() };
    let mut drawn = Vec::with_capacity(setup.ways.len());
    for &modes in setup.ways {
        let legs = modes.map(|mode| bench.leg(mode));
        let mut picture = image(&records, &points, legs, grid, setup.delay_s)?;
        bench.within_steel(&mut picture);
        drawn.push((modes, picture));
    }
    bench.pulse = drawn.first().and_then(|(modes, p)| bench.heard(*modes, p)).unwrap_or(stated);
    let pulse = bench.pulse;
    let mut findings = noticed(traces, &records, &pulse);
    if setup.ways.iter().flatten().any(|mode| *mode == Mode::S) {
        findings.push(Finding::new(
            Topic::Assumed,
            "pictures by shear waves also show, at wrong places, what came by longitudinal waves: what is real stands in more than one of them at its place",
        ));
    }
    let views: Vec<View> = drawn.iter().map(|(modes, p)| bench.view(*modes, p)).collect();
    findings.push(bench.origin(&views));
    if views.iter().flat_map(|v| &v.spots).any(|s| s.clipped_share > 0.0) {
        findings.push(Finding::new(
            Topic::Clipped,
            "records were at full scale when some of the places told were heard: their heights are lower bounds",
        ));
    }
    let rate = records.rate_hz;
    let last_s = records.first_s + (records.samples - 1) as f64 / rate;
    Ok(SecondLook {
        matrix: setup.matrix.to_owned(),
        asked_by: None,
        recorded: Recorded {
            elements: traces.elements as u32,
            dead: records.noticed.dead.iter().map(|e| *e as u32).collect(),
            completed_pairs: records.noticed.completed as u32,
            clipped_traces: records.noticed.clipped as u32,
            reciprocity: records.noticed.reciprocity,
            sample_rate_hz: traces.sample_rate_hz,
            span_s: [records.first_s, last_s],
            delay_s: setup.delay_s,
            centre_hz: pulse.centre_hz,
            bandwidth_rel: pulse.bandwidth_rel,
        },
        velocities: Velocities {
            water_m_s: setup.shape.map(|_| setup.water.velocity_m_s),
            longitudinal_m_s: setup.steel.longitudinal_m_s,
            shear_m_s: setup.steel.shear_m_s,
            steel_uncertainty_rel: setup.uncertainty_rel[0],
            water_uncertainty_rel: setup.uncertainty_rel[1],
        },
        entry: found.map_or(Entry::Contact, |f| Entry::Found {
            surface: f.surface,
            elements: f.elements as u32,
            scatter_m: f.scatter_m,
            uncertainty_m: f.uncertainty_m,
        }),
        views,
        findings,
    })
}

/// Where a surface may be heard: about the first time at which each element hears something a third as high as the highest it
/// ever does. What an element hears of its own firing is over two pulse lengths after it.
fn everywhere(records: &Records, setup: &Setup<'_>, pulse: &Pulse) -> [f64; 2] {
    let length_s = pulse.duration_s(20.0);
    let from_s = setup.delay_s + 2.0 * length_s;
    let from = ((from_s - records.first_s) * records.rate_hz).max(0.0) as usize;
    let mut first: Vec<f64> = (0..records.live.len())
        .filter_map(|k| {
            let heights = records.pair(k, k).get(from..)?;
            let highest = heights.iter().map(|z| z.norm_sqr()).fold(0.0, f32::max);
            let at = heights.iter().position(|z| z.norm_sqr() >= highest / 9.0)?;
            Some(records.first_s + (from + at) as f64 / records.rate_hz)
        })
        .collect();
    first.sort_by(f64::total_cmp);
    // A tenth of the elements may hear something else first.
    let at = |share: f64| first.get((share * (first.len().saturating_sub(1)) as f64) as usize);
    let (Some(early), Some(late)) = (at(0.1), at(0.9)) else { return [0.0; 2] };
    let room_s = (late - early) / 2.0;
    [early - room_s - length_s, late + room_s + 2.0 * length_s]
}

/// The places to look at.
fn region(setup: &Setup<'_>, found: Option<&Found>, points: &[Point]) -> Grid {
    let step_m = setup.step_m;
    let along = points.iter().map(|p| p.x.abs()).fold(0.0, f64::max);
    let half = setup.half_width_m.unwrap_or(along + 0.25 * setup.depth_m[1]);
    let (middle, top, half) = match found.map(|f| f.surface) {
        None => (0.0, 0.0, half),
        Some(Surface::Flat { a, b }) => {
            ((a.x + b.x) / 2.0, (a.y + b.y) / 2.0, half.min((b.x - a.x).abs() / 2.0))
        }
        Some(Surface::Round { centre, radius_m }) => {
            (centre.x, centre.y - radius_m, setup.half_width_m.unwrap_or(radius_m).min(radius_m))
        }
    };
    let count = |length: f64| (length / step_m).floor().max(0.0) as usize + 1;
    Grid {
        corner: Point::new(middle - half, top + setup.depth_m[0]),
        step_m,
        columns: count(2.0 * half),
        rows: count(setup.depth_m[1] - setup.depth_m[0]),
    }
}

/// A ratio of heights in dB.
pub(super) fn db(ratio: f64) -> f64 {
    20.0 * ratio.max(1e-30).log10()
}

/// What a look rests on.
pub(super) struct Bench<'a> {
    pub setup: &'a Setup<'a>,
    pub records: &'a Records,
    pub points: &'a [Point],
    pub pulse: Pulse,
    pub found: Option<&'a Found>,
}

impl Bench<'_> {
    fn leg(&self, mode: Mode) -> Leg {
        let steel_m_s = self.setup.steel.velocity_m_s(mode);
        match self.found {
            None => Leg::Contact { steel_m_s },
            Some(found) => Leg::Immersion {
                surface: found.surface,
                water_m_s: self.setup.water.velocity_m_s,
                steel_m_s,
            },
        }
    }

    fn expect(&self) -> Expect<'_> {
        Expect {
            elements: self.setup.elements,
            axial_focus_m: self.setup.axial_focus_m,
            live: &self.records.live,
            pulse: self.pulse,
            medium: RayMedium {
                fluid: self.setup.water,
                solid: self.setup.steel,
                attenuation: Attenuation::default(),
            },
            way: self.found.map_or(Way::Contact, |f| Way::Water(f.surface)),
        }
    }

    /// Blackens what is not steel.
    fn within_steel(&self, drawn: &mut Image) {
        let Some(found) = self.found else { return };
        let grid = drawn.grid;
        for row in 0..grid.rows {
            for column in 0..grid.columns {
                if depth_m(&found.surface, grid.place(column, row)) <= 0.0 {
                    drawn.heights[row * grid.columns + column] = 0.0;
                }
            }
        }
    }

    /// The pulse that comes back from the brightest place.
    fn heard(&self, modes: [Mode; 2], drawn: &Image) -> Option<Pulse> {
        let spot = drawn.spots(0.1, self.setup.step_m, 1).first().copied()?;
        let [out, back] = modes.map(|mode| self.times(mode, spot.place));
        heard_pulse(self.records, [&out, &back], self.pulse.centre_hz)
    }

    /// When each live element hears a place, the delay of the pulse shared between both ways.
    pub(super) fn times(&self, mode: Mode, place: Point) -> Vec<Option<f64>> {
        let half_delay_s = self.setup.delay_s / 2.0;
        let time = |e: &usize| {
            let from = self.points[*e];
            match self.leg(mode) {
                Leg::Contact { steel_m_s } => Some(half_delay_s + from.distance(place) / steel_m_s),
                Leg::Immersion { surface, water_m_s, steel_m_s } => {
                    let path = least_time(&surface, from, place, water_m_s, steel_m_s);
                    path.ok().map(|p| half_delay_s + p.time_s)
                }
            }
        };
        self.records.live.iter().map(time).collect()
    }

    fn view(&self, modes: [Mode; 2], drawn: &Image) -> View {
        let grid = drawn.grid;
        let highest = drawn.heights.iter().copied().fold(0.0, f32::max);
        let mut lit: Vec<f32> = drawn.heights.iter().copied().filter(|h| *h > 0.0).collect();
        lit.sort_by(f32::total_cmp);
        let floor = f64::from(lit.get(lit.len() / 2).copied().unwrap_or(0.0));
        let expect = self.expect();
        let net: Vec<f64> = (0..NET * NET)
            .filter_map(|k| {
                let at = |i: usize, count: usize| (i * count.saturating_sub(1)) / (NET - 1);
                let (c, r) = (at(k % NET, grid.columns), at(k / NET, grid.rows));
                let height = expect.height(modes, grid.place(c, r));
                (height > 0.0).then_some(height)
            })
            .collect();
        let most = net.iter().copied().fold(0.0, f64::max);
        let least = net.iter().copied().fold(f64::INFINITY, f64::min);
        let (most_spots, down_db) = self.setup.spots;
        let apart = expect.point(modes, grid.place(grid.columns / 2, grid.rows / 2));
        let resolution_m = apart.map_or([0.0; 2], |p| p.extent_m);
        let near = 2.0 * resolution_m[0].min(resolution_m[1]).max(self.setup.step_m);
        let spots = drawn
            .spots(down_db, near, most_spots)
            .iter()
            .filter(|s| db(s.height / floor) >= OUT_DB)
            .map(|s| self.told(&expect, modes, s, floor, most))
            .collect();
        View {
            modes,
            grid: Places {
                corner: grid.corner,
                step_m: grid.step_m,
                columns: grid.columns as u32,
                rows: grid.rows as u32,
            },
            levels: Levels::of(&drawn.heights),
            highest: f64::from(highest),
            floor,
            resolution_m,
            sensitivity_range_db: if net.is_empty() { 0.0 } else { db(most / least) },
            spots,
        }
    }
}

//! Case files on least-time paths, delay laws and pulse-echo times.

use barwright_wave::delay::DelayLaw;
use barwright_wave::path::least_time;
use barwright_wave::{Element, Mode, Point, Result, Surface, array, echo};
use serde::Deserialize;

use super::cases::{Case, Named, Pair};

fn point(p: Pair) -> Point {
    Point::new(p[0], p[1])
}

fn pair(p: Point) -> Pair {
    [p.x, p.y]
}

/// The bar of a case.
#[derive(Debug, Deserialize)]
#[serde(tag = "type", rename_all = "lowercase")]
enum Bar {
    Round { bar_radius: f64, bar_center: Pair },
    Square { side: f64, face_y: f64 },
}

impl Bar {
    /// The face used, and the section's extent behind it.
    fn surface(&self) -> (Surface, f64) {
        match *self {
            Self::Round { bar_radius, bar_center } => (
                Surface::Round { centre: point(bar_center), radius_m: bar_radius },
                2.0 * bar_radius,
            ),
            Self::Square { side, face_y } => {
                let half = side / 2.0;
                (Surface::Flat { a: Point::new(half, face_y), b: Point::new(-half, face_y) }, side)
            }
        }
    }
}

#[derive(Debug, Deserialize)]
struct Material {
    c1: f64,
    #[serde(rename = "cL")]
    c_l: f64,
    #[serde(rename = "cS")]
    c_s: f64,
}

impl Material {
    fn velocity(&self, mode: Mode) -> f64 {
        match mode {
            Mode::L => self.c_l,
            Mode::S => self.c_s,
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(tag = "type", rename_all = "lowercase")]
enum Array {
    Flat {
        n: usize,
        pitch: f64,
        array_x: f64,
        array_y: f64,
        #[serde(default)]
        tilt_rad: f64,
    },
    Arc {
        n: usize,
        pitch: f64,
        array_radius: f64,
    },
}

impl Array {
    /// Elements above the bar, in the file's order.
    fn elements(&self) -> Vec<Element> {
        let down = -std::f64::consts::FRAC_PI_2;
        match *self {
            Self::Flat { n, pitch, array_x, array_y, tilt_rad } => {
                array::flat(Point::new(array_x, array_y), down + tilt_rad, n, pitch, pitch, pitch)
            }
            Self::Arc { n, pitch, array_radius } => {
                array::arc(array_radius, -down, n, pitch, pitch, pitch)
            }
        }
    }
}

/// Times from the elements of an array to a focus.
#[derive(Debug, Deserialize)]
pub struct FermatTimes {
    id: String,
    bar: Bar,
    array: Array,
    focus: Pair,
    mode: Mode,
    material: Material,
    expected: ExpectedTimes,
}

#[derive(Debug, Deserialize)]
struct ExpectedTimes {
    time_s: Vec<f64>,
    delay_s: Vec<f64>,
    entry: Vec<Pair>,
    theta_in_rad: Vec<f64>,
    theta_out_rad: Vec<f64>,
    /// Absent where every ray enters through the face.
    entry_on_face: Option<Vec<bool>>,
}

#[derive(Debug, Deserialize)]
pub struct TimesTolerance {
    time_s: f64,
    entry_m: f64,
    angle_rad: f64,
}

impl Named for FermatTimes {
    fn id(&self) -> &str {
        &self.id
    }
}

/// Least times, entry points, angles and the delay law. A ray that the file says enters beside the
/// face must be refused.
pub fn fermat_times(
    case: &FermatTimes,
    tolerance: &TimesTolerance,
    out: &mut Case<'_>,
) -> Result<()> {
    let (surface, _) = case.bar.surface();
    let c_steel = case.material.velocity(case.mode);
    let e = &case.expected;
    let elements = case.array.elements();
    let on_face =
        |i: usize| e.entry_on_face.as_ref().and_then(|f| f.get(i)).copied().unwrap_or(true);
    let (mut found, mut wanted) = (Vec::new(), Vec::new());
    let mut refused = 0;
    for (i, element) in elements.iter().enumerate() {
        let path =
            least_time(&surface, element.centre, point(case.focus), case.material.c1, c_steel);
        if on_face(i) {
            found.push(path?);
            wanted.push(i);
        } else if path.is_err() {
            refused += 1;
        }
    }
    let pick = |list: &[f64]| -> Vec<f64> {
        wanted.iter().filter_map(|&i| list.get(i).copied()).collect()
    };
    let times: Vec<f64> = found.iter().map(|p| p.time_s).collect();
    out.reals("time", "s", tolerance.time_s, &times, &pick(&e.time_s));
    let entries: Vec<Pair> = found.iter().map(|p| pair(p.entry)).collect();
    let wanted_entries: Vec<Pair> =
        wanted.iter().filter_map(|&i| e.entry.get(i).copied()).collect();
    out.pairs("entry point", "m", tolerance.entry_m, &entries, &wanted_entries);
    let angles: Vec<f64> = found.iter().map(|p| p.angle_in_rad).collect();
    out.reals("angle in water", "rad", tolerance.angle_rad, &angles, &pick(&e.theta_in_rad));
    let angles: Vec<f64> = found.iter().map(|p| p.angle_out_rad).collect();
    out.reals("angle in steel", "rad", tolerance.angle_rad, &angles, &pick(&e.theta_out_rad));
    let beside = elements.len() - wanted.len();
    if beside == 0 {
        let law = DelayLaw::from_times(&times, None)?;
        out.reals("delay law", "s", tolerance.time_s, &law.delays_s, &e.delay_s);
    } else {
        out.reals("rays beside the face refused", "", 0.0, &[f64::from(refused)], &[beside as f64]);
    }
    Ok(())
}

/// Echo times of one element.
#[derive(Debug, Deserialize)]
pub struct PulseEchoTime {
    id: String,
    bar: Bar,
    element: Pair,
    material: Material,
    beta_rad: Option<f64>,
    expected: ExpectedEchoes,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum ExpectedEchoes {
    Normal {
        front_s: f64,
        center_s: f64,
        backwall_s: Vec<f64>,
        water_distance_m: f64,
    },
    Skip {
        alpha_rad: f64,
        entry: Pair,
        water_path_m: f64,
        leg_m: f64,
        hit_points: Vec<Pair>,
        t_hit_s: Vec<f64>,
    },
}

#[derive(Debug, Deserialize)]
pub struct EchoTolerance {
    time_s: f64,
    point_m: f64,
}

impl Named for PulseEchoTime {
    fn id(&self) -> &str {
        &self.id
    }
}

/// Normal incidence and shear skips.
pub fn pulse_echo_time(
    case: &PulseEchoTime,
    tolerance: &EchoTolerance,
    out: &mut Case<'_>,
) -> Result<()> {
    let (surface, extent) = case.bar.surface();
    let (element, m) = (point(case.element), &case.material);
    match &case.expected {
        ExpectedEchoes::Normal { front_s, center_s, backwall_s, water_distance_m } => {
            let t = echo::normal_incidence_times(
                &surface,
                extent,
                element,
                m.c1,
                m.c_l,
                backwall_s.len(),
            )?;
            out.reals("water path", "m", tolerance.point_m, &[t.water_m], &[*water_distance_m]);
            out.reals(
                "surface and centre",
                "s",
                tolerance.time_s,
                &[t.front_s, t.centre_s],
                &[*front_s, *center_s],
            );
            out.reals("back walls", "s", tolerance.time_s, &t.backwall_s, backwall_s);
        }
        ExpectedEchoes::Skip { alpha_rad, entry, water_path_m, leg_m, hit_points, t_hit_s } => {
            let beta = case.beta_rad.unwrap_or(f64::NAN);
            let s = echo::shear_skip(&surface, extent, element, beta, m.c1, m.c_s, t_hit_s.len())?;
            // 1e-6 rad: the files' own tolerance for angles (fermat_times).
            out.reals("incidence", "rad", 1e-6, &[s.incidence_rad.abs()], &[alpha_rad.abs()]);
            out.pairs("entry point", "m", tolerance.point_m, &[pair(s.entry)], &[*entry]);
            out.reals(
                "water path and leg",
                "m",
                tolerance.point_m,
                &[s.water_m, s.leg_m],
                &[*water_path_m, *leg_m],
            );
            let hits: Vec<Pair> = s.hits.iter().map(|&p| pair(p)).collect();
            out.pairs("hits", "m", tolerance.point_m, &hits, hit_points);
            out.reals("hit times", "s", tolerance.time_s, &s.times_s, t_hit_s);
        }
    }
    Ok(())
}

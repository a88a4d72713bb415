//! Case files on the exact field of a round bar: single frequencies and pulses.

use std::f64::consts::{FRAC_PI_2, LN_2};

use barwright_wave::cylinder::{
    CylinderBand, Drive, LineArray, LineSource, Passage, Synthesis, peak_envelope,
};
use barwright_wave::{Fluid, Mode, Point, Result, Solid, array};
use num_complex::Complex64;
use serde::Deserialize;

use super::cases::{Case, Named, Pair};

fn point(p: Pair) -> Point {
    Point::new(p[0], p[1])
}

#[derive(Debug, Deserialize)]
struct Bar {
    radius: f64,
    #[serde(rename = "cL")]
    c_l: f64,
    #[serde(rename = "cS")]
    c_s: f64,
    rho: f64,
}

#[derive(Debug, Deserialize)]
struct Water {
    cf: f64,
    rhof: f64,
}

/// An array above the bar, every element filled with `nsub` strips over its whole pitch.
#[derive(Debug, Deserialize)]
struct Array {
    #[serde(rename = "type")]
    shape: Shape,
    n: usize,
    pitch: f64,
    water_path: f64,
    nsub: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Shape {
    Arc,
    Flat,
}

impl Array {
    fn lines(&self, radius_m: f64) -> Result<LineArray> {
        let distance = radius_m + self.water_path;
        let (elements, face) = match self.shape {
            Shape::Arc => (
                array::arc(distance, FRAC_PI_2, self.n, self.pitch, self.pitch, 0.01),
                Some(distance),
            ),
            Shape::Flat => (
                array::flat(
                    Point::new(0.0, distance),
                    -FRAC_PI_2,
                    self.n,
                    self.pitch,
                    self.pitch,
                    0.01,
                ),
                None,
            ),
        };
        LineArray::new(&elements, self.nsub, Point::default(), face)
    }
}

/// Every element of an array, fired so that all arrive together.
fn focused(times_s: &[f64]) -> Result<Drive> {
    let all: Vec<usize> = (0..times_s.len()).collect();
    let delays: Vec<f64> = times_s.iter().map(|t| -t).collect();
    Drive::new(&all, &delays)
}

fn media(bar: &Bar, water: &Water) -> Result<(Solid, Fluid)> {
    Ok((Solid::new(bar.c_l, bar.c_s, bar.rho)?, Fluid::new(water.cf, water.rhof)?))
}

/// The field at single points and one frequency.
#[derive(Debug, Deserialize)]
pub struct ExactPoint {
    id: String,
    bar: Bar,
    water: Water,
    frequency: f64,
    /// Single sources, all of unit weight; otherwise an array.
    sources: Option<Vec<Pair>>,
    weights: Option<Vec<Pair>>,
    array: Option<Array>,
    fermat_time_s: Option<Vec<f64>>,
    ref_point: Pair,
    expected: ExpectedField,
}

#[derive(Debug, Deserialize)]
struct ExpectedField {
    p_inc_ref: Pair,
    points: Vec<Pair>,
    first: ExpectedModes,
    full: ExpectedModes,
    #[serde(rename = "full_change_for_1e-9_frequency")]
    full_change: f64,
}

#[derive(Debug, Deserialize)]
struct ExpectedModes {
    #[serde(rename = "PL_over_ref")]
    longitudinal: Vec<Pair>,
    #[serde(rename = "PS_over_ref")]
    shear: Vec<Pair>,
}

#[derive(Debug, Deserialize)]
pub struct PointTolerance {
    rel_to_largest_in_case: f64,
}

impl Named for ExactPoint {
    fn id(&self) -> &str {
        &self.id
    }
}

impl ExactPoint {
    fn array(&self) -> Result<(LineArray, Drive)> {
        if let (Some(array), Some(times)) = (&self.array, &self.fermat_time_s) {
            return Ok((array.lines(self.bar.radius)?, focused(times)?));
        }
        let sources = self.sources.as_deref().unwrap_or_default();
        // Weights are real in these files; a delay law would carry a phase.
        let weights: Vec<f64> = match &self.weights {
            Some(weights) => weights.iter().map(|w| w[0]).collect(),
            None => vec![1.0; sources.len()],
        };
        let lines =
            sources.iter().map(|&s| vec![LineSource { at: point(s), weight: 1.0 }]).collect();
        let all: Vec<usize> = (0..sources.len()).collect();
        let delays = vec![0.0; sources.len()];
        Ok((LineArray::from_sources(lines)?, Drive::weighted(&all, &delays, &weights)?))
    }
}

/// First passage and full field, both modes, relative to the incident field at the reference point.
pub fn exact_point(
    case: &ExactPoint,
    tolerance: &PointTolerance,
    out: &mut Case<'_>,
) -> Result<()> {
    let (solid, fluid) = media(&case.bar, &case.water)?;
    let (array, drive) = case.array()?;
    let drive = [drive];
    let e = &case.expected;
    // The files evaluate the centre at 1 µm from it.
    let places: Vec<Point> = e
        .points
        .iter()
        .map(|&p| if p == [0.0, 0.0] { Point::new(1e-6, 0.0) } else { point(p) })
        .collect();
    for (passage, name, wanted, floor) in [
        (Passage::First, "first passage", &e.first, 0.0),
        (Passage::Full, "full", &e.full, e.full_change),
    ] {
        let band =
            CylinderBand::new(case.bar.radius, &solid, &fluid, &[case.frequency], 0.0, passage)?;
        let lit = band.illuminate(&array)?;
        let reference = lit.incident_at(&drive, point(case.ref_point))?.row(0)[0];
        if passage == Passage::First {
            let size = e.p_inc_ref[0].hypot(e.p_inc_ref[1]);
            // 1e-9: Hankel functions of both programs are good to 1e-12; kR is about 1e3.
            out.pairs(
                "incident field",
                "",
                1e-9 * size,
                &[[reference.re, reference.im]],
                &[e.p_inc_ref],
            );
        }
        let largest = wanted
            .longitudinal
            .iter()
            .chain(&wanted.shear)
            .map(|p| p[0].hypot(p[1]))
            .fold(0.0, f64::max);
        let allowed = tolerance.rel_to_largest_in_case.max(floor) * largest;
        for (mode, letter, values) in
            [(Mode::L, 'L', &wanted.longitudinal), (Mode::S, 'S', &wanted.shear)]
        {
            let fields = lit.fields_at(&drive, &places, mode)?;
            let found: Vec<Pair> = fields
                .iter()
                .map(|f| {
                    let ratio = f.row(0)[0] / reference;
                    [ratio.re, ratio.im]
                })
                .collect();
            out.pairs(&format!("{name} {letter}"), "", allowed, &found, values);
        }
    }
    Ok(())
}

/// Peak envelopes of a pulse.
#[derive(Debug, Deserialize)]
pub struct ExactBroadband {
    id: String,
    bar: Bar,
    water: Water,
    pulse: Pulse,
    array: Array,
    focus: Pair,
    mode: Mode,
    fermat_time_s: Vec<f64>,
    expected: ExpectedPeaks,
}

#[derive(Debug, Deserialize)]
struct Pulse {
    f0: f64,
    #[serde(rename = "bandwidth_6dB")]
    bandwidth: f64,
}

#[derive(Debug, Deserialize)]
struct ExpectedPeaks {
    #[serde(rename = "focus_gain_dB")]
    focus_gain_db: f64,
    points: Vec<ExpectedPeak>,
}

#[derive(Debug, Deserialize)]
struct ExpectedPeak {
    x: f64,
    y: f64,
    #[serde(rename = "PL_dB")]
    longitudinal_db: f64,
    #[serde(rename = "PS_dB")]
    shear_db: f64,
    #[serde(rename = "definition_spread_dB")]
    spread_db: f64,
}

#[derive(Debug, Deserialize)]
pub struct BroadbandTolerance {
    #[serde(rename = "exact_implementation_dB")]
    exact_db: f64,
}

impl Named for ExactBroadband {
    fn id(&self) -> &str {
        &self.id
    }
}

/// Points whose value depends on where the first passage is cut from later ones by more than this
/// are no hard checks, the files' README says.
const SOFT_DB: f64 = 0.05;

/// First passage, both at the focus and around it.
pub fn exact_broadband(
    case: &ExactBroadband,
    tolerance: &BroadbandTolerance,
    out: &mut Case<'_>,
) -> Result<()> {
    let (solid, fluid) = media(&case.bar, &case.water)?;
    let Pulse { f0, bandwidth } = case.pulse;
    let sigma = 0.5 * bandwidth * f0 / (2.0 * LN_2).sqrt();
    // As the files: |f - f0| < 3.8 sigma, one over 40.96 µs apart.
    let step = 1.0 / 40.96e-6;
    let first = ((f0 - 3.8 * sigma) / step).ceil().max(1.0) as usize;
    let last = ((f0 + 3.8 * sigma) / step).floor() as usize;
    let frequencies: Vec<f64> = (first..=last).map(|k| k as f64 * step).collect();
    let band =
        CylinderBand::new(case.bar.radius, &solid, &fluid, &frequencies, 0.0, Passage::First)?;
    let array = case.array.lines(case.bar.radius)?;
    let drive = [focused(&case.fermat_time_s)?];
    let lit = band.illuminate(&array)?;
    let synthesis = Synthesis::new(&band, 0.0, 1024.0 * step, 1024)?;
    let peak_db = |spectrum: &[Complex64]| -> Result<f64> {
        let pulsed: Vec<Complex64> = spectrum
            .iter()
            .zip(&frequencies)
            .map(|(p, f)| p * (-0.5 * ((f - f0) / sigma).powi(2)).exp())
            .collect();
        Ok(20.0 * peak_envelope(&synthesis.analytic(&pulsed)?).0.log10())
    };
    let at_focus = peak_db(lit.fields_at(&drive, &[point(case.focus)], case.mode)?[0].row(0))?;
    let incident = peak_db(lit.incident_at(&drive, Point::new(0.0, case.bar.radius))?.row(0))?;
    out.reals(
        "gain at the focus",
        "dB",
        tolerance.exact_db,
        &[at_focus - incident],
        &[case.expected.focus_gain_db],
    );
    let hard: Vec<&ExpectedPeak> =
        case.expected.points.iter().filter(|p| p.spread_db < SOFT_DB).collect();
    let places: Vec<Point> = hard.iter().map(|p| Point::new(p.x, p.y)).collect();
    let fields = lit.fields_at(&drive, &places, case.mode)?;
    let found =
        fields.iter().map(|f| Ok(peak_db(f.row(0))? - at_focus)).collect::<Result<Vec<f64>>>()?;
    let wanted: Vec<f64> = hard
        .iter()
        .map(|p| match case.mode {
            Mode::L => p.longitudinal_db,
            Mode::S => p.shear_db,
        })
        .collect();
    out.reals(
        &format!("{} points re focus", hard.len()),
        "dB",
        tolerance.exact_db,
        &found,
        &wanted,
    );
    Ok(())
}

//! What was found of the truth, and what was called that is not there.

use barwright_job::Sealed;
use barwright_job::judgement::{Indication, Judgement};
use barwright_job::proof::FlawClass;
use barwright_twin::reflector::Kind;
use barwright_twin::truth::{TrueFlaw, Truth};
use barwright_wave::Point;
use serde::Serialize;

/// How far along the bar an indication may lie from a flaw to belong to it, in metres: the axial
/// width of a beam.
const ALONG_M: f64 = 0.015;

/// How far across the section, in metres: the width of a beam where it is widest.
const ACROSS_M: f64 = 0.006;

/// One true flaw and what was made of it.
#[derive(Debug, Clone, Serialize)]
pub struct Compared {
    /// The bar.
    pub bar: String,
    /// The flaw in words.
    pub flaw: String,
    /// What it is.
    pub truth: TrueFlaw,
    /// What was seen of it; absent if it was missed.
    pub found: Option<Found>,
}

/// What was seen of a flaw.
#[derive(Debug, Clone, Serialize)]
pub struct Found {
    /// Letters of the indications that belong to it, the highest first.
    pub letters: Vec<String>,
    /// Distance of the indication's middle from the flaw's, along the bar, in mm.
    pub along_mm: f64,
    /// Distance across the section in mm; for a crack, along the surface.
    pub across_mm: f64,
    /// Found size over true size, in dB of size; absent for a flaw without a size of its class.
    pub size_error_db: Option<f64>,
    /// Found size in mm.
    pub size_mm: f64,
    /// The size is a lower bound.
    pub at_least: bool,
}

/// All flaws, and the calls that belong to none.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    /// One entry for each true flaw.
    pub flaws: Vec<Compared>,
    /// Bars and letters of indications where nothing is.
    pub false_calls: Vec<String>,
    /// Length screened in metres.
    pub length_m: f64,
}

/// Compares the judgements of a lot with the truth.
pub fn compare(truth: &Truth, judgements: &[Sealed<Judgement>]) -> Comparison {
    let mut flaws = Vec::new();
    let mut false_calls = Vec::new();
    let mut length_m = 0.0;
    for judgement in judgements {
        let j = &judgement.body;
        length_m += j.length_m;
        let here: &[TrueFlaw] =
            truth.bars.iter().find(|b| b.name == j.bar).map_or(&[], |b| &b.flaws);
        let mut mine: Vec<Vec<&Indication>> = vec![Vec::new(); here.len()];
        for indication in &j.indications {
            let nearest = here
                .iter()
                .enumerate()
                .filter(|(_, flaw)| belongs(indication, flaw))
                .min_by(|a, b| across_m(indication, a.1).total_cmp(&across_m(indication, b.1)));
            match nearest {
                Some((i, _)) => mine[i].push(indication),
                None => false_calls.push(format!("bar {} {}", j.bar, indication.letter)),
            }
        }
        for (flaw, mut seen) in here.iter().zip(mine) {
            seen.sort_by(|a, b| b.height_fsh.total_cmp(&a.height_fsh));
            flaws.push(Compared {
                bar: j.bar.clone(),
                flaw: words(flaw),
                truth: *flaw,
                found: seen.first().map(|best| found(best, &seen, flaw)),
            });
        }
    }
    Comparison { flaws, false_calls, length_m }
}

fn belongs(indication: &Indication, flaw: &TrueFlaw) -> bool {
    let along =
        indication.from_m <= flaw.to_m + ALONG_M && indication.to_m >= flaw.from_m - ALONG_M;
    along && across_m(indication, flaw) <= ACROSS_M
}

fn place(flaw: &TrueFlaw) -> Point {
    Point::polar(flaw.radius_m, flaw.angle_rad)
}

fn across_m(indication: &Indication, flaw: &TrueFlaw) -> f64 {
    indication.place.distance(place(flaw))
}

fn found(best: &Indication, seen: &[&Indication], flaw: &TrueFlaw) -> Found {
    let size_m = match (flaw.kind, best.class) {
        (Kind::Disc { diameter_m, .. }, FlawClass::Disc) => Some(diameter_m),
        (Kind::Crack { depth_m }, FlawClass::Crack) => Some(depth_m),
        // A long void has no disc that it equals; a size of the other class says nothing.
        _ => None,
    };
    Found {
        letters: seen.iter().map(|i| i.letter.clone()).collect(),
        along_mm: ((best.from_m + best.to_m) / 2.0 - (flaw.from_m + flaw.to_m) / 2.0).abs() * 1e3,
        across_mm: across_m(best, flaw) * 1e3,
        size_error_db: size_m.map(|m| 20.0 * (best.size_m / m).log10()),
        size_mm: best.size_m * 1e3,
        at_least: best.clipped,
    }
}

/// A flaw in words.
fn words(flaw: &TrueFlaw) -> String {
    match flaw.kind {
        Kind::Disc { diameter_m, tilt_rad, .. } => {
            let tilt = if tilt_rad == 0.0 {
                String::new()
            } else {
                format!(" tilted {:.0}°", tilt_rad.to_degrees())
            };
            format!("disc {:.1} mm{tilt}, {:.1} mm deep", diameter_m * 1e3, flaw.depth_m * 1e3)
        }
        Kind::Hole { diameter_m } => {
            format!(
                "centre pipe {:.1} mm, {:.0} mm long",
                diameter_m * 1e3,
                (flaw.to_m - flaw.from_m) * 1e3
            )
        }
        Kind::Crack { depth_m } => {
            format!(
                "crack {:.1} mm deep, {:.0} mm long",
                depth_m * 1e3,
                (flaw.to_m - flaw.from_m) * 1e3
            )
        }
    }
}

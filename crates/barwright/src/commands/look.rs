//! `look`: pictures from a full-matrix capture, and what stands out in them.

use std::{
    fmt::Write as _,
    path::{Path, PathBuf},
};

use barwright_capture::{FullMatrix, matrix::MatrixCoupling};
use barwright_evaluate::look::{LookError, Setup, Shape, Traces, study};
use barwright_job::{
    Hash, Sealed, Technique, Topic,
    second_look::{AskedBy, Entry, SecondLook, Spot, View},
    technique::Section,
};
use barwright_report::{Palette, second_look, second_look::way, text};
use barwright_wave::{Element, Fluid, Mode, Solid, Surface};
use barwright_web::{JobFolder, files};
use clap::{ArgGroup, ValueEnum};
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Take a second look: focus a full-matrix capture at every place (total focusing, ISO 23865).
///
/// FOLDER holds fmc.npy ([transmit, receive, sample]) and meta.json. The surface is found from the records before
/// anything is focused. What is not said here is taken from meta.json, then from the job folder's technique. Writes
/// looks/NAME.json and looks/NAME.svg. Exit status 1 if something makes the picture doubtful.
#[derive(Debug, clap::Args)]
#[command(group(ArgGroup::new("surface").args(["round_mm", "round", "side_mm", "flat", "contact"])))]
pub struct Args {
    /// Folder with the matrix.
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Name of the look: letters, digits, hyphens.
    #[arg(long)]
    name: String,
    /// The indication that asks for it: a judged bar of the job folder and the letter, as in 0007:B.
    #[arg(long, value_name = "BAR:LETTER")]
    asked_by: Option<String>,
    /// The surface is that of a round bar of this diameter.
    #[arg(long, value_name = "DIAMETER")]
    round_mm: Option<f64>,
    /// The surface is that of a round bar whose diameter is to be found too.
    #[arg(long)]
    round: bool,
    /// The surface is a side of a square bar, this wide between its corners.
    #[arg(long, value_name = "WIDTH")]
    side_mm: Option<f64>,
    /// The surface is a flat face.
    #[arg(long)]
    flat: bool,
    /// The array stands on the steel.
    #[arg(long)]
    contact: bool,
    /// Modes on the way out and back, one picture for each.
    #[arg(long, value_enum, value_delimiter = ',', value_name = "MODES", default_values_t = [Way::LL])]
    modes: Vec<Way>,
    /// Depths under the surface to look at, from the first to the second; the bar's whole section unless it is said.
    #[arg(long, num_args = 2, value_names = ["FROM", "TO"])]
    depth_mm: Option<Vec<f64>>,
    /// How far to look on each side of the array's middle.
    #[arg(long, value_name = "WIDTH")]
    across_mm: Option<f64>,
    /// Distance of places; a sixth of the shortest wavelength, at most 0.2, unless it is said.
    #[arg(long, value_name = "STEP")]
    step_mm: Option<f64>,
    /// Times from firing between which the surface is looked for.
    #[arg(long, num_args = 2, value_names = ["FROM", "TO"])]
    surface_us: Option<Vec<f64>>,
    /// How much later than its firing the middle of the pulse leaves an element.
    #[arg(long, value_name = "TIME", default_value_t = 0.0, allow_negative_numbers = true)]
    delay_us: f64,
    /// Velocity in the water.
    #[arg(long, value_name = "VELOCITY")]
    water_m_s: Option<f64>,
    /// Velocity of longitudinal waves in the steel.
    #[arg(long, value_name = "VELOCITY")]
    longitudinal_m_s: Option<f64>,
    /// Velocity of shear waves in the steel.
    #[arg(long, value_name = "VELOCITY")]
    shear_m_s: Option<f64>,
    /// Standard uncertainty of the velocities in the steel, in percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.5)]
    steel_uncertain_percent: f64,
    /// Standard uncertainty of the velocity in the water, in percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.2)]
    water_uncertain_percent: f64,
    /// Places told of each picture at most.
    #[arg(long, value_name = "N", default_value_t = 10)]
    spots: usize,
    /// How far below the brightest places are told, in dB.
    #[arg(long, value_name = "DB", default_value_t = 20.0)]
    down_db: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Way {
    #[value(name = "l-l")]
    LL,
    #[value(name = "s-s")]
    SS,
    #[value(name = "l-s")]
    LS,
}

impl Way {
    fn modes(self) -> [Mode; 2] {
        match self {
            Self::LL => [Mode::L, Mode::L],
            Self::SS => [Mode::S, Mode::S],
            Self::LS => [Mode::L, Mode::S],
        }
    }
}

/// What is printed with `--json`: the document without its levels, which stand in the file.
#[derive(Serialize)]
struct Told<'a> {
    document: &'a Path,
    picture: &'a Path,
    hash: &'a Hash,
    look: serde_json::Value,
}

fn refused(e: &LookError) -> Failure {
    let hint = match e {
        LookError::NoSurface { .. } => Some("say when the surface is heard with --surface-us"),
        LookError::NoFit { .. } => Some(
            "say what the surface is with --round-mm, --side-mm or --flat, or when it is heard with --surface-us",
        ),
        LookError::Grid { .. } => {
            Some("look at less with --depth-mm and --across-mm, or more coarsely with --step-mm")
        }
        LookError::Missing { .. } => Some(
            "record every pair in one direction at least, or leave the element's records nought to count it as dead",
        ),
        _ => None,
    };
    Failure::because(e).hint(hint.map(str::to_owned))
}

/// Looks.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let document =
        bench.job.look_path(&args.name).ok_or_else(|| Failure::no_name(&args.name, "a look"))?;
    let matrix = FullMatrix::read(&args.folder)?;
    let technique =
        bench.job.technique_path().exists().then(|| bench.job.technique()).transpose()?;
    let asked = args.asked_by.as_deref().map(|asked| asked_by(&bench.job, asked)).transpose()?;
    let elements = matrix.array.elements();
    let ways: Vec<[Mode; 2]> = args.modes.iter().map(|w| w.modes()).collect();
    let setup = setup(args, &matrix, technique.as_ref().map(|t| &t.body), &elements, &ways)?;
    let traces = Traces {
        elements: matrix.array.elements,
        samples: matrix.samples,
        sample_rate_hz: matrix.sample_rate_hz,
        first_sample_s: matrix.first_sample_s,
        values: &matrix.values,
        centre_hz: matrix.array.centre_frequency_hz,
    };
    let mut seen = study(&traces, &setup).map_err(|e| refused(&e))?;
    let mut from = vec![("matrix", matrix.hash.clone())];
    if let Some((asked, judgement)) = asked {
        seen.asked_by = Some(asked);
        from.push(("judgement", judgement));
    }
    let sealed = Sealed::seal(seen, from);
    let picture = document.with_extension("svg");
    files::write_sealed(&document, &sealed)?;
    files::write(&picture, second_look(&sealed.body, &Palette::paper()).as_bytes())?;
    let mut look = serde_json::to_value(&sealed.body).map_err(|e| Failure::because(&e))?;
    for view in look["views"].as_array_mut().into_iter().flatten() {
        view.as_object_mut().map(|v| v.remove("levels"));
    }
    let told = Told { document: &document, picture: &picture, hash: &sealed.hash, look };
    let words = format!("{}{}\n{}\n", words(&sealed.body), document.display(), picture.display());
    bench.answer(&words, &told)?;
    let doubtful = |topic| matches!(topic, Topic::Validity | Topic::Clipped | Topic::Missing);
    Ok(Outcome::good_if(!sealed.body.findings.iter().any(|f| doubtful(f.topic))))
}

/// The indication of a bar and the hash of the judgement that it stands in.
fn asked_by(job: &JobFolder, asked: &str) -> Result<(AskedBy, Hash), Failure> {
    let (bar, letter) = asked.rsplit_once(':').ok_or_else(|| {
        Failure::new(format!("{asked:?} names no indication"))
            .hint(Some("a bar and a letter, as in 0007:B".into()))
    })?;
    let judgement = job.judgement(bar)?;
    let letters: Vec<&str> = judgement.body.indications.iter().map(|i| i.letter.as_str()).collect();
    if !letters.contains(&letter) {
        let known = match letters.len() {
            0 => "it has none".to_owned(),
            _ => format!("its indications are {}", letters.join(", ")),
        };
        return Err(
            Failure::new(format!("bar {bar} has no indication {letter:?}")).hint(Some(known))
        );
    }
    Ok((AskedBy { bar: bar.to_owned(), letter: letter.to_owned() }, judgement.hash))
}

/// Takes what is known from the command, the matrix and the technique, in this order.
fn setup<'a>(
    args: &Args,
    matrix: &'a FullMatrix,
    technique: Option<&Technique>,
    elements: &'a [Element],
    ways: &'a [[Mode; 2]],
) -> Result<Setup<'a>, Failure> {
    let shape = shape(args, matrix, technique);
    let media = technique.map(|t| &t.media);
    let known =
        |said: Option<f64>, stated: Option<f64>, of_job: Option<f64>, what: &str, flag: &str| {
            said.or(stated).or(of_job).filter(|v| v.is_finite() && *v > 0.0).ok_or_else(|| {
                Failure::new(format!("the velocity of {what} is not known"))
                    .hint(Some(format!("give it with {flag}")))
            })
        };
    let longitudinal = known(
        args.longitudinal_m_s,
        matrix.longitudinal_m_s,
        media.map(|m| m.steel.longitudinal_m_s),
        "longitudinal waves in the steel",
        "--longitudinal-m-s",
    )?;
    let shear = args.shear_m_s.or(matrix.shear_m_s).or(media.map(|m| m.steel.shear_m_s));
    let by_shear = ways.iter().flatten().any(|m| *m == Mode::S);
    // Pictures by longitudinal waves need it for the sound that goes over at the surface: Poisson's ratio of steel, 0.29.
    let shear = if by_shear {
        known(shear, None, None, "shear waves in the steel", "--shear-m-s")?
    } else {
        shear.unwrap_or(0.5435 * longitudinal)
    };
    let water = match shape {
        None => 1480.0,
        Some(_) => known(
            args.water_m_s,
            matrix.water_m_s,
            media.and_then(|m| m.water).map(|w| w.velocity_m_s),
            "the water",
            "--water-m-s",
        )?,
    };
    let density = media.map_or(7850.0, |m| m.steel.density_kg_m3);
    let wrong = |e: barwright_wave::WaveError| Failure::because(&e);
    let steel = Solid::new(longitudinal, shear, density).map_err(wrong)?;
    let water = Fluid::new(water, 1000.0).map_err(wrong)?;
    let slowest =
        ways.iter().flatten().map(|m| steel.velocity_m_s(*m)).fold(longitudinal, f64::min);
    let wave_mm = slowest / matrix.array.centre_frequency_hz * 1e3;
    let step_mm = args.step_mm.unwrap_or((wave_mm / 6.0).min(0.2));
    let depth_mm = match (&args.depth_mm, shape, matrix.thickness_m) {
        (Some(d), _, _) => [d[0], d[1]],
        (None, Some(Shape::Round { radius_m }), _) => [0.0, radius_m * 2e3],
        (None, Some(Shape::Side { width_m }), _) => [0.0, width_m * 1e3],
        // A little beyond the wall, so that it is seen.
        (None, _, Some(thickness_m)) => [0.0, thickness_m * 1.1e3],
        _ => {
            return Err(Failure::new("how deep to look is not known")
                .hint(Some("give it with --depth-mm FROM TO".into())));
        }
    };
    let bad = |what: &str, flag: &str| {
        Failure::new(what.to_owned()).hint(Some(format!("correct {flag}")))
    };
    if !(step_mm.is_finite() && step_mm > 0.0) {
        return Err(bad(&format!("places {step_mm} mm apart cannot be"), "--step-mm"));
    }
    if !(depth_mm[0] >= 0.0 && depth_mm[1] > depth_mm[0] && depth_mm[1] <= 1000.0) {
        let [from, to] = depth_mm;
        return Err(bad(&format!("depths from {from} to {to} mm cannot be"), "--depth-mm"));
    }
    if args.across_mm.is_some_and(|w| !(w.is_finite() && w > 0.0)) {
        return Err(bad("a width of nought or less cannot be", "--across-mm"));
    }
    let rel = [args.steel_uncertain_percent / 100.0, args.water_uncertain_percent / 100.0];
    if rel.iter().any(|r| !(0.0..0.2).contains(r)) {
        return Err(bad("velocities are known to 20 % at least", "--steel-uncertain-percent"));
    }
    Ok(Setup {
        matrix: &matrix.name,
        elements,
        axial_focus_m: matrix.array.elevation_focus_m,
        shape,
        wall_m: matrix.thickness_m,
        window_s: args.surface_us.as_ref().map(|w| [w[0] * 1e-6, w[1] * 1e-6]),
        water,
        steel,
        uncertainty_rel: rel,
        delay_s: args.delay_us * 1e-6,
        ways,
        depth_m: depth_mm.map(|d| d / 1e3),
        half_width_m: args.across_mm.map(|w| w / 1e3),
        step_m: step_mm / 1e3,
        spots: (args.spots, args.down_db),
    })
}

/// What the surface is; none in contact.
fn shape(args: &Args, matrix: &FullMatrix, technique: Option<&Technique>) -> Option<Shape> {
    if args.contact {
        return None;
    }
    if let Some(diameter) = args.round_mm {
        return Some(Shape::Round { radius_m: diameter / 2e3 });
    }
    if args.round {
        return Some(Shape::RoundFree);
    }
    if let Some(width) = args.side_mm {
        return Some(Shape::Side { width_m: width / 1e3 });
    }
    if args.flat {
        return Some(Shape::Flat);
    }
    match (matrix.coupling, technique.map(|t| t.section)) {
        (MatrixCoupling::Contact, _) => None,
        (_, Some(Section::Round { radius_m })) => Some(Shape::Round { radius_m }),
        (_, Some(Section::Square { side_m, corner_radius_m })) => {
            Some(Shape::Side { width_m: side_m - 2.0 * corner_radius_m })
        }
        _ => Some(Shape::Flat),
    }
}

fn words(seen: &SecondLook) -> String {
    let mut out = String::new();
    let mm = |m: f64, digits| text::number(m * 1e3, digits);
    let recorded = &seen.recorded;
    let _ = writeln!(
        out,
        "{} elements, {:.2} MHz heard, bandwidth {:.0} %",
        recorded.elements,
        recorded.centre_hz / 1e6,
        recorded.bandwidth_rel * 100.0
    );
    match seen.entry {
        Entry::Contact => out.push_str("in contact\n"),
        Entry::Found { surface, elements, scatter_m, uncertainty_m } => {
            let what = match surface {
                Surface::Round { centre, radius_m } => format!(
                    "round, diameter {} mm, its skin {} mm before the array, its axis {} mm aside",
                    mm(2.0 * radius_m, 2),
                    mm(centre.y - radius_m, 2),
                    mm(centre.x, 2)
                ),
                Surface::Flat { a, b } => format!(
                    "flat, {} mm before the array, tilted by {}°",
                    mm((a.y + b.y) / 2.0, 2),
                    text::number(((b.y - a.y) / (b.x - a.x)).atan().to_degrees(), 2)
                ),
            };
            let _ = writeln!(
                out,
                "surface {what}; ± {} mm, heard by {elements} elements, scatter {} mm",
                mm(uncertainty_m, 3),
                mm(scatter_m, 3)
            );
        }
    }
    for view in &seen.views {
        view_words(&mut out, view);
    }
    for finding in &seen.findings {
        let _ = writeln!(out, "NOTE: {}", finding.message);
    }
    out
}

fn view_words(out: &mut String, view: &View) {
    let mm = |m: f64, digits| text::number(m * 1e3, digits);
    let _ = writeln!(
        out,
        "\n{}: two points are told apart at {} mm across, {} mm in depth; a point shows up to {} dB less at the picture's least favoured place",
        way(view.modes),
        mm(view.resolution_m[0], 2),
        mm(view.resolution_m[1], 2),
        text::number(view.sensitivity_range_db, 1)
    );
    if view.spots.is_empty() {
        out.push_str("nothing stands out\n");
        return;
    }
    let _ = writeln!(
        out,
        "{:>3} {:>10} {:>10} {:>17} {:>10} {:>10} {:>13} {:>13}  size across, in depth (mm)",
        "",
        "depth mm",
        "across mm",
        "± mm",
        "dB re full",
        "over floor",
        "sensitivity",
        "clipped pairs"
    );
    for (k, s) in view.spots.iter().enumerate() {
        let _ = writeln!(
            out,
            "{:>3} {:>10} {:>10} {:>17} {:>10} {:>10} {:>13} {:>13}  {}, {}",
            k + 1,
            mm(s.depth_m, 2),
            mm(s.place.x, 2),
            format!("{} {}", mm(s.place_uncertainty_m[1], 2), mm(s.place_uncertainty_m[0], 2)),
            text::number(20.0 * s.height.log10(), 1),
            text::number(s.over_floor_db, 1),
            text::number(s.sensitivity_db, 1),
            text::percent(s.clipped_share, 0),
            size_words(s, 0),
            size_words(s, 1),
        );
    }
}

/// A size with its uncertainty, or that it cannot be told from a point.
fn size_words(s: &Spot, axis: usize) -> String {
    let give = text::number(s.size_uncertainty_m[axis] * 1e3, 2);
    match s.size_m[axis] {
        Some(size) => format!("{} ± {give}", text::number(size * 1e3, 2)),
        None => {
            let point = text::number(s.point_extent_m[axis] * 1e3, 2);
            format!("a point's ({point})")
        }
    }
}

//! `twin`: captures with known truth from the virtual station.

use std::path::PathBuf;

use barwright_job::Hash;
use barwright_twin::{
    LotKind, MatrixPlace, Scene, SceneBar, Truth, VirtualStation, demo_scene, lot_scene,
};
use barwright_web::{JobFolder, files};
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use crate::virtual_captures;
use barwright_web::steps;

/// Make captures with known truth from the virtual station.
///
/// The scene (scene.toml) says which flaws the bars carry and what is wrong with the station; the
/// captures come from the exact field of the bar with all its reflections.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Write a scene for the order: most bars clean, some with flaws of known kind.
    Scene {
        /// Seed of everything random.
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Flaws of every kind anywhere in about half of the bars, instead of a few chosen ones.
        #[arg(long)]
        mixed: bool,
    },
    /// Turn the reference bar through its motion list.
    Reference {
        /// Load the gains of level.json.
        #[arg(long)]
        levelled: bool,
        /// Two motions alone, for the short look of a changeover.
        #[arg(long)]
        short: bool,
        /// How often the motion list is gone through.
        #[arg(long, default_value_t = 2)]
        passes: u16,
        /// Name of the capture.
        #[arg(long, default_value = "reference-1")]
        name: String,
    },
    /// Pass the reference bar through the ring at line speed, several times.
    Check {
        /// Number of passes; those of the rules if not given.
        #[arg(long)]
        passes: Option<u16>,
        /// Name of the capture.
        #[arg(long, default_value = "check-01")]
        name: String,
    },
    /// Take the full matrix of one probe before a place of a bar at rest: all pairs of its elements.
    ///
    /// Writes matrices/NAME with fmc.npy and meta.json, for `barwright look` and `barwright capture import`.
    Matrix {
        /// The bar's name in the scene.
        #[arg(value_name = "BAR")]
        bar: String,
        /// The probe, counted from 1.
        #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u32).range(1..))]
        probe: u32,
        /// Place of the bar under the probe, from its head end.
        #[arg(long, value_name = "PLACE")]
        z_mm: f64,
        /// Turn of the bar, counter-clockwise.
        #[arg(long, value_name = "ANGLE", default_value_t = 0.0, allow_negative_numbers = true)]
        turn_deg: f64,
        /// Name of the matrix: letters, digits, hyphens.
        #[arg(long)]
        name: String,
    },
    /// Pass one bar of the scene through the ring.
    Bar {
        /// Its name in the scene.
        #[arg(value_name = "BAR")]
        bar: String,
    },
}

#[derive(Serialize)]
struct Made {
    file: PathBuf,
    hash: String,
}

/// The scene of the job folder.
fn scene(bench: &Bench) -> Result<Scene, Failure> {
    Ok(files::read_written(&bench.job.path("scene.toml"), Scene::from_toml)?)
}

/// Makes a scene or a capture.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Scene { seed, mixed } => write_scene(bench, *seed, *mixed),
        Action::Reference { levelled, short, passes, name } => {
            take(bench, name, |job, station, _| {
                let level = if *levelled { Some(job.level()?) } else { None };
                let bar = if *short {
                    steps::changeover::short_reference(job)?
                } else {
                    job.reference()?
                };
                virtual_captures::reference(job, station, &bar, level.as_ref(), *passes, name)
            })
        }
        Action::Check { passes, name } => take(bench, name, |job, station, _| {
            Ok(virtual_captures::check(job, station, *passes, name)?.0)
        }),
        Action::Bar { bar } => take(bench, bar, |job, station, scene| {
            virtual_captures::bar(job, station, named(scene, bar)?)
        }),
        Action::Matrix { bar, probe, z_mm, turn_deg, name } => {
            let place =
                MatrixPlace { probe: probe - 1, z_m: z_mm / 1e3, turn_rad: turn_deg.to_radians() };
            matrix(bench, bar, place, name)
        }
    }
}

fn named<'a>(scene: &'a Scene, bar: &str) -> Result<&'a SceneBar, Failure> {
    scene.bar(bar).ok_or_else(|| {
        Failure::new(format!("the scene holds no bar {bar}"))
            .hint(scene.bars.first().map(|b| format!("its bars are named like {}", b.name)))
    })
}

fn matrix(bench: &Bench, bar: &str, place: MatrixPlace, name: &str) -> Result<Outcome, Failure> {
    let folder = bench.job.matrix_path(name).ok_or_else(|| Failure::no_name(name, "a matrix"))?;
    let (technique, scene) = (bench.job.technique()?, scene(bench)?);
    let flawed = named(&scene, bar)?;
    let station = VirtualStation::new(&technique, &scene.station, scene.seed)?;
    let matrix = station.matrix(flawed, place)?;
    let hash = matrix.write(&folder)?;
    bench.say(&format!("wrote {}", folder.display()));
    let text = format!(
        "{} elements, {} samples at {:.1} MHz\nmatrix {name} {}",
        matrix.array.elements,
        matrix.samples,
        matrix.sample_rate_hz / 1e6,
        hash.short()
    );
    bench.answer(&text, &Made { file: folder, hash: hash.0 })?;
    Ok(Outcome::Good)
}

fn write_scene(bench: &Bench, seed: u64, mixed: bool) -> Result<Outcome, Failure> {
    let (order, technique) = (bench.job.order()?, bench.job.technique()?);
    let scene = if mixed {
        let count = order.bars.count as usize;
        lot_scene(seed, &order, &technique.body, count, LotKind::Mixed)
    } else {
        demo_scene(seed, &order)
    };
    let truth = Truth::of(&scene, &technique)?;
    let path = bench.job.path("scene.toml");
    files::write(&path, scene.to_toml().as_bytes())?;
    files::write_sealed(&bench.job.path("truth.json"), &truth)?;
    bench.say(&format!("wrote {} and truth.json", path.display()));
    let flawed = scene.bars.iter().filter(|b| !b.flaws.is_empty()).count();
    bench.answer(&format!("{} bars, {flawed} of them with flaws", scene.bars.len()), &scene)?;
    Ok(Outcome::Good)
}

/// Sets the virtual station up for the job folder's technique and scene, and takes one capture.
fn take(
    bench: &Bench,
    name: &str,
    capture: impl FnOnce(&JobFolder, &VirtualStation, &Scene) -> Result<Hash, Failure>,
) -> Result<Outcome, Failure> {
    let (technique, scene) = (bench.job.technique()?, scene(bench)?);
    let station = VirtualStation::new(&technique, &scene.station, scene.seed)?;
    let hash = capture(&bench.job, &station, &scene)?;
    let file = bench.job.capture_path(name);
    bench.say(&format!("wrote {}", file.display()));
    bench.answer(&format!("capture {name} {}", hash.short()), &Made { file, hash: hash.0 })?;
    Ok(Outcome::Good)
}

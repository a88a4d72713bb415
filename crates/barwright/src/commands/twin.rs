//! `twin`: captures with known truth from the virtual station.

use std::path::PathBuf;

use barwright_job::Hash;
use barwright_twin::{LotKind, Scene, Truth, VirtualStation, demo_scene, lot_scene};
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
            let flawed = scene.bar(bar).ok_or_else(|| {
                Failure::new(format!("the scene holds no bar {bar}"))
                    .hint(scene.bars.first().map(|b| format!("its bars are named like {}", b.name)))
            })?;
            virtual_captures::bar(job, station, flawed)
        }),
    }
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

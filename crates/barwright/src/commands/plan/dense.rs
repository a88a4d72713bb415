//! The worst case over many combinations of tolerances, from the command line.

use std::fmt::Write as _;

use barwright_gpu::{Choice, Engine};
use barwright_job::{
    Sealed,
    dense::{DenseClass, DenseProof},
};
use barwright_plan::DenseOptions;
use barwright_report::text;
use barwright_web::steps;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Asked for with `plan` and `prove` alike.
#[derive(Debug, clap::Args)]
pub struct DenseArgs {
    /// Also prove the worst case over combinations of all tolerances, 1000 of them unless a number is said; writes
    /// dense-proof.json. Exit status 1 if all together leave less than is ordered.
    #[arg(
        long,
        value_name = "COMBINATIONS",
        num_args = 0..=1,
        default_missing_value = "1000",
        value_parser = clap::value_parser!(u32).range(1..=1_000_000)
    )]
    pub dense: Option<u32>,
    /// Seed of the dense proof's draws and directions.
    #[arg(long, value_name = "SEED", default_value_t = DenseOptions::default().seed, requires = "dense")]
    pub dense_seed: u64,
    /// What computes the fields of a dense proof: `gpu` a device of NVIDIA (a program built with the feature `gpu`), `cpu` the
    /// processors, `auto` a device where there is one. Where a device cannot, the processors do, and that is said.
    #[arg(long, value_name = "DEVICE", default_value_t = Choice::Auto, requires = "dense")]
    pub device: Choice,
}

/// Proves, if it was asked for.
pub fn asked(bench: &Bench, args: &DenseArgs) -> Result<Option<Sealed<DenseProof>>, Failure> {
    let Some(combinations) = args.dense else { return Ok(None) };
    let engine = Engine::open(args.device);
    let options = DenseOptions {
        combinations: combinations as usize,
        seed: args.dense_seed,
        cancelled: None,
    };
    let bar = bench.progress("combinations of tolerances", u64::from(combinations));
    let proof = steps::dense(&bench.job, &options, &engine, &|share| {
        bar.set_position((f64::from(share) * f64::from(combinations)) as u64);
    });
    bar.finish_and_clear();
    for sentence in engine.sentences() {
        bench.say(&sentence);
    }
    let proof = proof?;
    bench.say(&format!("wrote {}", bench.job.dense_path().display()));
    Ok(Some(proof))
}

/// Good unless all tolerances together leave less than is ordered.
pub fn outcome(proof: Option<&Sealed<DenseProof>>) -> Outcome {
    Outcome::good_if(proof.is_none_or(|p| p.body.is_met()))
}

/// The dense proof in a few lines.
pub fn dense_text(proof: &DenseProof) -> String {
    let mut out = format!(
        "{} combinations of all tolerances in {} directions each, beside {} deviations one by one (seed {}; {})\n",
        proof.combinations, proof.directions, proof.one_by_one, proof.seed, proof.engine
    );
    for class in &proof.classes {
        class_text(&mut out, class);
    }
    out
}

fn class_text(out: &mut String, class: &DenseClass) {
    let short = if class.combined < class.ordered { "  SHORT OF THE ORDER" } else { "" };
    let _ = writeln!(
        out,
        "{}: {} % one by one, {} % all together (ordered {} %){short}",
        text::proved(class.class),
        text::percent(class.one_by_one, 2),
        text::percent(class.combined, 2),
        text::percent(class.ordered, 1)
    );
    let _ = writeln!(
        out,
        "  least of one combination {} %: {}",
        text::percent(class.lowest, 2),
        class.lowest_in.words
    );
    let (missed, lower) = class.missed();
    if missed > 0.0 {
        let by = lower.map_or_else(String::new, |db| {
            format!(", by up to {} dB", text::number(f64::from(db), 1))
        });
        let _ = writeln!(
            out,
            "  {} % stands with the tolerances one by one and falls with all together{by}",
            text::percent(missed, 2)
        );
    }
    if let Some(size) = class.size_standing(0.9) {
        let _ = writeln!(
            out,
            "  nine in ten places and combinations are over the alarm height from {} of the ordered size on, by echo height",
            text::number(size, 2)
        );
    }
    let falls = |r: &&barwright_job::dense::DenseRing| r.worst_db.is_none_or(|db| db < 0.0);
    if let Some(ring) = class.rings.iter().find(falls) {
        let db = |m: Option<f32>| {
            m.map_or_else(
                || "not seen".to_owned(),
                |m| format!("{} dB", text::signed(f64::from(m), 1)),
            )
        };
        let _ = writeln!(
            out,
            "  first at {} mm from the axis: {} (one by one {}): {}",
            text::mm(ring.radius_m, 1),
            db(ring.worst_db),
            db(ring.one_by_one_db),
            ring.of.words
        );
    }
}

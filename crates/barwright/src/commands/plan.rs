//! `plan`, `prove` and `refbar`: from order and station to technique, proof and reference bar.

use std::fmt::Write as _;
use std::path::Path;

use barwright_job::proof::{ClassProof, Proof};
use barwright_job::{Finding, Sealed, Technique, dense::DenseProof};
use barwright_plan::{PlanWatch, ProveOptions};
use barwright_report::{least_words, refbar_drawing::shape_words, text};
use barwright_wave::Mode;
use clap::ValueEnum;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;
use dense::{DenseArgs, dense_text};
use drawing::DrawingFile;
use map::MapFile;

mod dense;
mod drawing;
mod map;

/// Work out how to look: the technique with the highest line speed that meets the order.
///
/// Reads order.toml, station.toml and rules.toml of the job folder; writes technique.json. Prints
/// the rules that were kept with their figures, and which of them keeps the line from being faster.
#[derive(Debug, clap::Args)]
pub struct PlanArgs {
    /// Also say what one decibel, one millimetre, better centring and one probe more would buy; each is a
    /// search of its own.
    #[arg(long)]
    explain: bool,
    #[command(flatten)]
    dense: DenseArgs,
}

/// Show what the technique sees of every ordered flaw, nominal and worst over the tolerances.
///
/// Reads technique.json; writes proof.json. Exit status 1 if the ordered coverage is not met.
#[derive(Debug, clap::Args)]
pub struct ProveArgs {
    /// `ray`: put the answer of rays beside that of the exact field of a round bar. Other sections are
    /// proved by rays in any case.
    #[arg(long, value_enum)]
    engine: Option<EngineChoice>,
    /// States of bar and water drawn within all tolerances at once, each in as many directions as there
    /// are probes.
    #[arg(long, default_value_t = ProveOptions::default().draws)]
    draws: usize,
    /// Seed of the draws.
    #[arg(long, default_value_t = ProveOptions::default().seed)]
    seed: u64,
    /// Also write the margins place by place: x and y in mm, nominal and worst margin in dB re
    /// alarm height (empty where nothing is seen), and whether the order asks for the class there.
    #[arg(long, value_name = "FILE.csv|FILE.json", value_parser = MapFile::parse)]
    map: Option<MapFile>,
    #[command(flatten)]
    dense: DenseArgs,
}

/// Engines of a proof.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum EngineChoice {
    /// The exact field of a round bar.
    Exact,
    /// Rays, for any section.
    Ray,
}

impl ProveArgs {
    /// Round bars are proved by the exact field whatever is asked; rays stand beside it on request.
    fn options(&self) -> ProveOptions<'_> {
        ProveOptions {
            by_rays: self.engine == Some(EngineChoice::Ray),
            draws: self.draws,
            seed: self.seed,
            cancelled: None,
        }
    }
}

/// Design the reference bar whose reflectors every beam meets, and how it must be moved.
///
/// Reads technique.json; writes reference-bar.json. Exit status 1 if a beam meets no reflector.
#[derive(Debug, clap::Args)]
pub struct RefbarArgs {
    /// Also write the drawing at full size for a workshop (`.dxf`, mm) or as a picture (`.svg`).
    #[arg(long, value_name = "FILE.dxf|FILE.svg", value_parser = DrawingFile::parse)]
    drawing: Option<DrawingFile>,
}

/// The ending of a file's name in small letters, which says its form; empty without one.
fn ending(path: &Path) -> String {
    path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase()
}

/// Plans.
pub fn plan(bench: &Bench, args: &PlanArgs) -> Result<Outcome, Failure> {
    let bar = bench.count("layouts weighed");
    let tell = || bar.inc(1);
    let watch = PlanWatch { cancelled: None, weighing: Some(&tell) };
    let technique = steps::plan(&bench.job, args.explain, watch)?;
    bar.finish_and_clear();
    bench.say(&format!("wrote {}", bench.job.technique_path().display()));
    let dense = dense::asked(bench, &args.dense)?;
    answer(bench, technique_text(&technique), &technique, dense.as_ref())?;
    Ok(dense::outcome(dense.as_ref()))
}

/// The technique in a few lines.
pub fn technique_text(technique: &Sealed<Technique>) -> String {
    let t = &technique.body;
    let count = |mode| t.beams.iter().filter(|b| b.mode == mode).count();
    let mut text = String::new();
    let _ = writeln!(text, "{}  ({})", t.name, technique.hash.short());
    let _ = writeln!(
        text,
        "ring {}: {} longitudinal and {} shear beams, {} firings in {:.2} ms",
        t.ring,
        count(Mode::L),
        count(Mode::S),
        t.schedule.firings.len(),
        t.schedule.period_s * 1e3
    );
    let _ = writeln!(
        text,
        "line speed {:.2} m/s, {:.2} mm between two shots of a beam",
        t.line_speed_m_s,
        t.pulse_spacing_m * 1e3
    );
    if let Some(words) = least_words(&t.schedule) {
        let _ = writeln!(text, "{words}");
    }
    // Those that bind stand first, the one whose lifting would buy most at the head.
    for (number, limit) in t.limits.iter().enumerate() {
        let mark = match (limit.binds, number) {
            (true, 0) => "binds first",
            (true, _) => "binds      ",
            (false, _) => "           ",
        };
        let _ = writeln!(
            text,
            "  {mark}  {}: {} (allowed: {}; {})",
            limit.rule, limit.figure, limit.allowed, limit.source
        );
    }
    let speed = |v: Option<f64>| v.map_or("none".to_owned(), |v| format!("{v:.2} m/s"));
    for o in &t.others {
        let _ = writeln!(
            text,
            "  weighed: {}, {} beams, {}: {}",
            o.words,
            o.beams,
            speed(o.line_speed_m_s),
            o.why_not
        );
    }
    for c in &t.changes {
        let _ = writeln!(text, "  change: {}: {}, {}", c.words, speed(c.line_speed_m_s), c.limit);
    }
    findings_text(&mut text, &t.findings);
    text
}

/// Findings, one a line.
pub fn findings_text(text: &mut String, findings: &[Finding]) {
    for finding in findings {
        let _ = writeln!(text, "  finding: {}", finding.message);
    }
}

/// Proves.
pub fn prove(bench: &Bench, args: &ProveArgs) -> Result<Outcome, Failure> {
    let bar = bench.progress("proving coverage", 100);
    let proof = steps::prove(&bench.job, &args.options(), &|share| {
        bar.set_position((share * 100.0) as u64)
    })?;
    bar.finish_and_clear();
    bench.say(&format!("wrote {}", bench.job.proof_path().display()));
    if let Some(map) = &args.map {
        map.write(&bench.job.technique()?, &proof)?;
        bench.say(&format!("wrote {}", map.path().display()));
    }
    let dense = dense::asked(bench, &args.dense)?;
    answer(bench, proof_text(&proof.body), &proof, dense.as_ref())?;
    Ok(match dense::outcome(dense.as_ref()) {
        Outcome::Good => Outcome::good_if(proof.body.met),
        attention => attention,
    })
}

/// Answers with a document, and the dense proof beside it where one was asked for.
fn answer<T: Serialize>(
    bench: &Bench,
    text: String,
    document: &Sealed<T>,
    dense: Option<&Sealed<DenseProof>>,
) -> Result<(), Failure> {
    match dense {
        None => bench.answer(&text, document),
        Some(dense) => {
            let both = serde_json::json!({ "document": document, "dense_proof": dense });
            bench.answer(&format!("{text}\n{}", dense_text(&dense.body)), &both)
        }
    }
}

/// The proof in a few lines.
fn proof_text(proof: &Proof) -> String {
    let mut words = String::new();
    for class in &proof.classes {
        let _ = writeln!(words, "{}", class_text(class));
        if let Some(d) = &class.draws {
            let _ = writeln!(
                words,
                "  {} draws of all tolerances at once (seed {}): lowest {} %, 19 in 20 exceed {} %, mean {} %; least with {}",
                d.count,
                d.seed,
                text::percent(d.lowest, 2),
                text::percent(d.low_5_percent, 2),
                text::percent(d.mean, 2),
                d.lowest_words
            );
        }
        if class.doubted > 0.0 {
            let _ = writeln!(
                words,
                "  in {} % the engine itself doubts its answer; they count as not seen",
                text::missing_percent(class.doubted, 2)
            );
        }
        if let Some(rays) = proof.by_rays.iter().find(|r| r.class == class.class) {
            let _ = writeln!(
                words,
                "  by rays: {} % nominal, {} % worst case",
                text::percent(rays.nominal, 2),
                text::percent(rays.worst, 2)
            );
        }
    }
    let _ = writeln!(
        words,
        "worst case over {} states of bar, water and probes, each by itself:",
        proof.tolerances.len()
    );
    for line in wrapped(&proof.tolerances) {
        let _ = writeln!(words, "  {line}");
    }
    findings_text(&mut words, &proof.findings);
    let met = if proof.met { "met" } else { "NOT met" };
    let _ = writeln!(words, "the ordered coverage is {met}");
    words
}

/// Words one after another in lines of no more than some hundred characters.
fn wrapped(words: &[String]) -> Vec<String> {
    const WIDE: usize = 100;
    let mut lines: Vec<String> = Vec::new();
    for (number, word) in words.iter().enumerate() {
        let end = if number + 1 < words.len() { ";" } else { "" };
        match lines.last_mut() {
            Some(line) if line.chars().count() + word.chars().count() + 2 <= WIDE => {
                let _ = write!(line, " {word}{end}");
            }
            _ => lines.push(format!("{word}{end}")),
        }
    }
    lines
}

/// Coverage of one flaw class in one line.
pub fn class_text(class: &ClassProof) -> String {
    let weakest = class
        .weakest
        .margin_db
        .map_or("unseen".to_owned(), |db| format!("{db:+.1} dB re alarm height"));
    format!(
        "{}: {:.1} % of the {} nominal, {:.1} % worst case (ordered {:.1} %); weakest {weakest} at x {:.1}, y {:.1} mm: {}",
        class.flaw,
        class.nominal * 100.0,
        text::proved_of(class.class),
        class.worst * 100.0,
        class.ordered * 100.0,
        class.weakest.x_m * 1e3,
        class.weakest.y_m * 1e3,
        class.weakest.cause
    )
}

/// Designs the reference bar.
pub fn refbar(bench: &Bench, args: &RefbarArgs) -> Result<Outcome, Failure> {
    let reference = steps::reference_bar(&bench.job)?;
    bench.say(&format!("wrote {}", bench.job.reference_path().display()));
    let r = &reference.body;
    let mut text = String::new();
    let _ = writeln!(text, "{}: {:.0} mm long", r.name, r.length_m * 1e3);
    for reflector in &r.reflectors {
        let _ = writeln!(
            text,
            "  {}: {} at z {:.0} mm, {:.0}°, {:.1} mm from the axis",
            reflector.name,
            shape_words(&reflector.shape),
            reflector.z_m * 1e3,
            reflector.angle_rad.to_degrees(),
            reflector.radius_m * 1e3
        );
    }
    for motion in &r.motion {
        let _ = writeln!(
            text,
            "  {}: at z {:.0} mm, turn {:.0}° in steps of {:.2}°, {:.1} s",
            motion.purpose,
            motion.z_m * 1e3,
            motion.turn_rad.to_degrees(),
            motion.turn_step_rad.to_degrees(),
            motion.duration_s
        );
    }
    let total_s: f64 = r.motion.iter().map(|m| m.duration_s).sum();
    let _ = writeln!(text, "  the motion list takes {total_s:.1} s, without the ways between");
    for line in &r.requirements {
        let _ = writeln!(text, "  to be made so: {line}");
    }
    let technique = bench.job.technique()?;
    if let Some(drawing) = &args.drawing {
        drawing.write(&technique, &reference)?;
        bench.say(&format!("wrote {}", drawing.path().display()));
    }
    let unseen =
        technique.body.beams.iter().filter(|b| !r.expected.iter().any(|e| e.beam == b.id)).count();
    let _ = writeln!(
        text,
        "{} of {} beams meet a reflector",
        technique.body.beams.len() - unseen,
        technique.body.beams.len()
    );
    findings_text(&mut text, &r.findings);
    bench.answer(&text, &reference)?;
    Ok(Outcome::good_if(unseen == 0))
}

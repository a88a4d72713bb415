//! `rules`: acceptance rules checked, and read out clause by clause.

use std::fmt::Write as _;
use std::path::PathBuf;

use barwright_job::Rules;
use barwright_report::rule_lines;
use barwright_web::files;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Check acceptance rules, and say in words what follows from which flaw.
///
/// A document with gaps, overlaps, unknown keys or classes that contradict each other is refused with
/// the line; so is a template whose values were not entered.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Rules to read [default: rules.toml of the job folder].
    #[arg(value_name = "RULES")]
    rules: Option<PathBuf>,
    /// Diameter, side or thickness of the bars in mm [default: that of the job folder's order].
    #[arg(long, value_name = "MM")]
    section_mm: Option<f64>,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Read {
    name: String,
    version: String,
    source: String,
    hash: String,
    section_mm: f64,
    clauses: Vec<Clause>,
}

/// One clause.
#[derive(Serialize)]
struct Clause {
    clause: String,
    says: String,
}

/// Checks and reads out.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let path = args.rules.clone().unwrap_or_else(|| bench.job.rules_path());
    let rules = files::read_written(&path, Rules::from_toml)?;
    let section_mm = match args.section_mm {
        Some(mm) if mm.is_finite() && mm > 0.0 => mm,
        Some(mm) => {
            return Err(Failure::new(format!("no bar has a section of {mm} mm")));
        }
        None => match bench.job.order() {
            Ok(order) => 2e3 * order.section().half_extent_m(),
            Err(e) => {
                return Err(Failure::new(format!("{e}"))
                    .hint(Some("name the section with --section-mm".into())));
            }
        },
    };
    let read = Read {
        name: rules.rules.name.clone(),
        version: rules.rules.version.clone(),
        source: rules.rules.source.clone(),
        hash: rules.hash().0,
        section_mm,
        clauses: rule_lines(&rules, section_mm / 1e3)?
            .into_iter()
            .map(|l| Clause { clause: l.clause, says: l.words })
            .collect(),
    };
    bench.answer(&text(&read), &read)?;
    Ok(Outcome::Good)
}

fn text(read: &Read) -> String {
    let mut out = format!(
        "{} version {} ({}), for a section of {} mm\n",
        read.name, read.version, read.source, read.section_mm
    );
    let width = read.clauses.iter().map(|c| c.clause.chars().count()).max().unwrap_or(0);
    for c in &read.clauses {
        let _ = writeln!(out, "  {:width$}  {}", c.clause, c.says);
    }
    out
}

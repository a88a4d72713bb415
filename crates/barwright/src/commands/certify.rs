//! `certify`: the papers, set from what the ledger holds.

use std::path::PathBuf;

use barwright_web::{files, papers::Papers, retest};

use super::ledger::now_us;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Print papers: certificates of bars, and the sheets that stand behind them.
///
/// A bar gets a certificate only if the ledger releases it; any other bar gets a record that says in
/// large words what it is. Papers go to papers/*.pdf.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Bars by name; the whole lot with all sheets if none is named.
    #[arg(value_name = "BAR")]
    bars: Vec<String>,
    /// Only the retest list: every bar that the ledger holds, by cause.
    #[arg(long, conflicts_with = "bars")]
    retest: bool,
}

/// Prints papers.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = &bench.job;
    if args.retest {
        let set = vec![(retest::NAME.to_owned(), retest::paper(job, now_us())?)];
        return write(bench, set);
    }
    let papers = Papers::new(job, now_us())?;
    let count = if args.bars.is_empty() { job.bars()?.len() } else { args.bars.len() };
    let bar = bench.progress("setting papers", count as u64);
    let set = if args.bars.is_empty() {
        papers.all(|done| bar.set_position(done as u64))?
    } else {
        let mut set = Vec::with_capacity(count);
        for name in &args.bars {
            set.push((format!("bar-{name}"), papers.bar(name)?));
            bar.inc(1);
        }
        set
    };
    bar.finish_and_clear();
    write(bench, set)
}

fn write(bench: &Bench, set: Vec<(String, Vec<u8>)>) -> Result<Outcome, Failure> {
    let mut written: Vec<PathBuf> = Vec::with_capacity(set.len());
    for (name, bytes) in set {
        let path = bench.job.paper_path(&name);
        files::write(&path, &bytes)?;
        written.push(path);
    }
    let text: String = written.iter().map(|p| format!("{}\n", p.display())).collect();
    bench.answer(&text, &written)?;
    Ok(Outcome::Good)
}

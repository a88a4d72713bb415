//! `bench`: how fast parts of the program are on this machine, beside what a person would use
//! instead.

mod ingest;
mod kernel;
mod shots;

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Measure how fast parts of the program are on this machine.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    part: Part,
}

#[derive(Debug, Subcommand)]
enum Part {
    /// Screening: samples through surface following and gates on one core, beside a plain copy and,
    /// with --python, a NumPy pipeline of the same definitions; then shots through the ingest
    /// service onto the disk.
    ///
    /// The shots are made up for the example order of 42 mm; no job folder is read or written.
    Screen {
        /// A Python with NumPy, to measure the same work there and compare its peaks.
        #[arg(long, value_name = "PROGRAM")]
        python: Option<PathBuf>,
        /// How long shots are streamed through the service, in seconds.
        #[arg(long, value_name = "SECONDS", default_value_t = 20.0)]
        stream: f64,
        /// Folder for what the service writes; a temporary one if not given.
        #[arg(long, value_name = "FOLDER")]
        disk: Option<PathBuf>,
    },
}

/// What was measured.
#[derive(Debug, Serialize)]
struct Measured {
    #[serde(flatten)]
    kernel: kernel::Speeds,
    service: ingest::Through,
}

/// Measures.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let Part::Screen { python, stream, disk } = &args.part;
    if !(stream.is_finite() && *stream > 0.0) {
        return Err(Failure::new(format!("{stream} s of streaming cannot be"))
            .hint(Some("give a number above 0".into())));
    }
    bench.say("planning the example order of 42 mm");
    let work = shots::Work::new()?;
    // First, while the program has little memory: the service's own is told.
    bench.say("shots through the service");
    let service = ingest::measure(&work, *stream, disk.as_deref())?;
    bench.say("samples through the gates");
    let kernel = kernel::measure(&work, python.as_deref())?;
    let measured = Measured { kernel, service };
    bench.answer(&table(&work, &measured), &measured)?;
    Ok(Outcome::Good)
}

fn table(work: &shots::Work, m: &Measured) -> String {
    let mut text = String::new();
    let (k, s) = (&m.kernel, &m.service);
    let row = |text: &mut String, what: &str, value: String, note: String| {
        let _ = writeln!(text, "{what:<46} {value:>16}  {note}");
    };
    let _ = writeln!(
        text,
        "{} beams, {} samples a shot; one core reads surface, volume and back wall\n",
        work.technique.body.beams.len(),
        work.technique.body.record.samples,
    );
    let gb = |rate: f64| format!("{:.2} GB/s", rate / 1e9);
    row(&mut text, "copy of memory, one core", gb(k.copy_bytes_s), String::new());
    for (name, rate) in [
        ("16-bit samples, one core", k.bytes_s_16),
        ("8-bit samples, one core", k.bytes_s_8),
        ("32-bit floating point, one core", k.bytes_s_32),
    ] {
        row(&mut text, name, gb(rate), format!("{:.2} of the copy", rate / k.copy_bytes_s));
    }
    match &k.numpy {
        Some(n) => {
            row(
                &mut text,
                "NumPy, 16-bit samples",
                gb(n.bytes_s),
                format!("{:.1} times slower", k.bytes_s_16 / n.bytes_s),
            );
            row(
                &mut text,
                "  largest differences of its peaks",
                format!("{:.1e} FSH", n.height_fsh),
                format!("{:.1e} ns, over {} peaks", n.time_ns, n.peaks),
            );
        }
        None => row(&mut text, "NumPy", "not run".into(), "give --python".into()),
    }
    row(
        &mut text,
        "through Flight onto the disk",
        format!("{:.0} shots/s", s.shots_s),
        format!(
            "{:.0} MB/s; {:.0} shots/s of 500 samples; client, service and disk on {} cores",
            s.bytes_s / 1e6,
            s.bytes_s / 1000.0,
            s.cores
        ),
    );
    row(
        &mut text,
        "  from sending to durable",
        format!("{:.0} ms", s.durable_ms[0]),
        format!("half of the batches; 99 in 100 below {:.0} ms", s.durable_ms[1]),
    );
    row(
        &mut text,
        "  from sending to alarm",
        format!("{:.0} ms", s.alarm_ms[0]),
        format!(
            "half of {} alarms; 99 in 100 below {:.0} ms, at full flood",
            s.alarms, s.alarm_ms[1]
        ),
    );
    row(
        &mut text,
        "  the same at 250,000 shots/s",
        format!("{:.1} ms", s.alarm_at_rate_ms[0]),
        format!("99 in 100 below {:.1} ms", s.alarm_at_rate_ms[1]),
    );
    row(
        &mut text,
        "  a bar of 12 m settled and judged",
        format!("{:.2} s", s.settle_s),
        format!("{} bars, {} shots each", s.bars, s.shots_per_bar),
    );
    row(
        &mut text,
        "  on the disk per shot",
        format!("{:.1} bytes", s.journal_bytes_per_shot),
        format!("while it runs; {:.1} bytes in its tables", s.kept_bytes_per_shot),
    );
    if let Some([before, first, last]) = s.memory_mib {
        row(
            &mut text,
            "  memory of the program",
            format!("{last:.0} MiB"),
            format!("at most; {first:.0} after the first bar, {before:.0} before (shots to send)"),
        );
    }
    text
}

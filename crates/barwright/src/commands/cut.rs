//! `cut`: the cut plan of the whole lot.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use barwright_job::lot_cut::{BarCut, LotCut, Standing};
use barwright_report::{Palette, lot_cut};
use barwright_web::files;

use super::plan::findings_text;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;

/// Plan the cuts of all judged bars together, so that the ordered lengths keep the most value.
///
/// Reads order.toml and every bars/NAME.judgement.json; writes cut-plan.json. Released bars and bars
/// to be cropped are planned; held bars are listed as waiting. Exit status 1 if bars are held or
/// pieces of a counted length stay open.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Draw the plan as SVG. A lot of more than 100 bars goes on in FILE-2.svg and so on.
    #[arg(long, value_name = "FILE.svg")]
    picture: Option<PathBuf>,
}

/// Plans the lot.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let sealed = steps::cut_lot(&bench.job)?;
    let plan = &sealed.body;
    bench.say(&format!("wrote {}", bench.job.cut_plan_path().display()));
    if let Some(file) = &args.picture {
        for number in 0..lot_cut::pictures(plan) {
            let path = numbered(file, number);
            let svg = barwright_report::lot_cut(plan, number, &Palette::paper());
            files::write(&path, svg.as_bytes())?;
            bench.say(&format!("wrote {}", path.display()));
        }
    }
    bench.answer(&text(plan), &sealed)?;
    Ok(Outcome::good_if(plan.standing(Standing::Waiting) == 0 && plan.still_open() == 0))
}

/// The file of a picture: the one named, then the same with a number.
fn numbered(file: &Path, number: usize) -> PathBuf {
    if number == 0 {
        return file.to_owned();
    }
    let stem = file.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let ending = file.extension().map_or("svg".into(), |e| e.to_string_lossy());
    file.with_file_name(format!("{stem}-{}.{ending}", number + 1))
}

/// The plan as tables.
fn text(plan: &LotCut) -> String {
    let mut text = String::new();
    let _ = writeln!(text, "order {}, heat {}", plan.order, plan.heat);
    let _ = writeln!(text, "{:<12} {:>8} {:>8} {:>8}  pieces in mm", "bar", "m", "kept m", "value");
    for bar in &plan.bars {
        bar_line(&mut text, bar);
    }
    if !plan.lengths.is_empty() {
        let _ = writeln!(
            text,
            "\n{:<28} {:>6} {:>9} {:>7} {:>7}",
            "length", "pieces", "m", "value/m", "open"
        );
        for l in &plan.lengths {
            let open = l.still_open.map_or("any".to_owned(), |n| n.to_string());
            let _ = writeln!(
                text,
                "{:<28} {:>6} {:>9.3} {:>7.3} {open:>7}",
                l.name, l.pieces, l.kept_m, l.value_per_m
            );
        }
    }
    let _ = writeln!(
        text,
        "\nplanned {:.3} m, kept {:.3} m, lost {:.3} m",
        plan.planned_m, plan.kept_m, plan.lost_m
    );
    let lost: Vec<String> =
        plan.losses.rows().iter().map(|(cause, m)| format!("{cause} {m:.3}")).collect();
    let _ = writeln!(text, "lost, m: {}", lost.join(", "));
    let _ = writeln!(
        text,
        "value {:.3} m, at most {:.3} m: {}",
        plan.value_m,
        plan.bound_m,
        lot_cut::proven(plan)
    );
    let named = |standing| -> Vec<&str> {
        plan.bars.iter().filter(|b| b.standing == standing).map(|b| b.bar.as_str()).collect()
    };
    for (standing, words) in
        [(Standing::Waiting, "held, waiting, not planned"), (Standing::Rejected, "rejected")]
    {
        let bars = named(standing);
        if !bars.is_empty() {
            let _ = writeln!(text, "{words}: {}", bars.join(", "));
        }
    }
    if plan.standing(Standing::Planned) > 0 && plan.kept_m == 0.0 {
        let _ = writeln!(text, "no bar is long enough for a piece that can be sold");
    }
    findings_text(&mut text, &plan.findings);
    text
}

fn bar_line(text: &mut String, bar: &BarCut) {
    let pieces: Vec<String> = bar
        .cut
        .pieces
        .iter()
        .filter(|p| p.fate == barwright_job::judgement::Fate::Keep)
        .map(|p| {
            let long = (p.to_m - p.from_m) * 1e3;
            match (&p.sold_as, p.multiple) {
                (Some(name), Some(n)) => format!("{long:.1} {name} x{n}"),
                (Some(name), None) => format!("{long:.1} {name}"),
                _ => format!("{long:.1}"),
            }
        })
        .collect();
    let pieces = match bar.standing {
        Standing::Planned if pieces.is_empty() => "nothing to be sold".to_owned(),
        Standing::Planned => pieces.join(" | "),
        other => other.words().to_owned(),
    };
    let _ = writeln!(
        text,
        "{:<12} {:>8.3} {:>8.3} {:>8.3}  {pieces}",
        bar.bar,
        bar.length_m,
        bar.cut.kept_m,
        bar.value_m + 0.0
    );
}

//! The figures as tables, for the terminal and for documents.

use std::fmt::Write as _;

use super::figures::{BEAM_DB, DEPTH_WAVELENGTHS, Figures, Spread};

const HEADINGS: [&str; 5] = ["case", "all places", "no flag", "flagged", "bound"];

/// One row in words: name, spread of all, spread without flag, flags, bounds.
fn row(f: &Figures) -> [String; 5] {
    let spread = |s: &Spread| {
        if s.places == 0 {
            return "none".to_owned();
        }
        format!("{} · {:.2} · {:.2} · {:.2}", s.places, s.median_db, s.p95_db, s.largest_db)
    };
    let flags: Vec<String> = f
        .flagged
        .iter()
        .filter(|(_, share)| **share > 0.0)
        .map(|(name, share)| format!("{} {:.0} %", name.replace('_', " "), share * 100.0))
        .collect();
    let flags = if flags.is_empty() { "–".to_owned() } else { flags.join(", ") };
    let verdict = if f.met { "" } else { " NOT MET" };
    let bounds = format!("{} · {}{verdict}", f.bounds.p95_db, f.bounds.largest_db);
    [f.case.clone(), spread(&f.all), spread(&f.unflagged), flags, bounds]
}

fn legend() -> String {
    format!(
        "Magnitude of (rays - exact) of the peak envelope, first passage: places · median · 95th \
         percentile · largest, in dB, over the {BEAM_DB:.0} dB region of the beam deeper than \
         {DEPTH_WAVELENGTHS:.0} wavelengths. Bounds: 95th percentile · largest of the places without \
         a flag."
    )
}

/// For the terminal.
pub fn text(figures: &[Figures]) -> String {
    let rows: Vec<_> =
        std::iter::once(HEADINGS.map(str::to_owned)).chain(figures.iter().map(row)).collect();
    let width = |column: usize| rows.iter().map(|r| r[column].chars().count()).max().unwrap_or(0);
    let widths: [usize; 5] = std::array::from_fn(width);
    let mut text = String::new();
    for cells in &rows {
        let line: Vec<String> =
            cells.iter().zip(widths).map(|(cell, width)| format!("{cell:width$}")).collect();
        let _ = writeln!(text, "{}", line.join("   ").trim_end());
    }
    let outside = figures.iter().filter(|f| !f.met).count();
    let _ = write!(text, "{}\n{} cases, {outside} outside their bounds", legend(), figures.len());
    text
}

/// For a document.
pub fn markdown(figures: &[Figures]) -> String {
    let mut text = format!("{}\n\n| {} |\n|{}\n", legend(), HEADINGS.join(" | "), "---|".repeat(5));
    for f in figures {
        let _ = writeln!(text, "| {} |", row(f).join(" | "));
    }
    text
}

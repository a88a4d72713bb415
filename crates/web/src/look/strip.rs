//! A bar in one line: what is kept, cut off, not inspected and indicated, from head to tail.

use std::fmt::Write as _;

use barwright_job::{
    judgement::{Fate, Judgement},
    screened::ScreenedBar,
};
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::{Markup, PreEscaped};

const WIDTH: f64 = 300.0;
const HEIGHT: f64 = 16.0;

/// The strip of a bar, as wide as its place; `longest_m` fills it.
pub fn strip(screened: &ScreenedBar, judgement: Option<&Judgement>, longest_m: f64) -> Markup {
    let scale = WIDTH / longest_m.max(1e-6);
    let x = |z_m: f64| (z_m * scale).clamp(0.0, WIDTH);
    let mut body = String::new();
    let whole = x(screened.length_m);
    let _ =
        write!(body, "<rect class=\"bar\" x=\"0\" y=\"3\" width=\"{whole:.1}\" height=\"10\"/>");
    for piece in judgement.iter().flat_map(|j| &j.cut.pieces).filter(|p| p.fate == Fate::Keep) {
        let (a, b) = (x(piece.from_m), x(piece.to_m));
        let _ = write!(
            body,
            "<rect class=\"kept\" x=\"{a:.1}\" y=\"3\" width=\"{:.1}\" height=\"10\"/>",
            b - a
        );
    }
    for lost in &screened.lost {
        let (a, b) = (x(lost.from_m), x(lost.to_m).max(x(lost.from_m) + 1.5));
        let mut d = String::new();
        let mut at = a;
        while at < b {
            let _ = write!(d, "M{at:.1} 13L{:.1} 3", (at + 3.0).min(b + 1.5));
            at += 3.0;
        }
        let _ = write!(body, "<path class=\"lost\" d=\"{d}\"/>");
    }
    for i in judgement.iter().flat_map(|j| &j.indications) {
        let at = x((i.from_m + i.to_m) / 2.0);
        let _ = write!(body, "<path class=\"flaw\" d=\"M{at:.1} 0V16\"/>");
    }
    let words = match judgement {
        Some(j) => say!(
            "{} indications, {} m kept of {} m",
            j.indications.len(),
            text::number(j.cut.kept_m, 3),
            text::number(j.length_m, 3)
        ),
        None => say!("{} m, not judged", text::number(screened.length_m, 3)),
    };
    html! {
        svg.strip viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) preserveAspectRatio="none" role="img"
            aria-label=(words) { (PreEscaped(body)) }
    }
}

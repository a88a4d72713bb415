//! The lines at this moment: the bar under each ring, growing, with its alarms. Made to be read from
//! two metres.

use barwright_ledger::store::questions::LineNow;
use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use crate::{
    chain::{Shape, sentence},
    look::{mark, parts, shell},
    lot::Lot,
    receive::News,
};

/// The page, from the lines' names and what happened on them; `lines` is absent where this program
/// receives no shots.
pub fn page(lot: &Lot, lines: Option<&[(String, Vec<News>)]>) -> Markup {
    shell::shell(
        lot,
        "/line",
        say!("Line"),
        &html! { "The bar under the ring as it runs. An alarm is a place where enough echoes agree; what it is, and the verdict, follow at the bar's end." },
        &html! {
            @match lines {
                None | Some([]) => {
                    (parts::absent(say!("Here the bars would be seen while they run."), "barwright receive --pages 127.0.0.1:8642"))
                }
                Some(lines) => {
                    p.quiet role="status" data-line-link { "Waiting for the service." }
                    @for (line, past) in lines { (one(lot, line, past)) }
                    script type="module" src="/assets/line.js" {}
                }
            }
            (parts::cautions())
        },
    )
}

/// One line. What changes is filled in by `line.js`, first from the past.
fn one(lot: &Lot, line: &str, past: &[News]) -> Markup {
    let named =
        |what: &str| format!("{what}-{}", line.replace(|c: char| !c.is_ascii_alphanumeric(), "-"));
    let (ahead, uncoupled) = (named("ahead"), named("uncoupled"));
    let fastest = lot.technique.here().map(|t| t.body.line_speed_m_s);
    html! {
        section.card.line data-line=(line) data-past=(serde_json::to_string(past).unwrap_or_default()) data-fastest=[fastest] {
            h2 { (text::visible(line)) }
            p.now { (mark::link(Shape::Open)) strong data-bar { "no bar" } span data-words { "nothing has run yet" } }
            dl.dials {
                div { dt { "Place" } dd { span data-place { "–" } " " span.unit data-length { "m" } } }
                div { dt { "Line speed" } dd { span data-speed { "–" } " " span.unit { "m/s" @if let Some(v) = fastest { ", at most " (text::number(v, 2)) } } } }
                div { dt { "Alarms" } dd data-count { "–" } }
                div { dt { "Beams without coupling" } dd data-coupling { "–" } }
                div { dt { "Coupled so far" } dd { span data-coupled { "–" } " " span.unit { "% of the way" } } }
                (check(lot, line))
            }
            figure.ribbon {
                svg viewBox="0 0 1000 150" role="img" aria-label="The bar unrolled, head at the left, clock positions upward" data-ribbon {
                    defs {
                        pattern id=(ahead) width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                            path.hatch d="M0 0V9" {}
                        }
                        pattern id=(uncoupled) width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                            path.hatch.lost d="M0 0V7M0 0H7" {}
                        }
                    }
                    rect.passed x="0" y="10" width="0" height="110" data-passed {}
                    g data-uncoupled fill=(format!("url(#{uncoupled})")) {}
                    rect.ahead x="0" y="10" width="1000" height="110" data-ahead fill=(format!("url(#{ahead})")) {}
                    rect.rim x="0" y="10" width="1000" height="110" {}
                    g data-alarms {}
                    text x="0" y="144" { "0" }
                    text x="1000" y="144" text-anchor="end" data-end { "" }
                }
                figcaption { "Unrolled from 6 o'clock at the bottom over 9, 12 and 3 back to 6. Hatched: not inspected yet. Hatched crosswise: a beam had no coupling there. Outlined: alarms, lettered in the order in which they came." }
            }
            h3 { "Last bars" }
            ol.last data-last {}
            p.quiet { span data-shots { "–" } " shots of this bar are on the disk." }
        }
    }
}

/// When the next check of a line is due; the script counts down to it.
fn check(lot: &Lot, line: &str) -> Markup {
    let now: Option<&LineNow> =
        lot.ledger.here().and_then(|said| said.lines.iter().find(|l| l.line == line));
    html! {
        @match now {
            None => { div { dt { "Next check" } dd.words { "no check on record" } } }
            Some(LineNow { closed: Some(why), .. }) => {
                div.overdue { dt { "Next check" } dd.words { "due now" } p { (sentence(&why.words())) } }
            }
            Some(LineNow { overdue: true, .. }) => { div.overdue { dt { "Next check" } dd.words { "overdue" } } }
            Some(LineNow { next_check_us: Some(due), .. }) => {
                div data-due=(due / 1000) { dt { "Next check within" } dd { span data-left { "–" } " " span.unit data-left-unit { "" } } }
            }
            Some(_) => { div { dt { "Next check" } dd.words { "–" } } }
        }
    }
}

//! The lines at this moment: the bar under each ring, growing, with its alarms. Made to be read from
//! two metres.

use barwright_report::text;
use maud::{Markup, html};

use crate::{
    chain::Shape,
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
        "Line",
        &html! { "The bar under the ring as it runs. An alarm is a place where enough echoes agree; what it is, and the verdict, follow at the bar's end." },
        &html! {
            @match lines {
                None | Some([]) => {
                    (parts::absent("Here the bars would be seen while they run.", "barwright receive --pages 127.0.0.1:8642"))
                }
                Some(lines) => {
                    p.quiet role="status" data-line-link { "Waiting for the service." }
                    @for (line, past) in lines { (one(line, past)) }
                    script type="module" src="/assets/line.js" {}
                }
            }
            (parts::cautions())
        },
    )
}

/// One line. What changes is filled in by `line.js`, first from the past.
fn one(line: &str, past: &[News]) -> Markup {
    let ahead = format!("ahead-{}", line.replace(|c: char| !c.is_ascii_alphanumeric(), "-"));
    html! {
        section.card.line data-line=(line) data-past=(serde_json::to_string(past).unwrap_or_default()) {
            h2 { (text::visible(line)) }
            p.now { (mark::link(Shape::Open)) strong data-bar { "no bar" } span data-words { "nothing has run yet" } }
            figure.ribbon {
                svg viewBox="0 0 1000 150" role="img" aria-label="The bar unrolled, head at the left, clock positions upward" data-ribbon {
                    defs {
                        pattern id=(ahead) width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                            path.hatch d="M0 0V9" {}
                        }
                    }
                    rect.passed x="0" y="10" width="0" height="110" data-passed {}
                    rect.ahead x="0" y="10" width="1000" height="110" data-ahead fill=(format!("url(#{ahead})")) {}
                    rect.rim x="0" y="10" width="1000" height="110" {}
                    g data-alarms {}
                    text x="0" y="144" { "0" }
                    text x="1000" y="144" text-anchor="end" data-length { "" }
                }
                figcaption { "Unrolled from 6 o'clock at the bottom over 9, 12 and 3 back to 6. Hatched: not inspected yet. Outlined: alarms, lettered in the order in which they came." }
            }
            dl.facts {
                div { dt { "Place" } dd data-place { "–" } }
                div { dt { "Shots on disk" } dd data-shots { "–" } }
                div { dt { "Alarms" } dd data-count { "–" } }
                div { dt { "Beams without coupling" } dd data-coupling { "–" } }
            }
            h3 { "Last bars" }
            ol.last data-last {}
        }
    }
}

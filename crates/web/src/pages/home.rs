//! The lot: its chain in large, what is due, and its bars.

use barwright_ledger::State;
use barwright_phrase::{html, say};
use barwright_report::figures::{way, way_unit};
use maud::Markup;

use crate::{
    chain::{Link, Shape, chain, sentence},
    look::{mark, parts, segment, shell, strip},
    lot::{Bar, Lot, Standing},
};
use barwright_report::text;

/// The page.
pub fn page(lot: &Lot) -> Markup {
    let links = chain(lot);
    let title = match lot.order.here() {
        Some(o) => say!("Lot {}", text::visible(&o.order.number)),
        None => say!("A lot to begin").to_owned(),
    };
    let lead = lead(&links);
    shell::shell(
        lot,
        "/",
        &title,
        &html! { (lead) },
        &html! {
            div.two {
                section { (bars(lot)) }
                section.column {
                    (due(lot, &links))
                    (parts::cautions())
                }
            }
        },
    )
}

fn lead(links: &[Link; 6]) -> &'static str {
    if links.iter().any(|l| l.shape == Shape::Split) {
        say!("The chain is broken. What broke it, and what mends it, stands below.")
    } else if links.iter().all(|l| l.shape == Shape::Closed) {
        say!("The chain is closed from the order to the release.")
    } else if links[0].shape == Shape::Open {
        say!("Nothing is here yet. It begins with the order; what is due stands below.")
    } else {
        say!("The chain is sound as far as it goes. What is due stands below.")
    }
}

fn due(lot: &Lot, links: &[Link; 6]) -> Markup {
    let unsound = links.iter().filter(|l| l.shape != Shape::Closed);
    html! {
        (held(lot))
        h2 { "Link by link" }
        ol.links {
            @for link in unsound { (told(link)) }
            @for link in links.iter().filter(|l| l.shape == Shape::Closed) { (told(link)) }
        }
        @for e in &lot.unlisted { (parts::unusable(e)) }
    }
}

fn told(link: &Link) -> Markup {
    html! {
        li {
            (mark::link(link.shape))
            div {
                p { a href=(link.href) { strong { (link.name) } } " " span.quiet { (link.shape.word()) } }
                p { (text::visible(&link.why)) }
                @if let Some((what, command)) = &link.next {
                    p.next {
                        (text::visible(what))
                        @if let Some(command) = command { " " code { (command) } }
                    }
                }
            }
        }
    }
}

/// The held bars by reason, in front of everything else.
fn held(lot: &Lot) -> Markup {
    let mut reasons: Vec<(String, &'static str, Vec<&str>)> = Vec::new();
    for bar in lot.ledger.holds() {
        let State::Held { why } = &bar.state else {
            continue;
        };
        let words = lot.why_held(bar).unwrap_or_default();
        match reasons.iter_mut().find(|(known, ..)| *known == words) {
            Some((.., names)) => names.push(&bar.bar.bar),
            None => reasons.push((words, why.cure(), vec![&bar.bar.bar])),
        }
    }
    html! {
        @if !reasons.is_empty() {
            section.stop {
                h2 { "Held" }
                @for (why, cure, names) in &reasons {
                    p { strong { (text::visible(&names.join(", "))) } ": " (text::visible(why)) ". " strong.next { (sentence(cure)) } }
                }
                p { "Nothing else releases them." }
            }
        }
    }
}

fn bars(lot: &Lot) -> Markup {
    if lot.bars.is_empty() {
        return html! {
            h2 { "Bars" }
            (parts::absent(
                say!("Here the bars of the lot would lie, one under the other, with what is kept of each."),
                "barwright screen CAPTURE",
            ))
        };
    }
    html! {
        h2 { "Bars" }
        (rack(lot, &lot.bars.iter().collect::<Vec<_>>()))
    }
}

/// Bars one under the other, to one scale.
pub fn rack(lot: &Lot, bars: &[&Bar]) -> Markup {
    let longest =
        bars.iter().filter_map(|b| Some(b.screened.here()?.body.length_m)).fold(0.0, f64::max);
    html! {
        ul.rack {
            @for bar in bars {
                @let standing = lot.standing(bar);
                li class=(standing.key()) {
                    a href=(format!("/bars/{}", segment(&bar.name))) {
                        span.barname { (text::visible(&bar.name)) }
                        @match bar.screened.here() {
                            Some(s) => { (strip::strip(&s.body, bar.judgement.here().map(|j| &j.body), longest)) }
                            None => { span.strip { } }
                        }
                        span.stand { (mark::standing(standing)) span { (standing.words()) } }
                        span.kept { (kept(bar)) }
                    }
                }
            }
        }
        (legend())
    }
}

fn kept(bar: &Bar) -> Markup {
    match bar.judgement.here() {
        Some(j) => html! {
            (way(j.body.cut.kept_m, 2)) " " span.unit { "of " (way(j.body.length_m, 2)) " " (way_unit()) }
        },
        None => html! { span.quiet { "–" } },
    }
}

fn legend() -> Markup {
    html! {
        p.legend aria-hidden="true" {
            svg.key viewBox="0 0 26 16" { rect.bar x="0" y="3" width="26" height="10" {} rect.kept x="0" y="3" width="26" height="10" {} }
            " kept "
            svg.key viewBox="0 0 26 16" { rect.bar x="0" y="3" width="26" height="10" {} }
            " cut off "
            svg.key viewBox="0 0 26 16" { rect.bar x="0" y="3" width="26" height="10" {} path.lost d="M2 13L5 3M7 13L10 3M12 13L15 3M17 13L20 3M22 13L25 3" {} }
            " not inspected "
            svg.key viewBox="0 0 26 16" { rect.bar x="0" y="3" width="26" height="10" {} path.flaw d="M13 0V16" {} }
            " indication"
        }
    }
}

/// How many bars stand where, in the order in which they need attention.
pub fn counts(lot: &Lot) -> Vec<(Standing, usize)> {
    Standing::ALL
        .into_iter()
        .map(|s| (s, lot.bars.iter().filter(|b| lot.standing(b) == s).count()))
        .filter(|(_, n)| *n > 0)
        .collect()
}

//! The bars of the lot, all or by state.

use barwright_phrase::{html, say};
use barwright_report::figures::{way, way_unit};
use barwright_report::{Palette, lot_cut, text};
use maud::Markup;

use super::home::{counts, rack};
use crate::{
    look::{
        parts, segment, shell,
        table::{behind, figures, table, words},
    },
    lot::{Bar, Lot, Standing},
    pages::working,
    working::What,
};

/// The page; `asked` is the key of a standing, or nothing for all.
pub fn page(lot: &Lot, asked: Option<&str>) -> Markup {
    let wanted = Standing::ALL.into_iter().find(|s| Some(s.key()) == asked);
    let shown: Vec<&Bar> =
        lot.bars.iter().filter(|b| wanted.is_none_or(|s| lot.standing(b) == s)).collect();
    shell::shell(
        lot,
        "/bars",
        say!("Bars"),
        &html! { "Every screened bar from head to tail, with what is kept of it and where it stands." },
        &html! {
            @if wanted.is_none() { (working::sections(lot, &[What::Judgements, What::Bars])) }
            (filter(lot, wanted))
            @if lot.bars.is_empty() {
                (parts::absent(say!("Here the screened bars would lie."), "barwright screen CAPTURE"))
            } @else if shown.is_empty() {
                p { "No bar stands so." }
            } @else {
                (rack(lot, &shown))
                (why(lot, &shown))
                (behind(say!("The same as a table"), &numbers(lot, &shown)))
            }
            (strangers(lot))
            @if wanted.is_none() { (cut_plan(lot)) }
            (parts::cautions())
        },
    )
}

/// The cut plan of the lot, where there is one; whether it is still that of these bars.
fn cut_plan(lot: &Lot) -> Markup {
    if let Some(e) = lot.cut_plan.error() {
        return parts::unusable(e);
    }
    let judged = lot.bars.iter().filter_map(|b| Some((&b.name, b.judgement.here()?)));
    let Some(sealed) = lot.cut_plan.here() else {
        return html! {
            @if judged.count() > 0 {
                p.next { "The cuts of all judged bars are planned together by " code { "barwright cut" } "." }
            }
        };
    };
    let plan = &sealed.body;
    let ordered = lot.order.here().map(|o| o.hash());
    let mut stale = ordered.is_none_or(|o| sealed.made_from.get("order") != Some(&o));
    let mut known = 0;
    for (name, judgement) in judged {
        known += 1;
        stale |= !plan.bars.iter().any(|b| b.bar == *name && b.judgement == judgement.hash);
    }
    stale |= known != plan.bars.len();
    html! {
        section {
            h2 { "Cut plan of the lot" }
            @if stale {
                p.next { "The order or a judgement was changed since this plan was made. Make it again: " code { "barwright cut" } "." }
            }
            @for number in 0..lot_cut::pictures(plan) {
                (parts::long_picture(
                    barwright_report::lot_cut(plan, number, &Palette::page()),
                    say!("Each row a bar, to scale: what is kept with its length, and what goes, by cause."),
                ))
            }
            (parts::findings(&plan.findings))
            (parts::origin(lot, sealed))
        }
    }
}

fn filter(lot: &Lot, wanted: Option<Standing>) -> Markup {
    html! {
        nav.filter aria-label="By state" {
            ul {
                li { a href="/bars" aria-current=[wanted.is_none().then_some("true")] { "all " span.count { (lot.bars.len()) } } }
                @for (s, n) in counts(lot) {
                    li {
                        a href=(format!("/bars?state={}", s.key())) aria-current=[(wanted == Some(s)).then_some("true")] {
                            (s.words()) " " span.count { (n) }
                        }
                    }
                }
            }
        }
    }
}

/// Why bars are held or rejected, and what to do.
fn why(lot: &Lot, shown: &[&Bar]) -> Markup {
    let held: Vec<(&str, String)> = shown
        .iter()
        .filter_map(|b| Some((b.name.as_str(), lot.why_held(lot.state(b)?)?)))
        .collect();
    html! {
        @if !held.is_empty() {
            section.stop {
                h2 { "Held, and why" }
                ul { @for (name, words) in &held {
                    li { a href=(format!("/bars/{}", segment(name))) { (text::visible(name)) } ": " (text::visible(words)) "." }
                } }
                p.next { "A held bar is cured by screening it again between two good checks, or by a decision that is entered in the ledger." }
            }
        }
    }
}

/// Bars that the ledger knows but this folder does not.
fn strangers(lot: &Lot) -> Markup {
    let said = lot.ledger.here();
    let list: Vec<String> = said
        .iter()
        .flat_map(|s| &s.bars)
        .filter(|s| !lot.bars.iter().any(|b| b.name == s.bar.bar))
        .map(|s| s.bar.to_string())
        .collect();
    html! {
        @if !list.is_empty() {
            p.quiet { "The ledger also knows bars that are not in this folder: " (text::visible(&list.join(", "))) "." }
        }
    }
}

fn numbers(lot: &Lot, shown: &[&Bar]) -> Markup {
    table(
        say!("Bars"),
        &[
            words(say!("Bar")),
            words(say!("stands")),
            words(say!("verdict")),
            figures(say!("indications"), ""),
            figures(say!("inspected, volume"), "%"),
            figures(say!("inspected, surface"), "%"),
            figures(say!("kept"), way_unit()),
            figures(say!("lost"), way_unit()),
        ],
        shown.iter().map(|b| {
            let j = b.judgement.here().map(|j| &j.body);
            let share = |class| {
                let s = b.screened.here()?;
                s.body.inspected.iter().find(|i| i.class == class).map(|i| text::percent(i.share, 1))
            };
            let cell = |v: Option<String>| html! { (v.unwrap_or_else(|| "–".to_owned())) };
            vec![
                html! { a href=(format!("/bars/{}", segment(&b.name))) { (text::visible(&b.name)) } },
                html! { (lot.standing(b).words()) },
                html! { (j.map_or("–", |j| text::verdict(j.verdict))) },
                cell(j.map(|j| j.indications.len().to_string())),
                cell(share(barwright_job::proof::FlawClass::Disc)),
                cell(share(barwright_job::proof::FlawClass::Crack)),
                cell(j.map(|j| way(j.cut.kept_m, 3))),
                cell(j.map(|j| way(j.cut.lost_m, 3))),
            ]
        }),
    )
}

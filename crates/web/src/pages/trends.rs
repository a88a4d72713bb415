//! Trends: what drifts over the checks, since when, and how long it may.

use barwright_evaluate::trends::{Drift, Settings, Trends, Watched, chart};
use barwright_phrase::{html, say};
use barwright_report::{Palette, text};
use maud::Markup;

use crate::{
    chain::Shape,
    look::{
        mark, parts, shell,
        table::{behind, figures, table, words},
    },
    lot::Lot,
    record::Ledger,
    trends::{LineTrends, of_entries, picture},
};

/// Most series that are drawn where nothing drifts.
const DRAWN: usize = 6;

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/trends",
        say!("Trends"),
        &html! { "A station dies slowly. What drifts over the checks stands here before a check fails: which probe, since when, and how many checks are left." },
        &html! {
            @match (&lot.ledger, lot.rules.here()) {
                (Ledger::Here(said), Some(rules)) => {
                    @let technique = lot.technique.here().map(|t| &t.body);
                    @let station = lot.station.here();
                    (body(&of_entries(&said.entries, 0, rules, station, technique, &Settings::default())))
                }
                (Ledger::Here(_), None) => {
                    (parts::absent(say!("The limits that a drift runs into stand in the rules, which are missing or unusable."), "barwright example"))
                }
                _ => {
                    (parts::absent(say!("Here the figures of every check would stand, one after the other, once checks are entered in the ledger."), "barwright ledger add check NUMBER --author NAME"))
                }
            }
        },
    )
}

fn body(line: &LineTrends) -> Markup {
    let t = &line.trends;
    html! {
        p.verdict {
            @if t.needs_attention() {
                (mark::link(Shape::Split))
                strong { (t.drifts.len()) @if t.drifts.len() == 1 { " thing drifts." } @else { " things drift." } }
            } @else if t.charted == 0 {
                (mark::link(Shape::Open)) strong { "No trend can be told yet." }
            } @else {
                (mark::link(Shape::Closed)) strong { "Nothing drifts." }
            }
        }
        @if !t.notes.is_empty() {
            ul { @for note in &t.notes { li { (text::visible(note)) } } }
        }
        @for d in &t.drifts { (one(line, d)) }
        (how(t))
        @let quiet = notable(t);
        @if !quiet.is_empty() {
            section {
                h2 { @if t.needs_attention() { "What stands" } @else { "What is watched" } }
                div.pair {
                    @for w in quiet { (parts::picture(picture(w, &Palette::page()), &said(w))) }
                }
            }
        }
        @if !t.series.is_empty() { (behind(say!("Every series as a table"), &numbers(t))) }
    }
}

fn one(line: &LineTrends, d: &Drift) -> Markup {
    let when = line.date(d.by_level, d.since);
    // What is the matter as the heading; what is left and where to look below it.
    let (first, rest) = d.sentence.split_once(". ").unwrap_or((&d.sentence, ""));
    html! {
        section.card {
            h2.marked { (mark::link(Shape::Split)) span { (text::visible(first)) } }
            @if !rest.is_empty() { p { (text::visible(rest)) } }
            @if let Some(when) = when { p.quiet { "Since " (when) "." } }
            div.pair {
                @for name in d.series.iter().take(3) {
                    @if let Some(w) = line.trends.find(name) {
                        (parts::picture(picture(w, &Palette::page()), &said(w)))
                    }
                }
            }
            @if d.series.len() > 3 {
                p.quiet { "The same is seen in " (d.series[3..].join(", ")) "." }
            }
        }
    }
}

/// A sentence on one series.
fn said(w: &Watched) -> String {
    let Some(chart) = &w.chart else {
        return say!("Too few values to say what is usual.").into();
    };
    let limit = chart.values.last().map_or(0.0, |v| v.limit);
    let unit = if w.unit.starts_with('µ') { "µs" } else { "dB" };
    let state = if w.out { say!("outside its limits") } else { say!("inside its limits") };
    say!(
        "The weighted average stands {} {unit} from what is usual, {state} of {} {unit}.",
        text::signed(w.away(), 3),
        text::number(limit, 3)
    )
}

fn how(t: &Trends) -> Markup {
    let rate = 1.0 / t.settings.false_per_check;
    html! {
        p.quiet {
            "Watched: " (t.checks) " checks, " (t.levels) @if t.levels == 1 { " level, " } @else { " levels, " } (t.charted)
            " series. The first " (t.settings.reference)
            " say what is usual. The average gives the newest check a weight of "
            (text::number(chart::WEIGHT, 1)) ". A sound station is called wrongly at no more than one check in "
            (text::number(rate, 0)) ", all series together, as far as its scatter is normal and without memory."
        }
    }
}

/// Series that do not drift but are nearest to it, one of a kind first.
fn notable(t: &Trends) -> Vec<&Watched> {
    let mut all: Vec<&Watched> = t.series.iter().filter(|w| w.chart.is_some() && !w.out).collect();
    all.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
    all.truncate(DRAWN);
    all
}

fn numbers(t: &Trends) -> Markup {
    table(
        say!("Every series"),
        &[
            words(say!("Series")),
            words(say!("unit")),
            figures(say!("values"), ""),
            figures(say!("usual"), ""),
            figures(say!("scatter"), ""),
            figures(say!("average off by"), ""),
            figures(say!("limit"), ""),
            words(say!("state")),
        ],
        t.series.iter().map(|w| {
            let chart = w.chart.as_ref();
            let of = |f: &dyn Fn(&barwright_evaluate::trends::Chart) -> f64| {
                chart.map_or_else(|| "–".to_owned(), |c| text::number(f(c), 3))
            };
            vec![
                html! { (text::visible(&w.name)) },
                html! { (w.unit) },
                html! { (w.series.present().count()) },
                html! { (of(&|c| c.standard.centre)) },
                html! { (of(&|c| c.standard.sigma)) },
                html! { (of(&|_| w.away())) },
                html! { (of(&|c| c.values.last().map_or(0.0, |v| v.limit))) },
                html! {
                    @if w.out { em.flag { "drifts" } }
                    @else if chart.is_some() { "stands" }
                    @else { "not charted" }
                },
            ]
        }),
    )
}

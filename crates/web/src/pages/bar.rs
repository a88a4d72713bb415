//! One bar: what was inspected, what was seen, what follows and how it is cut.

use barwright_job::{
    Sealed, Technique,
    judgement::{CutPlan, Fate, Indication, Judgement, Verdict},
    screened::ScreenedBar,
};
use barwright_ledger::{BarState, State};
use barwright_phrase::{html, say};
use barwright_report::figures::{size, size_unit, sized, way, way_unit};
use barwright_report::{
    Palette, Place, Ribbon,
    ribbon::{ALONG_PX, Heights, SHORTEST_WINDOW_M, across_px, ribbon},
    section_view, text,
};
use maud::{Markup, PreEscaped};

use super::{
    deciding::{self, Refusal},
    heard, looks,
    papers::list,
    unrolled::{across, unrolled},
};
use crate::{
    cache::{Cache, Doc},
    chain::sentence,
    downloads,
    folder::JobFolder,
    heard::Spot,
    look::{
        mark,
        parts::{self, facts, unit},
        segment, shell,
        table::{behind, figures, prose, table, words},
    },
    lot::{Bar, Lot, Standing},
};

/// Indications drawn in sections of their own at most.
const SECTIONS: usize = 12;

/// The page of a bar of the folder; nothing for an unknown name.
/// `refusal`: a decision that was sent, and why nothing came of it.
pub fn page(lot: &Lot, name: &str, refusal: Option<&Refusal>) -> Option<Markup> {
    let bar = lot.bars.iter().find(|b| b.name == name)?;
    let standing = lot.standing(bar);
    let lead = html! {
        span.stand { (mark::standing(standing)) strong { (standing.words()) } }
        @if let Some(s) = bar.screened.here() {
            span { "heat " (text::visible(&s.body.heat)) ", " (unit(way(s.body.length_m, 3), way_unit())) }
        }
    };
    let body = html! {
        (neighbours(lot, bar))
        @match &bar.screened {
            Doc::Here(s) => {
                (screened(lot, bar, s, standing))
                @if let Doc::Here(j) = &bar.judgement { (deciding::section(lot, bar, j, refusal)) }
            }
            Doc::Bad(e) => { (parts::unusable(e)) }
            Doc::Absent => { (parts::absent(say!("Here the screened bar would stand."), "barwright screen CAPTURE")) }
        }
        (parts::cautions())
    };
    Some(shell::shell(lot, "/bars", &say!("Bar {}", text::visible(name)), &lead, &body))
}

fn neighbours(lot: &Lot, bar: &Bar) -> Markup {
    let at = lot.bars.iter().position(|b| b.name == bar.name);
    let side =
        |step: isize| at.and_then(|k| k.checked_add_signed(step)).and_then(|k| lot.bars.get(k));
    let link = |to: Option<&Bar>, words: &str, rel: &str| match to {
        Some(b) => {
            html! { a href=(format!("/bars/{}", segment(&b.name))) rel=(rel) { (words) " " (text::visible(&b.name)) } }
        }
        None => html! { span.quiet { (words) " –" } },
    };
    html! {
        nav.neighbours aria-label="Neighbouring bars" {
            (link(side(-1), say!("before:"), "prev"))
            a href="/bars" { "all bars" }
            (link(side(1), say!("after:"), "next"))
        }
    }
}

fn screened(lot: &Lot, bar: &Bar, s: &Sealed<ScreenedBar>, standing: Standing) -> Markup {
    let judgement = bar.judgement.here();
    let technique = lot.technique.here();
    html! {
        @if let Some(t) = technique { (unrolled_picture(lot, bar, &s.body, judgement.map(|j| &j.body), &t.body)) }
        @else { (parts::absent(say!("The bar is drawn in the section of the technique, which is missing."), "barwright plan")) }
        div.three {
            section.column {
                @match &bar.judgement {
                    Doc::Here(j) => { (verdict(&j.body)) }
                    Doc::Bad(e) => { (parts::unusable(e)) }
                    Doc::Absent => { (parts::absent(say!("Here the verdict, the indications and the cut plan would stand."), "barwright sentence")) }
                }
            }
            section.column { (ledger(lot.state(bar), standing)) (papers(lot, bar)) }
            section.column { (inspected(&s.body)) }
        }
        @if let Some(j) = judgement { (indications(&bar.name, &j.body, technique.map(|t| &t.body))) }
        (looks::of_bar(lot, &bar.name))
        (parts::findings(&s.body.findings))
        @if let Some(j) = judgement {
            @if !j.body.findings.is_empty() { (parts::findings(&j.body.findings)) }
            (parts::origin(lot, j))
        } @else { (parts::origin(lot, s)) }
    }
}

/// A stretch of the bar unrolled, alone, as SVG; nothing where there is no such bar or nothing to draw
/// it in. Reads the bar's own documents only, so that it can follow a hand.
pub fn stretch(
    folder: &JobFolder,
    cache: &Cache,
    name: &str,
    window_m: [f64; 2],
) -> Option<String> {
    // The name is only compared with those in the folder, never made into a path.
    if !folder.bars().ok()?.iter().any(|bar| bar == name) {
        return None;
    }
    let screened = cache.get(&folder.screened_path(name), || folder.screened(name));
    let judgement = cache.get(&folder.judgement_path(name), || folder.judgement(name));
    let technique = cache.get(&folder.technique_path(), || folder.technique());
    let (s, t) = (&screened.here()?.body, &technique.here()?.body);
    let j = judgement.here().map(|j| &j.body);
    Some(drawn(folder, cache, name, (s, j, t), Some(window_m)))
}

fn drawn(
    folder: &JobFolder,
    cache: &Cache,
    name: &str,
    (s, j, t): (&ScreenedBar, Option<&Judgement>, &Technique),
    window_m: Option<[f64; 2]>,
) -> String {
    let heights = unrolled(cache, &folder.echoes_path(name), t, s.length_m);
    ribbon(
        &Ribbon {
            length_m: s.length_m,
            section: t.section,
            lost: &s.lost,
            inspected: &s.inspected,
            indications: j.map_or(&[], |j| &j.indications),
            cut: j.map(|j| &j.cut),
            heights: heights.as_ref().map(|u| Heights { nz: u.nz, na: u.na, fsh: &u.fsh }),
            window_m,
        },
        &Palette::page(),
    )
}

fn unrolled_picture(
    lot: &Lot,
    bar: &Bar,
    s: &ScreenedBar,
    j: Option<&Judgement>,
    t: &Technique,
) -> Markup {
    let picture = drawn(&lot.folder, &lot.cache, &bar.name, (s, j, t), None);
    let [top, height] = across_px(s.inspected.len());
    let caption = say!(
        "The bar unrolled: metres from the head end along, clock position up; not inspected is hatched. Below, on the same axis, how it is cut."
    );
    html! {
        figure.picture.long
            data-along-from=(ALONG_PX[0]) data-along-to=(ALONG_PX[1]) data-along-length=(s.length_m)
            data-along-start="0" data-stretch=(format!("/bars/{}/stretch", segment(&bar.name)))
            data-whole=(s.length_m) data-shortest=(SHORTEST_WINDOW_M)
            data-across-top=(top) data-across-height=(height) {
            div.canvas tabindex="0" role="group" aria-label=(caption) { (PreEscaped(picture)) }
            figcaption { (caption) }
        }
        script type="module" src="/assets/stretch.js" {}
        section {
            h2 { "What was heard" }
            div data-heard=(heard::address(&bar.name)) aria-live="polite" {
                p.quiet { "Under the pointer over the bar the nearest A-scans appear here. They are kept around indications and where coupling was lost." }
            }
            script type="module" src="/assets/heard.js" {}
        }
        @if let Some(j) = j { (behind(say!("The cut plan as a table"), &cut(&j.cut))) }
        (behind(say!("Stretches not inspected, as a table"), &lost(s)))
    }
}

fn cut(plan: &CutPlan) -> Markup {
    table(
        say!("Pieces"),
        &[
            figures(say!("Piece"), ""),
            figures(say!("from"), size_unit()),
            figures(say!("to"), size_unit()),
            figures(say!("length"), size_unit()),
            prose(say!("what becomes of it")),
        ],
        plan.pieces.iter().enumerate().map(|(k, p)| {
            vec![
                html! { (k + 1) },
                html! { (size(p.from_m, 0)) },
                html! { (size(p.to_m, 0)) },
                html! { (size(p.to_m - p.from_m, 0)) },
                match p.fate {
                    Fate::Keep => html! { strong { "kept" } },
                    Fate::Scrap => html! { "cut off: " (text::visible(&p.reason)) },
                },
            ]
        }),
    )
}

fn lost(s: &ScreenedBar) -> Markup {
    table(
        say!("Stretches not inspected"),
        &[
            words(say!("Class")),
            figures(say!("from"), size_unit()),
            figures(say!("to"), size_unit()),
            words(say!("why")),
            prose(say!("beams")),
        ],
        s.lost.iter().map(|l| {
            vec![
                html! { (text::class(l.class)) },
                html! { (size(l.from_m, 0)) },
                html! { (size(l.to_m, 0)) },
                html! { (l.cause.words()) },
                html! { @if l.beams.is_empty() { "all" } @else { (parts::beams(&l.beams)) } },
            ]
        }),
    )
}

fn indications(bar: &str, j: &Judgement, t: Option<&Technique>) -> Markup {
    if j.indications.is_empty() {
        return html! {
            h2 { "Indications" }
            p { "None where the bar was inspected." }
        };
    }
    html! {
        h2 { "Indications" }
        (table(
            say!("Indications along the bar"),
            &[
                words(say!("Letter")),
                prose(say!("likely kind")),
                figures(say!("from"), size_unit()),
                figures(say!("length"), size_unit()),
                words(say!("clock")),
                figures(say!("depth"), size_unit()),
                figures(say!("height"), say!("% FSH")),
                figures(say!("equivalent size"), size_unit()),
                figures(say!("uncertainty"), "dB"),
                figures(say!("echoes"), ""),
                words(say!("A-scans")),
            ],
            j.indications.iter().map(|i| {
                let mut cells = row(i);
                cells.push(match t {
                    Some(t) => html! { a href=(heard_at(bar, t, i)) { "heard" span.apart { " at " (text::visible(&i.letter)) } } },
                    None => html! { "–" },
                });
                cells
            }),
        ))
        @if let Some(t) = t {
            div.sections {
                @for i in j.indications.iter().take(SECTIONS) { (section(t, i)) }
            }
            @if j.indications.len() > SECTIONS {
                p.quiet { "Sections of the first " (SECTIONS) " are drawn; the table has all " (j.indications.len()) "." }
            }
        }
    }
}

/// The page of what was heard in the middle of an indication.
fn heard_at(bar: &str, t: &Technique, i: &Indication) -> String {
    let z_m = 0.5 * (i.from_m + i.to_m);
    heard::address_of(bar, Spot { z_m, across: across(&t.section, i.place) })
}

fn row(i: &Indication) -> Vec<Markup> {
    let bound = if i.clipped { "over " } else { "" };
    vec![
        html! { strong { (text::visible(&i.letter)) } },
        html! {
            (text::visible(&text::kind(i)))
            @if !i.kind_reasons.is_empty() {
                " " span.quiet { (text::visible(&i.kind_reasons.join("; "))) }
            }
        },
        html! { (size(i.from_m, 0)) },
        html! {
            (length(i.to_m - i.from_m))
            @if let Some(u) = i.length_uncertainty_m { " ± " (size(u, 0)) }
        },
        html! { (text::clock(i.place.angle())) },
        html! { (size(i.depth_m, 1)) " ± " (size(i.place_uncertainty_m, 1)) },
        html! { (bound) (text::percent(i.height_fsh, 0)) },
        html! { (bound) (size(i.size_m, 2)) },
        html! { "± " (text::number(i.size_uncertainty_db, 1)) },
        html! { (i.echoes) },
    ]
}

/// A length along the bar in millimetres: under a beam's width it is not told.
fn length(metres: f64) -> String {
    if metres < 0.5e-3 { say!("under {}", size(1e-3, 0)) } else { size(metres, 0) }
}

fn section(t: &Technique, i: &Indication) -> Markup {
    let places = [Place { letter: &i.letter, at: i.place, uncertainty_m: i.place_uncertainty_m }];
    let picture = section_view(t, &places, &Palette::page());
    let caption = say!(
        "{}: {} o'clock, {} deep, at {} {}.",
        text::visible(&i.letter),
        text::clock(i.place.angle()),
        sized(i.depth_m, 1),
        way((i.from_m + i.to_m) / 2.0, 3),
        way_unit()
    );
    parts::picture(picture, &caption)
}

fn verdict(j: &Judgement) -> Markup {
    let meaning = match j.verdict {
        Verdict::Release => say!("Good over the whole length that is sold."),
        Verdict::Crop => say!("Good after the listed stretches are cut out."),
        Verdict::Hold => say!("Not decided: another pass or a second look is needed."),
        Verdict::Reject => say!("Not good."),
    };
    let cut = &j.cut;
    html! {
        h2 { "Judged: " (text::verdict(j.verdict)) }
        p { (meaning) }
        @for d in &j.decisions {
            div.stop {
                p {
                    strong { "Changed by " (text::visible(&d.by)) } " from " (text::verdict(d.verdict)) ": "
                    (text::visible(&text::sentence(&d.reason)))
                }
                p.quiet { "Before: " (way(d.cut.kept_m, 3)) " " (way_unit()) " kept, judgement " code { (d.judgement.short()) } "." }
            }
        }
        @if !j.reasons.is_empty() {
            ul.reasons {
                @for r in &j.reasons {
                    li {
                        (text::visible(&r.statement))
                        @if !r.indications.is_empty() { " (" (text::visible(&r.indications.join(", "))) ")" }
                        " " code { (text::visible(&r.clause)) }
                    }
                }
            }
        }
        (facts(&[
            (say!("kept"), html! { strong { (way(cut.kept_m, 3)) } " " span.unit { (way_unit()) } }),
            (say!("lost"), unit(way(cut.lost_m, 3), way_unit())),
            (say!("pieces kept"), html! { (cut.pieces.iter().filter(|p| p.fate == Fate::Keep).count()) }),
        ]))
    }
}

fn ledger(state: Option<&BarState>, standing: Standing) -> Markup {
    let Some(s) = state else {
        return html! {
            h2 { "Ledger" }
            p { "The ledger does not know this bar, so it is not released." }
            p.next { "Enter it." " " code { "barwright ledger add bar" } }
        };
    };
    let entry = |seq: Option<i64>| match seq {
        Some(n) => html! { a href=(format!("/ledger#entry-{n}")) { "entry " (n) } },
        None => html! { "none yet" },
    };
    html! {
        h2 { "Ledger: " (standing.words()) }
        @match &s.state {
            State::Held { why } => {
                div.stop {
                    p { strong { "It must not leave: " } (why.words()) "." }
                    p.next { (sentence(why.cure())) }
                }
            }
            State::Waiting { for_judgement, for_check } => {
                p {
                    "It waits for "
                    @match (for_judgement, for_check) {
                        (true, true) => { "its judgement and the closing check." }
                        (true, false) => { "its judgement." }
                        _ => { "the closing check." }
                    }
                }
            }
            State::Cropped { pieces_m } => {
                p { "These pieces are released:" }
                ul { @for [a, b] in pieces_m { li { (size(*a, 0)) " to " (unit(size(*b, 0), size_unit())) } } }
            }
            State::Released => { p { "It stands between two good checks of its technique and level." } }
            State::Rejected => { p { "It stays rejected until a retest is ordered." } }
        }
        (facts(&[
            (say!("check before it"), entry(s.opening_check)),
            (say!("screened"), entry(s.screened)),
            (say!("judged"), entry(s.judged)),
            (say!("check after it"), entry(s.closing_check)),
        ]))
    }
}

fn inspected(s: &ScreenedBar) -> Markup {
    html! {
        h2 { "Inspected" }
        (facts(&s.inspected.iter().map(|i| (text::class(i.class), unit(text::percent(i.share, 2), say!("% of the length")))).collect::<Vec<_>>()))
        (facts(&[
            (say!("shots"), html! { (s.shots) }),
            (say!("echoes over threshold"), html! { (s.echoes_over_threshold) }),
            (say!("noise"), unit(text::percent(s.noise_fsh, 1), say!("% FSH"))),
        ]))
    }
}

/// Papers whose name holds the bar's name as a word of its own.
fn papers(lot: &Lot, bar: &Bar) -> Markup {
    let is_of = |paper: &&String| {
        paper.match_indices(&bar.name).any(|(at, found)| {
            let plain = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric());
            plain(paper[..at].chars().next_back())
                && plain(paper[at + found.len()..].chars().next())
        })
    };
    let own: Vec<&String> = lot.papers.iter().filter(is_of).collect();
    html! {
        h2 { "Papers" }
        @if own.is_empty() {
            p.quiet { "None printed for this bar. " code { "barwright certify " (text::visible(&bar.name)) } }
        } @else {
            ul { @for name in own { li { a href=(format!("/papers/{}.pdf", segment(name))) { (text::visible(name)) } } } }
        }
        @if lot.state(bar).is_some() && bar.judgement.here().is_some() {
            p {
                a href=(format!("/bars/{}/object.dcm", segment(&bar.name))) download { "The record as a DICOM object" }
                " " span.quiet { "as the ledger has it now" }
            }
        }
        h2 { "Documents and tables" }
        (list(&downloads::of_bar(&lot.folder, &bar.name)))
    }
}

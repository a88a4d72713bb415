//! What was judged, over all bars: indications, pieces, reasons, decisions.

use barwright_job::judgement::{Decision, Indication, Judgement, Piece, Reason};
use barwright_phrase::say;

use super::{
    Cell, Column, Listed, Made, Rows, Why,
    bars::all,
    cell::{at, joined, list, mm, percent, us, word},
    made, need, number, text, time, truth, whole,
};
use crate::{cache::Doc, lot::Lot};

pub(super) const ALL: [Listed; 4] = [
    Listed {
        name: "indications",
        row: "indication of a judged bar",
        title: || say!("Indications of all bars"),
        make: indications,
    },
    Listed {
        name: "pieces",
        row: "piece of a judged bar, as its own cut plan has it",
        title: || say!("Pieces of all bars"),
        make: pieces,
    },
    Listed {
        name: "reasons",
        row: "reason of a verdict",
        title: || say!("Reasons of all verdicts"),
        make: reasons,
    },
    Listed {
        name: "decisions",
        row: "verdict changed by a person",
        title: || say!("Verdicts changed by a person"),
        make: decisions,
    },
];

/// A part of a bar's judgement, with its number there.
type Of<'a, T> = (&'a str, usize, &'a T);

/// The same part of every judgement, bar after bar.
fn parts<'a, T>(lot: &'a Lot, of: impl Fn(&'a Judgement) -> &'a [T]) -> Rows<Of<'a, T>> {
    let mut rows = Vec::new();
    let mut judged = false;
    for bar in all(lot)? {
        if matches!(bar.judgement, Doc::Absent) {
            continue;
        }
        judged = true;
        let parts = of(&need(&bar.judgement, "judgement")?.body);
        rows.extend(parts.iter().enumerate().map(|(k, part)| (bar.name.as_str(), k, part)));
    }
    if judged { Ok(rows) } else { Err(Why::Absent("no bar is judged yet".into())) }
}

fn bar<'a, T>() -> Column<Of<'a, T>> {
    text("bar", "bar number within the lot", |(bar, ..)| (*bar).into())
}

fn indications(lot: &Lot) -> Made {
    let rows: Rows<Of<'_, Indication>> = parts(lot, |j| &j.indications);
    made(
        rows,
        [
            bar(),
            text("indication", "letter, A, B, ... AA, along the bar", |(.., i)| (&i.letter).into()),
            text("class", "flaw class whose gate saw it: disc, crack", |(.., i)| word(i.class)),
            text("kind", "likely kind, in words", |(.., i)| (&i.kind).into()),
            text("kind_reasons", "what the likely kind rests on", |(.., i)| {
                joined(&i.kind_reasons, "; ")
            }),
            number("x_mm", "mm", "place in the section, to the right", |(.., i)| mm(i.place.x)),
            number("y_mm", "mm", "place in the section, upwards", |(.., i)| mm(i.place.y)),
            number(
                "place_uncertainty_mm",
                "mm",
                "standard uncertainty of the place in the section",
                |(.., i)| mm(i.place_uncertainty_m),
            ),
            number("depth_mm", "mm", "depth under the surface", |(.., i)| mm(i.depth_m)),
            number("from_mm", "mm", "start along the bar, from the head end", |(.., i)| {
                mm(i.from_m)
            }),
            number("to_mm", "mm", "end along the bar, from the head end", |(.., i)| mm(i.to_m)),
            number(
                "length_uncertainty_mm",
                "mm",
                "standard uncertainty of the length along the bar",
                |(.., i)| mm(i.length_uncertainty_m),
            ),
            text(
                "extent",
                "point, or extended: longer along the bar than a beam can tell",
                |(.., i)| i.extent.map_or(Cell::Absent, word),
            ),
            number("across_mm", "mm", "extent in the section", |(.., i)| mm(i.across_m)),
            number(
                "height_fsh_percent",
                "% of full screen height",
                "largest height; a lower bound where clipped",
                |(.., i)| percent(i.height_fsh),
            ),
            truth("clipped", "whether the echo was clipped", |(.., i)| i.clipped.into()),
            number(
                "size_mm",
                "mm",
                "equivalent size: disc diameter, or crack depth, by the class",
                |(.., i)| mm(i.size_m),
            ),
            number(
                "size_uncertainty_db",
                "dB of echo height",
                "standard uncertainty of the size",
                |(.., i)| i.size_uncertainty_db.into(),
            ),
            whole(
                "sized_by",
                "echoes that the size rests on; empty where it is the highest one",
                |(.., i)| i.sized_by.into(),
            ),
            whole("echoes", "echoes that it was made from", |(.., i)| i.echoes.into()),
            text("beams", "beams that saw it, apart by spaces", |(.., i)| list(&i.beams)),
            text("modes", "kinds of wave that saw it: L, S, apart by spaces", |(.., i)| {
                joined(i.modes.iter().map(|m| format!("{m:?}")), " ")
            }),
            truth(
                "ghost",
                "whether another indication or a detour of sound explains it",
                |(.., i)| i.ghost.is_some().into(),
            ),
            text("ghost_of", "letter of the indication that explains it", |(.., i)| {
                i.ghost.as_ref().map(|g| g.of.as_str()).into()
            }),
            text(
                "ghost_path",
                "second_surface, twice_between, converted_leg or cross_talk",
                |(.., i)| i.ghost.as_ref().map_or(Cell::Absent, |g| word(g.path)),
            ),
            number(
                "ghost_off_us",
                "µs",
                "largest difference between the predicted times of its echoes and those read",
                |(.., i)| us(i.ghost.as_ref().map(|g| g.off_s)),
            ),
            number(
                "ghost_height_db",
                "dB re the indication that explains it",
                "its height",
                |(.., i)| i.ghost.as_ref().and_then(|g| g.height_db).into(),
            ),
        ],
    )
}

fn pieces(lot: &Lot) -> Made {
    let rows: Rows<Of<'_, Piece>> = parts(lot, |j| &j.cut.pieces);
    made(
        rows,
        [
            bar(),
            whole("piece", "number of the piece along the bar, from 1", |(_, k, _)| (k + 1).into()),
            number("from_mm", "mm", "start from the head end", |(.., p)| mm(p.from_m)),
            number("to_mm", "mm", "end from the head end", |(.., p)| mm(p.to_m)),
            text("fate", "what becomes of it: keep, scrap", |(.., p)| word(p.fate)),
            text("reason", "why, for what is not kept", |(.., p)| (&p.reason).into()),
            text("sold_as", "ordered length it is sold as; empty where any is sold", |(.., p)| {
                p.sold_as.as_deref().into()
            }),
            whole("multiple", "base pieces in it, for a multiple length", |(.., p)| {
                p.multiple.into()
            }),
        ],
    )
}

fn reasons(lot: &Lot) -> Made {
    let rows: Rows<Of<'_, Reason>> = parts(lot, |j| &j.reasons);
    made(
        rows,
        [
            bar(),
            whole("reason", "number of the reason, from 1", |(_, k, _)| (k + 1).into()),
            text("clause", "key of the rule applied", |(.., r)| (&r.clause).into()),
            text("statement", "what was found against what is allowed, in words", |(.., r)| {
                (&r.statement).into()
            }),
            text(
                "indications",
                "letters of the indications behind it, apart by spaces",
                |(.., r)| list(&r.indications),
            ),
        ],
    )
}

fn decisions(lot: &Lot) -> Made {
    let rows: Rows<Of<'_, Decision>> = parts(lot, |j| &j.decisions);
    made(
        rows,
        [
            bar(),
            whole("decision", "number of the decision, from 1", |(_, k, _)| (k + 1).into()),
            time("at", "when", |(.., d)| at(d.time_us)),
            text("by", "who decided", |(.., d)| (&d.by).into()),
            text("reason", "why", |(.., d)| (&d.reason).into()),
            text("verdict_before", "the verdict that was changed", |(.., d)| word(d.verdict)),
            text("judgement_before", "hash of the judgement that was changed", |(.., d)| {
                d.judgement.0.as_str().into()
            }),
        ],
    )
}

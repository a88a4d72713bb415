//! The bars of the lot: where each stands, what was not inspected.

use barwright_job::{
    judgement::Judgement,
    proof::FlawClass,
    screened::{Lost, ScreenedBar},
};
use barwright_ledger::BarState;
use barwright_phrase::say;

use super::{
    Cell, Listed, Made, Rows, Why,
    cell::{list, mm, percent, word},
    listed, made, need, number, said, text, whole,
};
use crate::lot::{Bar, Lot};

pub(super) const ALL: [Listed; 2] = [
    Listed { name: "bars", row: "screened bar of the lot", title: || say!("Bars"), make: bars },
    Listed {
        name: "not_inspected",
        row: "stretch of a bar that was not inspected, for a flaw class",
        title: || say!("Stretches not inspected"),
        make: lost,
    },
];

/// The bars, where there are any.
pub(super) fn all(lot: &Lot) -> Result<&[Bar], Why> {
    listed(lot)?;
    match lot.bars.as_slice() {
        [] => Err(Why::Absent("there is no screened bar yet".into())),
        bars => Ok(bars),
    }
}

struct Row<'a> {
    bar: &'a Bar,
    standing: &'static str,
    why: Option<String>,
    state: Option<&'a BarState>,
    screened: Option<&'a ScreenedBar>,
    judgement: Option<&'a Judgement>,
}

impl Row<'_> {
    fn inspected(&self, class: FlawClass) -> Cell {
        let found = self.screened.and_then(|s| s.inspected.iter().find(|i| i.class == class));
        percent(found.map(|i| i.share))
    }
}

fn rows(lot: &Lot) -> Rows<Row<'_>> {
    // Without a ledger a bar stands as not recorded; a ledger that cannot be trusted says nothing.
    if let Err(Why::Damaged(why)) = said(lot) {
        return Err(Why::Damaged(why));
    }
    let row = |bar| {
        let bar: &Bar = bar;
        let state = lot.state(bar);
        Row {
            standing: lot.standing(bar).key(),
            why: state.and_then(|s| lot.why_held(s)),
            state,
            screened: bar.screened.here().map(|s| &s.body),
            judgement: bar.judgement.here().map(|j| &j.body),
            bar,
        }
    };
    all(lot).map(|bars| bars.iter().map(row).collect())
}

fn bars(lot: &Lot) -> Made {
    made(
        rows(lot),
        [
            text("bar", "bar number within the lot", |r| (&r.bar.name).into()),
            text("heat", "heat", |r| r.screened.map(|s| s.heat.as_str()).into()),
            text(
                "standing",
                "held, damaged (a document of it), rejected, unjudged, unrecorded, waiting, pieces (released in pieces) or released",
                |r| r.standing.into(),
            ),
            text("why_held", "why it is held; empty where it is not", |r| r.why.clone().into()),
            text("verdict", "release, crop, hold or reject; empty where not judged", |r| {
                r.judgement.map_or(Cell::Absent, |j| word(j.verdict))
            }),
            whole("decisions", "how often a person changed the verdict", |r| {
                r.judgement.map(|j| j.decisions.len()).into()
            }),
            whole("indications", "indications, ghosts among them", |r| {
                r.judgement.map(|j| j.indications.len()).into()
            }),
            number("length_mm", "mm", "length", |r| mm(r.screened.map(|s| s.length_m))),
            number("kept_mm", "mm", "saleable length", |r| mm(r.judgement.map(|j| j.cut.kept_m))),
            number(
                "lost_mm",
                "mm",
                "length lost to flaws, uninspected stretches, remnants and kerfs",
                |r| mm(r.judgement.map(|j| j.cut.lost_m)),
            ),
            number(
                "inspected_volume_percent",
                "%",
                "share of the length over which every beam for the volume was sound",
                |r| r.inspected(FlawClass::Disc),
            ),
            number("inspected_surface_percent", "%", "the same of the surface", |r| {
                r.inspected(FlawClass::Crack)
            }),
            whole("shots", "shots evaluated", |r| r.screened.map(|s| s.shots).into()),
            whole("echoes_over_threshold", "echoes at or above their gate's threshold", |r| {
                r.screened.map(|s| s.echoes_over_threshold).into()
            }),
            number("noise_fsh_percent", "% of full screen height", "noise", |r| {
                percent(r.screened.map(|s| s.noise_fsh))
            }),
            text("broken_off", "why the screening broke off before the bar's end", |r| {
                r.screened.and_then(|s| s.broken_off.as_deref()).into()
            }),
            text("line", "line of its latest screening", |r| {
                r.state.map(|s| s.line.as_str()).into()
            }),
            whole("screened_entry", "entry of its latest screening in the ledger", |r| {
                r.state.and_then(|s| s.screened).into()
            }),
            whole("judged_entry", "entry of the judgement that counts", |r| {
                r.state.and_then(|s| s.judged).into()
            }),
            whole("check_before_entry", "entry of the good check before it", |r| {
                r.state.and_then(|s| s.opening_check).into()
            }),
            whole("check_after_entry", "entry of the good check after it", |r| {
                r.state.and_then(|s| s.closing_check).into()
            }),
            text("screened_document", "hash of the screened bar", |r| {
                r.bar.screened.here().map(|s| s.hash.0.as_str()).into()
            }),
            text("judgement_document", "hash of the judgement", |r| {
                r.bar.judgement.here().map(|j| j.hash.0.as_str()).into()
            }),
        ],
    )
}

fn lost(lot: &Lot) -> Made {
    let rows: Rows<(&str, &Lost)> = all(lot).and_then(|bars| {
        let mut rows = Vec::new();
        for bar in bars {
            let screened = &need(&bar.screened, "screened bar")?.body;
            rows.extend(screened.lost.iter().map(|lost| (bar.name.as_str(), lost)));
        }
        Ok(rows)
    });
    made(
        rows,
        [
            text("bar", "bar number within the lot", |(bar, _)| (*bar).into()),
            text("class", "flaw class that was not looked for: disc, crack", |(_, l)| {
                word(l.class)
            }),
            number("from_mm", "mm", "start from the head end", |(_, l)| mm(l.from_m)),
            number("to_mm", "mm", "end from the head end", |(_, l)| mm(l.to_m)),
            text(
                "cause",
                "end, coupling, missed_cycle, too_fast, clipped or not_levelled",
                |(_, l)| word(l.cause),
            ),
            text("beams", "beams concerned, apart by spaces; empty for all", |(_, l)| {
                list(&l.beams)
            }),
        ],
    )
}

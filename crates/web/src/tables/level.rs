//! The level: every beam, and what explains how the beams read.

use barwright_job::{
    Technique,
    level::{BeamLevel, Explanation, Level},
    technique::Beam,
};
use barwright_phrase::say;
use barwright_report::text as words;

use super::{
    Listed, Made, Rows, Why,
    cell::{deg, joined, percent, us, word},
    made, need, number, text, whole,
};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 3] = [
    Listed { name: "level_beams", row: "beam", title: || say!("Level of every beam"), make: beams },
    Listed {
        name: "level_explanations",
        row: "explanation, most likely first",
        title: || say!("What explains it"),
        make: explanations,
    },
    Listed {
        name: "level_evidence",
        row: "observation behind an explanation",
        title: || say!("What the explanations rest on"),
        make: evidence,
    },
];

fn level(lot: &Lot) -> Result<&Level, Why> {
    need(&lot.level, "level").map(|sealed| &sealed.body)
}

type Levelled<'a> = (&'a BeamLevel, Option<&'a Beam>);

fn beams(lot: &Lot) -> Made {
    let rows: Rows<Levelled<'_>> = level(lot).map(|l| {
        let technique: Option<&Technique> = lot.technique.here().map(|t| &t.body);
        let of = |id: u32| technique.and_then(|t| t.beams.get(id as usize));
        l.beams.iter().map(|b| (b, of(b.beam))).collect()
    });
    made(
        rows,
        [
            whole("beam", "beam by number", |(l, _)| l.beam.into()),
            whole("probe", "its probe, from 0; empty without the technique", |(_, b)| {
                b.map(|b| b.probe).into()
            }),
            text(
                "mode",
                "kind of wave: L longitudinal, S shear; empty without the technique",
                |(_, b)| b.map(|b| word(b.mode)).unwrap_or(super::Cell::Absent),
            ),
            text(
                "state",
                "inside, corrected, clipped, missing, out_of_reach, doubled, out_of_window or neighbour",
                |(l, _)| word(l.state),
            ),
            number(
                "height_fsh_percent",
                "% of full screen height",
                "height read; empty where no echo was found",
                |(l, _)| percent(l.height_fsh),
            ),
            number(
                "expected_fsh_percent",
                "% of full screen height",
                "height expected at level",
                |(l, _)| percent(l.expected_fsh),
            ),
            number(
                "height_after_fsh_percent",
                "% of full screen height",
                "height that the echo read will have at the new gain; empty where none is known",
                |(l, _)| percent(l.height_after_fsh()),
            ),
            number("gain_db", "dB re unit transfer", "gain to be set", |(l, _)| l.gain_db.into()),
            number("change_db", "dB re the capture's gain", "change of the gain", |(l, _)| {
                l.change_db.into()
            }),
            number(
                "uncertainty_db",
                "dB",
                "standard uncertainty of the height; empty with one pass",
                |(l, _)| l.uncertainty_db.into(),
            ),
            number(
                "lower_by_db",
                "dB",
                "for a clipped beam, how much lower the next pass should be",
                |(l, _)| l.lower_by_db.into(),
            ),
            number(
                "found_turn_off_deg",
                "°",
                "turn at the echo found beside its window, less the expected one",
                |(l, _)| deg(l.found.map(|f| f.turn_off_rad)),
            ),
            number("found_time_off_us", "µs", "its time less the expected one", |(l, _)| {
                us(l.found.map(|f| f.time_off_s))
            }),
            number(
                "found_height_fsh_percent",
                "% of full screen height",
                "its height",
                |(l, _)| percent(l.found.map(|f| f.height_fsh)),
            ),
        ],
    )
}

fn explanations(lot: &Lot) -> Made {
    let rows: Rows<(usize, &Explanation)> =
        level(lot).map(|l| l.explanations.iter().enumerate().collect());
    made(
        rows,
        [
            whole("explanation", "number of the explanation, from 0", |(k, _)| (*k).into()),
            text(
                "cause",
                "the cause with its size, in words; probes and elements from 1",
                |(_, e)| words::cause(&e.cause).into(),
            ),
            number(
                "confidence_percent",
                "%",
                "weight of the cause among those that explain the same evidence",
                |(_, e)| percent(e.confidence),
            ),
            text("cure", "what to do", |(_, e)| (&e.cure).into()),
            text("alternatives", "other causes that the same data support", |(_, e)| {
                joined(e.alternatives.iter().map(words::cause), "; ")
            }),
        ],
    )
}

fn evidence(lot: &Lot) -> Made {
    let rows: Rows<(usize, &String)> = level(lot).map(|l| {
        let numbered = l.explanations.iter().enumerate();
        numbered.flat_map(|(k, e)| e.evidence.iter().map(move |line| (k, line))).collect()
    });
    made(
        rows,
        [
            whole("explanation", "number of the explanation, from 0", |(k, _)| (*k).into()),
            text("evidence", "what was seen, with numbers", |(_, line)| (*line).into()),
        ],
    )
}

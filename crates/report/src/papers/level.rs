//! The record of a level.

use barwright_job::{
    Rules, Sealed, Technique,
    level::{BeamLevel, BeamState, Explanation, Level},
};
use barwright_phrase::say;
use barwright_wave::Mode;
use serde_json::{Value, json};

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::{
    heights::{Heights, heights},
    palette::Palette,
    ring::{Rays, Ring, Spoke, Spokes, ring},
    text,
};

/// What the record of a level is made from.
#[derive(Debug, Clone, Copy)]
pub struct LevelInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// The acceptance rules.
    pub rules: &'a Rules,
    /// The level.
    pub level: &'a Sealed<Level>,
}

/// Heights of a level as spokes for the ring picture, on one scale: read height over expected
/// height, times the target, so that every beam is judged against the same band.
#[must_use]
pub fn spokes(level: &Level, target_fsh: f64) -> Vec<Spoke> {
    level
        .beams
        .iter()
        .map(|b| Spoke {
            beam: b.beam,
            height_fsh: b
                .height_fsh
                .map(|h| if b.expected_fsh > 0.0 { h / b.expected_fsh * target_fsh } else { h }),
            clipped: b.state == BeamState::Clipped,
        })
        .collect()
}

/// The record of a level as PDF.
///
/// # Errors
/// A level made for another technique or other rules, or an unreadable moment.
pub fn level_record(input: &LevelInput<'_>) -> Result<Vec<u8>> {
    let l = &input.level.body;
    let t = &input.technique.body;
    input.level.demand("level", "technique", &input.technique.hash)?;
    input.level.demand("level", "rules", &input.rules.hash())?;
    let running = [say!("order {}", t.order), t.name.clone()];
    let mut data = parts::frame(say!("Level record"), &running, &input.issue);
    let band = parts::band_fsh(input.rules);
    let count = |state| l.beams.iter().filter(|b| b.state == state).count();
    data["good"] = json!(l.good);
    data["facts"] = json!([
        [say!("Order"), t.order],
        [say!("Technique"), t.name],
        [say!("Station"), t.station],
        [say!("Rules"), parts::rules_words(&input.rules.rules)],
        [say!("Beams"), l.beams.len().to_string()],
        [say!("Passes"), l.passes.to_string()],
        [
            say!("Target"),
            say!(
                "{} % FSH, accepted {} to {} % FSH",
                text::number(input.rules.level.target_fsh_percent, 0),
                text::number(input.rules.level.low_fsh_percent, 0),
                text::number(input.rules.level.high_fsh_percent, 0)
            )
        ],
        [
            say!("Bar centre"),
            l.bar_offset_m.map_or(say!("not told by the surface echoes").to_owned(), |[x, y]| {
                say!(
                    "{} mm off, towards {} o'clock",
                    text::mm(x.hypot(y), 2),
                    text::clock(y.atan2(x))
                )
            })
        ],
    ]);
    data["states"] = [
        BeamState::Inside,
        BeamState::Corrected,
        BeamState::Clipped,
        BeamState::Missing,
        BeamState::OutOfReach,
        BeamState::Doubled,
        BeamState::OutOfWindow,
        BeamState::Neighbour,
    ]
    .into_iter()
    .map(|s| json!([text::beam_state(s), count(s).to_string()]))
    .collect();
    data["beams"] = l.beams.iter().map(|b| row(b, t)).collect();
    data["explanations"] = l.explanations.iter().map(explanation).collect();
    data["findings"] = parts::findings(&l.findings);
    data["evidence"] = parts::hashes("level", input.level);
    let target_fsh = input.rules.level.target_fsh_percent / 100.0;
    let read = spokes(l, target_fsh);
    let picture = ring(
        &Ring {
            technique: t,
            rays: Rays::None,
            spokes: Some(Spokes { heights: &read, band_fsh: band }),
            places: &[],
        },
        &Palette::paper(),
    );
    let both = Heights { technique: t, level: l, target_fsh, band_fsh: band };
    engine::set(
        Paper {
            name: "level.typ",
            data,
            pictures: vec![("ring", picture), ("heights", heights(&both, &Palette::paper()))],
        },
        &input.issue,
    )
}

/// Cause, how sure, evidence, cure and the other causes that the same data support.
fn explanation(e: &Explanation) -> Value {
    let others: Vec<String> = e.alternatives.iter().map(text::cause).collect();
    json!({
        "cause": text::cause(&e.cause),
        "sure": format!("{} %", text::percent(e.confidence, 0)),
        "evidence": e.evidence,
        "cure": e.cure,
        "others": others,
    })
}

fn row(b: &BeamLevel, t: &Technique) -> Value {
    let beam = usize::try_from(b.beam).ok().and_then(|i| t.beams.get(i));
    json!({
        "hand": !b.state.is_level(),
        "row": [
            b.beam.to_string(),
            beam.map_or("–".to_owned(), |beam| format!("P{}", beam.probe + 1)),
            beam.map_or("–", |beam| match beam.mode { Mode::L => "L", Mode::S => "S" }),
            text::number(b.gain_db, 1),
            text::signed(b.change_db, 1),
            text::maybe(b.height_fsh.map(|h| h * 100.0), 0),
            text::number(b.expected_fsh * 100.0, 0),
            text::maybe(b.uncertainty_db, 2),
            text::beam_state(b.state),
        ],
    })
}

//! Words and numbers as they stand in pictures and papers. Names are data: whatever they contain
//! is shown, and nothing in them can act.

use std::borrow::Cow;

use barwright_job::{
    finding::Topic,
    judgement::{Indication, Verdict},
    level::{BeamState, Cause, ElementLoss},
    proof::{Engine, FlawClass, ProvedClass},
    technique::{GateKind, Section},
};
use barwright_phrase::say;

use crate::figures::{Decimal, sized, style};

/// Stands for a character that cannot be shown.
const UNSHOWN: char = '\u{fffd}';

/// The words with every character that could hide or reorder others made visible: controls,
/// direction overrides and other invisible format characters become U+FFFD.
#[must_use]
pub fn visible(words: &str) -> String {
    words.chars().map(|c| if is_hidden(c) { UNSHOWN } else { c }).collect()
}

fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{ad}'
                | '\u{61c}'
                | '\u{180e}'
                | '\u{200b}'..='\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}'
                | '\u{feff}'
                | '\u{fff9}'..='\u{fffb}'
                | '\u{fffe}'
                | '\u{ffff}'
                | '\u{e0000}'..='\u{e007f}'
        )
}

/// [`visible`] words, escaped for XML text and attributes.
#[must_use]
pub fn escape(words: &str) -> String {
    let mut out = String::with_capacity(words.len());
    escape_onto(&mut out, &visible(words));
    out
}

/// Appends words to markup as they are, what would act in it escaped.
pub(crate) fn escape_onto(markup: &mut String, words: &str) {
    for c in words.chars() {
        match c {
            '&' => markup.push_str("&amp;"),
            '<' => markup.push_str("&lt;"),
            '>' => markup.push_str("&gt;"),
            '"' => markup.push_str("&quot;"),
            c => markup.push(c),
        }
    }
}

/// A number with fixed decimals and a true minus sign; an en dash where it is not finite.
#[must_use]
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    let s = format!("{value:.decimals$}");
    let s = match style().decimal {
        Decimal::Point => s,
        Decimal::Comma => s.replace('.', ","),
    };
    match s.strip_prefix('-') {
        Some(rest) if rest.chars().any(|c| ('1'..='9').contains(&c)) => format!("−{rest}"),
        Some(rest) => rest.to_owned(),
        None => s,
    }
}

/// As [`number`], with a plus sign for what is above zero.
#[must_use]
pub fn signed(value: f64, decimals: usize) -> String {
    let s = number(value, decimals);
    if value > 0.0 && s.chars().any(|c| ('1'..='9').contains(&c)) { format!("+{s}") } else { s }
}

/// [`number`] of a value that may be absent; an en dash then.
#[must_use]
pub fn maybe(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |v| number(v, decimals))
}

/// A length in metres, as millimetres with fixed decimals.
#[must_use]
pub fn mm(metres: f64, decimals: usize) -> String {
    number(metres * 1e3, decimals)
}

/// A fraction as percent that never rounds up to 100: what is not wholly so is not said to be.
#[must_use]
pub fn percent(fraction: f64, decimals: usize) -> String {
    let scale = 10f64.powi(i32::try_from(decimals).unwrap_or(0));
    let p = fraction * 100.0;
    let rounded = (p * scale).round() / scale;
    if rounded >= 100.0 && fraction < 1.0 {
        number(100.0 - 1.0 / scale, decimals)
    } else {
        number(p, decimals)
    }
}

/// A fraction that is missing, as percent: what is not nought is never said to be.
#[must_use]
pub fn missing_percent(fraction: f64, decimals: usize) -> String {
    let least = 10f64.powi(-i32::try_from(decimals).unwrap_or(0));
    if fraction > 0.0 && fraction * 100.0 < least {
        return say!("less than {}", number(least, decimals));
    }
    percent(fraction, decimals)
}

/// Clock position of an angle from +x, counter-clockwise, seen against travel: hours and minutes
/// in steps of five minutes, `12:00` at the top.
#[must_use]
pub fn clock(angle_rad: f64) -> String {
    if !angle_rad.is_finite() {
        return "–".to_owned();
    }
    let hours = (90.0 - angle_rad.to_degrees()).rem_euclid(360.0) / 30.0;
    let fives = (hours * 12.0).round().rem_euclid(144.0);
    let hour = (fives / 12.0).floor();
    let minutes = (fives - hour * 12.0) * 5.0;
    let hour = if hour < 1.0 { 12.0 } else { hour };
    format!("{hour:.0}:{minutes:02.0}")
}

/// A section in words, with sizes in mm.
#[must_use]
pub fn section(section: &Section) -> String {
    match *section {
        Section::Round { radius_m } => say!("round, diameter {}", sized(2.0 * radius_m, 1)),
        Section::Square { side_m, corner_radius_m } => {
            say!("square, side {}, corner radius {}", sized(side_m, 1), sized(corner_radius_m, 1))
        }
        Section::Flat { thickness_m } => say!("flat, thickness {}", sized(thickness_m, 1)),
    }
}

/// A flaw class in words.
#[must_use]
pub fn class(class: FlawClass) -> &'static str {
    match class {
        FlawClass::Disc => say!("volume (disc)"),
        FlawClass::Crack => say!("surface (crack)"),
    }
}

/// A class that an order asks for and a proof speaks of, in words.
#[must_use]
pub fn proved(class: ProvedClass) -> &'static str {
    match class {
        ProvedClass::Disc => say!("volume (disc)"),
        ProvedClass::Crack => say!("surface (crack)"),
        ProvedClass::Inclusion => say!("volume (inclusion)"),
        ProvedClass::Pipe => say!("centre (pipe)"),
    }
}

/// What the covered share of a class is a share of, in words.
#[must_use]
pub fn proved_of(class: ProvedClass) -> &'static str {
    match class {
        ProvedClass::Disc | ProvedClass::Inclusion => say!("section below the skin"),
        ProvedClass::Crack => say!("circumference"),
        ProvedClass::Pipe => say!("zone about the centre"),
    }
}

/// The engine of a proof, in words.
#[must_use]
pub fn engine(engine: Engine) -> &'static str {
    match engine {
        Engine::Ray => say!("rays, first passage"),
        Engine::Exact => say!("exact field of a round bar, first passage"),
    }
}

/// A verdict in one word.
#[must_use]
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Release => say!("release"),
        Verdict::Crop => say!("crop"),
        Verdict::Hold => say!("hold"),
        Verdict::Reject => say!("reject"),
    }
}

/// State of a levelled beam, in words.
#[must_use]
pub fn beam_state(state: BeamState) -> &'static str {
    match state {
        BeamState::Inside => say!("inside"),
        BeamState::Corrected => say!("corrected"),
        BeamState::Clipped => say!("clipped"),
        BeamState::Missing => say!("no echo"),
        BeamState::OutOfReach => say!("out of reach"),
        BeamState::Doubled => say!("two echoes"),
        BeamState::OutOfWindow => say!("out of its window"),
        BeamState::Neighbour => say!("another's echo"),
    }
}

/// A cause of how the beams read, in a few words with its size. Probes and elements count from 1.
#[must_use]
pub fn cause(cause: &Cause) -> String {
    match cause {
        Cause::OffCentre { x_m, y_m, uncertainty_m } => say!(
            "bar {} off centre towards {} o'clock (±{})",
            sized(x_m.hypot(*y_m), 2),
            clock(y_m.atan2(*x_m)),
            sized(*uncertainty_m, 3)
        ),
        Cause::BentBar { sag_m, direction_rad } => say!(
            "reference bar bent by {}, {} degrees from its mark",
            sized(*sag_m, 2),
            number(direction_rad.to_degrees().rem_euclid(360.0), 0)
        ),
        Cause::WaterTemperature { change_k } => {
            say!("water {} K off the technique's", signed(*change_k, 1))
        }
        Cause::WaterPath { change_m } => {
            say!("water path {} mm off", signed(change_m * 1e3, 2))
        }
        Cause::ProbeMoved { probe, change_m } => {
            say!("probe {} moved by {} mm outwards", probe + 1, signed(change_m * 1e3, 2))
        }
        Cause::Elements { probe, elements } => {
            let runs: Vec<String> = elements.iter().map(element_loss).collect();
            say!("probe {}: {}", probe + 1, runs.join(", "))
        }
        Cause::ProbeLow { probe, loss_db } => {
            say!("probe {} low by {} dB", probe + 1, number(*loss_db, 1))
        }
        Cause::ProbesSwapped { probes: [a, b] } => {
            say!("plugs of probes {} and {} exchanged", a + 1, b + 1)
        }
        Cause::ProbeReversed { probe } => say!("probe {} in reverse order", probe + 1),
        Cause::WrongProbes => say!("other probes than the technique's").to_owned(),
        Cause::Bubbles { per_second, share } => say!(
            "bubbles in the water, {} a second over all probes ({} % of the shots spoilt)",
            number(*per_second, 2),
            number(share * 100.0, 1)
        ),
        Cause::Drift { probes } => {
            let rates: Vec<String> = probes
                .iter()
                .map(|p| {
                    say!(
                        "probe {} by {} dB/min (±{} dB/min)",
                        p.probe + 1,
                        signed(p.db_per_min, 1),
                        number(p.uncertainty_db_per_min, 1)
                    )
                })
                .collect();
            say!("drift of heights: {}", rates.join(", "))
        }
    }
}

fn element_loss(e: &ElementLoss) -> String {
    let name = if e.first == e.last {
        say!("element {}", e.first + 1)
    } else {
        say!("elements {} to {}", e.first + 1, e.last + 1)
    };
    say!("{name} weak by {} dB (±{} dB)", number(e.loss_db, 1), number(e.uncertainty_db, 1))
}

/// What a gate looks for, in words.
#[must_use]
pub fn gate(kind: GateKind) -> &'static str {
    match kind {
        GateKind::Surface => say!("surface"),
        GateKind::Volume => say!("volume"),
        GateKind::Crack => say!("crack"),
        GateKind::BackWall => say!("back wall"),
    }
}

/// A person's words as a sentence that ends.
#[must_use]
pub fn sentence(words: &str) -> String {
    let words = words.trim_end();
    if words.ends_with(['.', '!', '?']) { words.to_owned() } else { format!("{words}.") }
}

/// The likely kind of an indication; for one that another explains, that it is no flaw of its own.
#[must_use]
pub fn kind(i: &Indication) -> String {
    match &i.ghost {
        None => i.kind.clone(),
        Some(g) if g.of.is_empty() => say!("ghost: {}", g.path.words()),
        Some(g) => say!("ghost of {}: {}", g.of, g.path.words()),
    }
}

/// Topic of a finding, in words.
#[must_use]
pub fn topic(topic: Topic) -> &'static str {
    match topic {
        Topic::Clipped => say!("clipped"),
        Topic::CouplingLost => say!("coupling lost"),
        Topic::MissedCycle => say!("missed cycle"),
        Topic::NotInspected => say!("not inspected"),
        Topic::Uncovered => say!("uncovered"),
        Topic::Missing => say!("missing"),
        Topic::OutOfReach => say!("out of reach"),
        Topic::OffCentre => say!("off centre"),
        Topic::FalseCall => say!("false call"),
        Topic::Ghost => say!("ghost"),
        Topic::TooMany => say!("too many"),
        Topic::Overdue => say!("overdue"),
        Topic::Validity => say!("validity"),
        Topic::Assumed => say!("assumed"),
        _ => say!("finding"),
    }
}

/// What a document is made from, by its role in a sealed document, in words.
#[must_use]
pub fn role(role: &str) -> Cow<'_, str> {
    let known = match role {
        "order" => say!("order"),
        "station" => say!("station"),
        "rules" => say!("rules"),
        "technique" => say!("technique"),
        "proof" => say!("proof"),
        "reference_bar" | "reference bar" => say!("reference bar"),
        "changeover" => say!("changeover"),
        "level" => say!("level"),
        "check" => say!("check"),
        "capture" => say!("capture"),
        "screened" => say!("screened"),
        "judgement" => say!("judgement"),
        "coverage proof" => say!("coverage proof"),
        "dense proof" => say!("dense proof"),
        "matrix" => say!("matrix"),
        "opening check" => say!("opening check"),
        "closing check" => say!("closing check"),
        "screened bar" => say!("screened bar"),
        "echoes" => say!("echoes"),
        "table" => say!("table of trials"),
        "probability of detection" => say!("probability of detection"),
        other => return other.replace('_', " ").into(),
    };
    known.into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    // Closed form: the clock face.
    #[test]
    fn clock_positions_follow_the_face() {
        assert_eq!(clock(PI / 2.0), "12:00");
        assert_eq!(clock(0.0), "3:00");
        assert_eq!(clock(-PI / 2.0), "6:00");
        assert_eq!(clock(PI), "9:00");
        assert_eq!(clock(PI / 2.0 - 31f64.to_radians()), "1:00");
        assert_eq!(clock(f64::NAN), "–");
    }

    // Closed form: rounding never claims the whole.
    #[test]
    fn nearly_whole_is_not_whole() {
        assert_eq!(percent(0.99999, 1), "99.9");
        assert_eq!(percent(1.0, 1), "100.0");
        assert_eq!(percent(0.5, 0), "50");
        assert_eq!(missing_percent(0.00001, 2), "less than 0.01");
        assert_eq!(missing_percent(0.0, 2), "0.00");
        assert_eq!(missing_percent(0.0123, 2), "1.23");
    }

    // Closed form.
    #[test]
    fn numbers_carry_a_true_minus_and_no_negative_zero() {
        assert_eq!(number(-1.25, 1), "−1.2");
        assert_eq!(number(-0.001, 1), "0.0");
        assert_eq!(signed(3.0, 1), "+3.0");
        assert_eq!(signed(0.0, 1), "0.0");
        assert_eq!(number(f64::NAN, 1), "–");
    }

    // Closed form: what could act is shown instead.
    #[test]
    fn nothing_hidden_passes() {
        assert_eq!(visible("a\u{202e}b\0c"), "a\u{fffd}b\u{fffd}c");
        assert_eq!(escape("<&\">"), "&lt;&amp;&quot;&gt;");
    }
}

//! Drifts in plain words.

use barwright_job::measures::Quantity;

use super::{
    cause::Origin,
    forecast::{Course, HORIZON, Left},
    watch::Watched,
};

/// What drifts, since when, how fast, and how long it may.
pub(super) fn sentence(origin: &Origin, lead: &Watched, series: usize) -> String {
    let what = if lead.by_level { "level" } else { "check" };
    let unit = if lead.series.quantity == Quantity::SurfaceDelay { "µs" } else { "dB" };
    let since = lead.since.or(lead.called).unwrap_or(0) + 1;
    let amount = |v: f64| {
        if unit == "µs" {
            format!("{:.3} {unit}", v.abs())
        } else {
            format!("{:.2} {unit}", v.abs())
        }
    };
    let who = who(origin, lead, series);
    let verb = verb(lead);
    let mut out = match lead.course {
        Course::Slope(s) => format!(
            "{who} {} {} a {what} since {what} {since}, {} so far.",
            verb.0,
            amount(s.per_check),
            amount(s.so_far)
        ),
        Course::Step { from, by } => format!(
            "{who} {} by {} since {what} {} and stands there: no trend, so no number of {what}s is given.",
            verb.1,
            amount(by),
            from as usize + 1
        ),
        Course::NoTrend => format!(
            "{who} {} by {} since {what} {since}; no trend can be told from scatter yet, so no number of {what}s is given.",
            verb.1,
            amount(lead.away())
        ),
    };
    if let (Course::Slope(_), Some(left), Some(limit)) = (lead.course, lead.left, &lead.limit) {
        out.push(' ');
        out.push_str(&left_words(left, &limit.what, what));
    }
    out.push(' ');
    out.push_str(hint(origin));
    out
}

/// The checks left.
fn left_words(left: Left, until: &str, what: &str) -> String {
    if left.expected <= 0.0 {
        return format!("By its line the limit is passed: {until}.");
    }
    let expected = left.expected.floor();
    if left.cautious >= HORIZON {
        return format!("It takes more than {HORIZON} {what}s until {until}.");
    }
    format!(
        "About {expected:.0} {what}s are left until {until}; {} are safe with 90 %.",
        left.cautious
    )
}

fn who(origin: &Origin, lead: &Watched, series: usize) -> String {
    match origin {
        Origin::Station => "The whole station".into(),
        Origin::Probe(p) | Origin::ProbeMoved(p) => format!("Probe {}", p + 1),
        Origin::Beams { probe, beams } => {
            let list: Vec<String> = beams.iter().take(8).map(u32::to_string).collect();
            let more = beams.len().saturating_sub(8);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            let one = if beams.len() == 1 { "Beam" } else { "Beams" };
            let worst = if series > 1 { format!(" (worst: {})", lead.name) } else { String::new() };
            format!("{one} {}{more} of probe {}{worst}", list.join(", "), probe + 1)
        }
        Origin::Reflector(name) => format!("The height of reflector {name}"),
        Origin::Noise => "The noise".into(),
    }
}

/// What it does, with a rate and with an amount.
fn verb(lead: &Watched) -> (&'static str, &'static str) {
    let up = match lead.course {
        Course::Slope(s) => s.per_check > 0.0,
        Course::Step { by, .. } => by > 0.0,
        Course::NoTrend => lead.away() > 0.0,
    };
    match (lead.series.quantity, up) {
        (Quantity::BeamGain, true) => ("asks for more gain,", "asks for more gain,"),
        (Quantity::BeamGain, false) => ("asks for less gain,", "asks for less gain,"),
        (Quantity::SurfaceDelay, true) => ("sees the surface later, by", "sees the surface later"),
        (Quantity::SurfaceDelay, false) => {
            ("sees the surface earlier, by", "sees the surface earlier")
        }
        (_, true) => ("rises by", "reads higher"),
        (_, false) => ("loses", "reads lower"),
    }
}

/// Where to look.
fn hint(origin: &Origin) -> &'static str {
    match origin {
        Origin::Station => "All probes go together: look at water, pulsers and the reference bar.",
        Origin::Probe(_) => "Its beams go together: look at cable, plug and face of that probe.",
        Origin::ProbeMoved(_) => "Look whether it sits firmly in the ring.",
        Origin::Beams { .. } => {
            "The rest of the probe stands: look at the elements that these beams share."
        }
        Origin::Reflector(_) => {
            "The probe that sees it stands: look at the reference bar and how it is passed."
        }
        Origin::Noise => "Look at earthing, cables and bubbles.",
    }
}

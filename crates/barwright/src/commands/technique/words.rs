//! The difference of two techniques in words.

use std::fmt::Write as _;

use barwright_job::technique::GateKind;
use barwright_wave::Mode;
use barwright_web::tables::shifted;
use serde_json::Value;

use super::beams::{BeamChange, GateChange, Named};
use super::diff::{Changed, Diff, ProbesChange, ScheduleChange};

/// Beams that are told one by one; `--json` has all.
const TOLD: usize = 12;

/// Units by the end of a name: how it ends, the unit shown, and the power of ten to it.
const UNITS: [(&str, &str, i32); 9] = [
    ("_kg_m3", "kg/m³", 0),
    ("_np_m", "Np/m", 0),
    ("_m_s", "m/s", 0),
    ("_hz", "MHz", -6),
    ("_fsh", "% FSH", 2),
    ("_rel", "% of the centre frequency", 2),
    ("_db", "dB", 0),
    ("_s", "µs", 6),
    ("_m", "mm", 3),
];

/// One figure of a change.
type Figure = fn(&BeamChange) -> f64;

/// The whole difference.
pub fn text(d: &Diff) -> String {
    let mut out = String::new();
    let [a, b] = &d.hashes;
    let _ = writeln!(out, "first   {}  ({})", d.names[0], a.short());
    let _ = writeln!(out, "second  {}  ({})", d.names[1], b.short());
    if d.same {
        let _ = writeln!(out, "the techniques are the same");
        if a != b {
            let _ = writeln!(out, "their hashes differ only by the program that wrote them");
        }
        return out;
    }
    let _ = writeln!(out, "the techniques differ");
    for c in &d.made_from {
        let _ = writeln!(out, "made from another {}: {}", c.what, hashes(c));
    }
    for c in &d.values {
        let _ = writeln!(out, "{}", value_words(c));
    }
    if let Some(p) = &d.probes {
        let _ = writeln!(out, "{}", probes(p));
    }
    beams(&mut out, d);
    if let Some(s) = &d.schedule {
        schedule(&mut out, s);
    }
    if !d.notes.is_empty() {
        let _ = writeln!(out, "what it says of itself differs: {}", d.notes.join(", "));
    }
    out
}

fn hashes(c: &Changed) -> String {
    let short = |v: &Value| v.as_str().map_or("none", |h| h.get(..12).unwrap_or(h)).to_owned();
    format!("{}, then {}", short(&c.first), short(&c.second))
}

/// `line speed: 1.04 m/s, then 1.1 m/s`.
fn value_words(c: &Changed) -> String {
    let unit = UNITS.iter().find(|(end, ..)| c.what.ends_with(end));
    let (name, unit, power) = unit.map_or((c.what.as_str(), "", 0), |(end, unit, power)| {
        (c.what.strip_suffix(end).unwrap_or(&c.what), *unit, *power)
    });
    let digits = telling(&c.first, &c.second);
    let shown = |v: &Value| match v {
        Value::Null => "none".to_owned(),
        Value::Number(n) => {
            let number =
                n.as_f64().map_or_else(|| n.to_string(), |x| shifted(rounded(x, digits), power));
            if unit.is_empty() { number } else { format!("{number} {unit}") }
        }
        Value::String(s) => barwright_report::text::visible(s),
        other => other.to_string(),
    };
    format!(
        "{}: {}, then {}",
        name.replace('.', ", ").replace('_', " "),
        shown(&c.first),
        shown(&c.second)
    )
}

/// Digits that are shown of two numbers: five, or as many as tell them apart.
fn telling(first: &Value, second: &Value) -> usize {
    let (Some(a), Some(b)) = (first.as_f64(), second.as_f64()) else { return 5 };
    (5..17).find(|digits| rounded(a, *digits) != rounded(b, *digits)).unwrap_or(17)
}

/// A number in so many digits.
fn rounded(value: f64, digits: usize) -> f64 {
    format!("{value:.*e}", digits.saturating_sub(1)).parse().unwrap_or(value)
}

fn probes(p: &ProbesChange) -> String {
    let mut words = format!("probes: {}, then {}", p.probes[0], p.probes[1]);
    if p.probes[0] == p.probes[1] {
        words = format!("probes: {}", p.probes[0]);
    }
    if p.elements[0] != p.elements[1] {
        let _ = write!(words, ", {} elements, then {}", p.elements[0], p.elements[1]);
    }
    if p.elements_changed > 0 {
        let _ = write!(
            words,
            ", {} elements changed: moved by up to {:.3} mm, turned by up to {:.3}°, size by up to {:.3} mm",
            p.elements_changed, p.largest_shift_mm, p.largest_turn_deg, p.largest_size_mm
        );
    }
    if p.focus_changed {
        words.push_str(", another focus along the bar");
    }
    words
}

fn name(b: &Named) -> String {
    let wave = match b.mode {
        Mode::L => "longitudinal",
        Mode::S => "shear",
    };
    format!(
        "beam {} (probe {}, {wave}, {} elements from {}, towards {:.1}°)",
        b.beam, b.probe, b.elements, b.first_element, b.direction_deg
    )
}

fn beams(out: &mut String, d: &Diff) {
    let b = &d.beams;
    let _ = writeln!(
        out,
        "beams: {}, then {}; {} added, {} removed, {} changed, {} with another number",
        b.count[0],
        b.count[1],
        b.added.len(),
        b.removed.len(),
        b.changed.len(),
        b.renumbered
    );
    for (word, list) in [("added", &b.added), ("removed", &b.removed)] {
        for beam in list.iter().take(TOLD) {
            let _ = writeln!(out, "  {word}: {}", name(beam));
        }
        if list.len() > TOLD {
            let _ = writeln!(out, "  {word}: {} more", list.len() - TOLD);
        }
    }
    let most = |value: Figure| {
        b.changed.iter().map(|c| (value(c).abs(), c)).max_by(|x, y| x.0.total_cmp(&y.0))
    };
    let largest: [(&str, &str, Figure); 4] = [
        ("delay", "ns", |c| c.delays.as_ref().map_or(0.0, |d| d.largest_ns)),
        ("gain", "dB", |c| c.gain_db),
        ("gate", "µs", |c| gate_most(c, true)),
        ("gate", "mm", |c| gate_most(c, false)),
    ];
    for (what, unit, value) in largest {
        if let Some((size, c)) = most(value).filter(|m| m.0 > 0.0) {
            let _ = writeln!(
                out,
                "  largest change of a {what}: {} {unit}, beam {}",
                small(size, 3),
                c.second.beam
            );
        }
    }
    for c in b.changed.iter().take(TOLD) {
        let _ = writeln!(out, "  {}: {}", name(&c.second), change(c).join(", "));
    }
    if b.changed.len() > TOLD {
        let _ = writeln!(out, "  {} more beams changed (--json has all)", b.changed.len() - TOLD);
    }
}

/// Largest change of a gate's ends, in µs or in mm of path.
fn gate_most(c: &BeamChange, time: bool) -> f64 {
    c.gates
        .iter()
        .map(|g| match g {
            GateChange::Moved { start_us, end_us, .. } if time => start_us.abs().max(end_us.abs()),
            GateChange::Moved { start_mm, end_mm, .. } => start_mm.abs().max(end_mm.abs()),
            _ => 0.0,
        })
        .fold(0.0, f64::max)
}

/// A number that is not nought and never shown as nought.
fn small(value: f64, decimals: usize) -> String {
    let least = 10f64.powi(-i32::try_from(decimals).unwrap_or(0));
    if value != 0.0 && value.abs() < least / 2.0 {
        return format!("{value:+.1e}");
    }
    format!("{value:+.decimals$}")
}

fn change(c: &BeamChange) -> Vec<String> {
    let mut words = Vec::new();
    if c.first.beam != c.second.beam {
        words.push(format!("was beam {}", c.first.beam));
    }
    if c.aperture {
        words.push(format!(
            "aperture was {} elements from {}",
            c.first.elements, c.first.first_element
        ));
    }
    if let Some(d) = &c.delays {
        words.push(format!(
            "delays up to {} ns ({}, element {})",
            small(d.largest_ns, 3),
            d.law,
            d.element
        ));
    }
    for (what, value, unit) in [
        ("gain", c.gain_db, "dB"),
        ("gain curve up to", c.curve_db, "dB"),
        ("surface", c.surface_us, "µs"),
        ("entry moved by", c.entry_mm, "mm"),
        ("direction", c.direction_deg, "°"),
        ("velocity", c.velocity_m_s, "m/s"),
        ("reach", c.reach_mm, "mm"),
        ("width along the bar", c.axial_width_mm, "mm"),
        ("predicted echo up to", c.response_db, "dB"),
    ] {
        if value != 0.0 {
            words.push(format!("{what} {} {unit}", small(value, 3)));
        }
    }
    if c.follows_another {
        words.push("follows another beam's surface echo".to_owned());
    }
    words.extend(c.gates.iter().map(gate));
    if words.is_empty() {
        words.push("points of a curve".to_owned());
    }
    words
}

fn kind_words(kind: GateKind) -> &'static str {
    barwright_report::text::gate(kind)
}

fn gate(g: &GateChange) -> String {
    match g {
        GateChange::Added { kind, start_us, end_us } => {
            format!("{} gate added, {start_us:.3} to {end_us:.3} µs", kind_words(*kind))
        }
        GateChange::Removed { kind, start_us, end_us } => {
            format!("{} gate removed, was {start_us:.3} to {end_us:.3} µs", kind_words(*kind))
        }
        GateChange::Moved { kind, start_us, end_us, start_mm, end_mm, threshold_fsh_percent } => {
            let mut words = format!("{} gate", kind_words(*kind));
            for (what, us, mm) in [("start", start_us, start_mm), ("end", end_us, end_mm)] {
                if *us != 0.0 || *mm != 0.0 {
                    let _ = write!(words, " {what} {} µs ({} mm)", small(*us, 3), small(*mm, 2));
                }
            }
            if *threshold_fsh_percent != 0.0 {
                let _ = write!(words, " threshold {} % FSH", small(*threshold_fsh_percent, 1));
            }
            words
        }
    }
}

fn schedule(out: &mut String, s: &ScheduleChange) {
    let least = |l: Option<f64>| l.map_or("none known".to_owned(), |l| format!("{l:.3} ms"));
    let _ = writeln!(
        out,
        "schedule: period {:.3} ms, then {:.3} ms; {} firings, then {}",
        s.period_ms[0], s.period_ms[1], s.firings[0], s.firings[1]
    );
    if s.least_period_ms[0] != s.least_period_ms[1] {
        let _ = writeln!(
            out,
            "  least period: {}, then {}",
            least(s.least_period_ms[0]),
            least(s.least_period_ms[1])
        );
    }
    if s.retimed > 0 {
        let _ = writeln!(
            out,
            "  {} beams fire at another moment, by up to {} µs; {} together with others than before",
            s.retimed,
            small(s.largest_retiming_us, 1),
            s.regrouped
        );
    } else if s.regrouped > 0 {
        let _ = writeln!(out, "  {} beams fire together with others than before", s.regrouped);
    }
}

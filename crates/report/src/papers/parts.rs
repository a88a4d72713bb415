//! What several papers share, as data for the templates.

use std::collections::BTreeMap;

use barwright_job::{
    Finding, Hash, Order, Rules, Sealed,
    order::{SectionSpec, Steel},
    rules::Head as RulesHead,
};
use barwright_phrase::say;
use serde_json::{Value, json};

use super::{CheckEntry, Issue, house};
use crate::{palette::TOKENS, text, texts};

/// The data that every template finds: colours, title, running head, moment, ledger, cautions.
pub(super) fn frame(title: &str, running: &[String], issue: &Issue<'_>) -> Value {
    let look: serde_json::Map<String, Value> =
        TOKENS.iter().map(|t| (t.name.to_owned(), json!(t.light))).collect();
    let own = issue.house.unwrap_or(&house::PLAIN);
    json!({
        "look": look,
        "title": title,
        "running": running.iter().map(|part| shortened(part)).collect::<Vec<_>>(),
        "program": format!("Barwright {}", env!("CARGO_PKG_VERSION")),
        "made_at": issue.made_at,
        "ledger": issue.ledger.map(|l| json!({
            "entry": l.entry.to_string(),
            "hash": l.hash,
            "short": Hash(l.hash.to_owned()).short(),
            "at": l.at,
        })),
        "sheet": own.sheet.name(),
        "heading": own.heading,
        "texts": texts::of_files(".typ").collect::<BTreeMap<_, _>>(),
        "language": texts::tag(),
        "cautions": super::cautions(),
        "not_validated": issue.not_validated,
    })
}

/// The start of a name, for the running head, which has one line; the paper itself shows it whole.
fn shortened(words: &str) -> String {
    const ROOM: usize = 32;
    if words.chars().count() <= ROOM {
        return words.to_owned();
    }
    words.chars().take(ROOM - 1).chain(['…']).collect()
}

/// A line of the evidence table: role, kind and hash of a document.
pub(super) fn hash_line(role: &str, hash: &Hash) -> Value {
    json!([text::role(role), hash.short(), hash.0])
}

/// A line of the evidence table for a template of the house.
pub(super) fn template_line(file: &str, text: &str) -> Value {
    let hash = Hash::of(text.as_bytes());
    json!([say!("template {file}, the house's own"), hash.short(), hash.0])
}

/// The hash of a document itself and of all it was made from.
pub(super) fn hashes<T>(itself: &str, sealed: &Sealed<T>) -> Value {
    let mut lines = vec![hash_line(itself, &sealed.hash)];
    lines.extend(sealed.made_from.iter().map(|(role, hash)| hash_line(role, hash)));
    Value::Array(lines)
}

/// Findings as topic, statement and where.
pub(super) fn findings<'a>(list: impl IntoIterator<Item = &'a Finding>) -> Value {
    list.into_iter()
        .map(|f| {
            let mut place = String::new();
            if let Some([from, to]) = f.stretch_m {
                place = format!("{}–{} m", text::number(from, 3), text::number(to, 3));
            }
            if !f.beams.is_empty() {
                if !place.is_empty() {
                    place.push_str(", ");
                }
                place.push_str(&beams(&f.beams));
            }
            json!([text::topic(f.topic), f.message, place])
        })
        .collect()
}

/// Beam numbers, shortened to ranges: `beams 3–5, 9`.
pub(super) fn beams(list: &[u32]) -> String {
    let mut sorted = list.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    let mut parts: Vec<String> = Vec::new();
    let mut rest = sorted.iter().copied().peekable();
    while let Some(first) = rest.next() {
        let mut last = first;
        while let Some(next) = rest.next_if(|n| last.checked_add(1) == Some(*n)) {
            last = next;
        }
        parts.push(match last - first {
            0 => first.to_string(),
            1 => format!("{first}, {last}"),
            _ => format!("{first}–{last}"),
        });
    }
    let word = if sorted.len() == 1 { "beam" } else { "beams" };
    if parts.len() > 12 {
        let more = parts.len() - 12;
        parts.truncate(12);
        return say!("{word} {} and {more} more groups, {} in all", parts.join(", "), sorted.len());
    }
    format!("{word} {}", parts.join(", "))
}

/// Facts of an order: label and value.
pub(super) fn order_facts(order: &Order) -> Vec<Value> {
    vec![
        json!([say!("Order"), order.order.number]),
        json!([say!("Customer"), order.order.customer]),
        json!([say!("Heat"), order.order.heat]),
        json!([say!("Section"), section_spec(&order.section)]),
        json!([say!("Steel"), steel(&order.steel)]),
    ]
}

/// Grade, and what is known of the steel's spread and grain.
fn steel(steel: &Steel) -> String {
    let mut words = steel.grade.clone();
    if steel.velocity_tolerance_percent > 0.0 {
        words.push_str(&say!(
            ", velocities ± {} %",
            text::number(steel.velocity_tolerance_percent, 2)
        ));
    }
    if let Some(disc) = steel.grain_noise_disc_mm {
        words.push_str(&say!(", grain noise as a disc of {} mm", text::number(disc, 2)));
    }
    words
}

/// Name, version and source of rules.
pub(super) fn rules_words(head: &RulesHead) -> String {
    say!("{}, version {} ({})", head.name, head.version, head.source)
}

/// A section as ordered.
pub(super) fn section_spec(spec: &SectionSpec) -> String {
    match spec {
        SectionSpec::Round(r) => {
            let mut words = say!(
                "round {} ± {} mm",
                text::number(r.diameter_mm, 1),
                text::number(r.tolerance_mm, 2)
            );
            if r.ovality_mm > 0.0 {
                words.push_str(&say!(", oval by {} mm", text::number(r.ovality_mm, 2)));
            }
            words
        }
        SectionSpec::Square(s) => say!(
            "square {} ± {} mm, corner radius {} mm",
            text::number(s.side_mm, 1),
            text::number(s.tolerance_mm, 2),
            text::number(s.corner_radius_mm, 1)
        ),
        SectionSpec::Flat(f) => say!(
            "flat {} ± {} mm",
            text::number(f.thickness_mm, 1),
            text::number(f.tolerance_mm, 2)
        ),
    }
}

/// The ordered flaws in words.
pub(crate) fn flaws(order: &Order) -> String {
    let f = &order.flaws;
    let mut words = say!("disc {} mm", text::number(f.disc.diameter_mm, 2));
    if f.disc.tilt_deg > 0.0 {
        words.push_str(&say!(", tilted up to {}°,", text::number(f.disc.tilt_deg, 1)));
    }
    words.push_str(&say!(" below {} mm of skin", text::number(f.disc.skin_mm, 1)));
    if let Some(i) = &f.inclusion {
        words.push_str(&say!(
            "; round inclusion {} mm below the same skin",
            text::number(i.diameter_mm, 2)
        ));
    }
    if let Some(p) = &f.pipe {
        words.push_str(&say!(
            "; pipe {} mm within {} mm of the centre",
            text::number(p.diameter_mm, 2),
            text::number(p.within_mm, 1)
        ));
    }
    if let Some(c) = &f.crack {
        words.push_str(&say!("; crack {} mm deep at the surface", text::number(c.depth_mm, 2)));
    }
    words
}

/// A check entry as data.
pub(super) fn check_entry(name: &str, entry: Option<&CheckEntry<'_>>) -> Value {
    match entry {
        None => json!({ "name": name, "present": false }),
        Some(e) => {
            let c = &e.check.body;
            let found: u32 = c.reflectors.iter().map(|r| r.found).sum();
            let due =
                c.passes.saturating_mul(u32::try_from(c.reflectors.len()).unwrap_or(u32::MAX));
            let worst_sn =
                c.reflectors.iter().map(|r| r.signal_to_noise_db).fold(f64::INFINITY, f64::min);
            let spread = c.reflectors.iter().map(|r| r.spread_db).fold(0.0, f64::max);
            json!({
                "name": name,
                "present": true,
                "good": c.good,
                "at": e.at,
                "by": e.signed_by,
                "found": say!("{found} of {due}"),
                "false_calls": c.false_calls.to_string(),
                "spread": text::number(spread, 1),
                "signal": text::number(worst_sn, 1),
                "speed": text::number(c.line_speed_m_s, 2),
                "short": e.check.hash.short(),
            })
        }
    }
}

/// Limits of the rules for levels, as fractions of full screen height.
pub(super) fn band_fsh(rules: &Rules) -> [f64; 2] {
    [rules.level.low_fsh_percent / 100.0, rules.level.high_fsh_percent / 100.0]
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: a running head never outgrows its line.
    #[test]
    fn long_names_are_shortened_in_the_running_head() {
        assert_eq!(shortened("bar 7"), "bar 7");
        let long = shortened(&"Å".repeat(400));
        assert_eq!(long.chars().count(), 32);
        assert!(long.ends_with('…'));
    }

    // Closed form.
    #[test]
    fn beams_are_shortened_to_ranges() {
        assert_eq!(beams(&[5, 3, 4, 9]), "beams 3–5, 9");
        assert_eq!(beams(&[2]), "beam 2");
        assert_eq!(beams(&[1, 2]), "beams 1, 2");
        assert_eq!(beams(&[u32::MAX, u32::MAX - 1]), "beams 4294967294, 4294967295");
    }
}

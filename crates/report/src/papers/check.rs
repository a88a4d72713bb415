//! The report of a dynamic check.

use barwright_job::{Rules, Sealed, Technique, check::Check, level::Level};
use barwright_phrase::say;
use serde_json::{Value, json};

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::text;

/// What a check report is made from.
#[derive(Debug, Clone, Copy)]
pub struct CheckInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// The level.
    pub level: &'a Sealed<Level>,
    /// The acceptance rules.
    pub rules: &'a Rules,
    /// The check.
    pub check: &'a Sealed<Check>,
    /// Who signed it, as the ledger names the key's holder; absent while it is not signed.
    pub signed_by: Option<&'a str>,
}

/// The check report as PDF.
///
/// # Errors
/// A check made for another technique, level or rules, or an unreadable moment.
pub fn check_report(input: &CheckInput<'_>) -> Result<Vec<u8>> {
    let c = &input.check.body;
    let t = &input.technique.body;
    let rule = &input.rules.check;
    input.check.demand("check", "technique", &input.technique.hash)?;
    input.check.demand("check", "level", &input.level.hash)?;
    input.check.demand("check", "rules", &input.rules.hash())?;
    let running = [say!("order {}", t.order), t.name.clone()];
    let mut data = parts::frame(say!("Check report"), &running, &input.issue);
    data["good"] = json!(c.good);
    data["signed_by"] = json!(input.signed_by);
    data["facts"] = json!([
        [say!("Order"), t.order],
        [say!("Technique"), t.name],
        [say!("Station"), t.station],
        [say!("Rules"), parts::rules_words(&input.rules.rules)],
        [say!("Passes"), c.passes.to_string()],
        [
            say!("Line speed"),
            say!(
                "{} m/s seen, {} m/s planned",
                text::number(c.line_speed_m_s, 3),
                text::number(t.line_speed_m_s, 3)
            )
        ],
        [say!("Next check"), say!("at most {} h later", text::number(rule.interval_h, 1))],
    ]);
    let worst =
        |value: fn(&barwright_job::check::ReflectorCheck) -> f64,
         start: f64,
         pick: fn(f64, f64) -> f64| { c.reflectors.iter().map(value).fold(start, pick) };
    let spread = worst(|r| r.spread_db, 0.0, f64::max);
    let signal = worst(|r| r.signal_to_noise_db, f64::INFINITY, f64::min);
    let place = worst(|r| r.place_error_m.abs() * 1e3, 0.0, f64::max);
    let found = c.reflectors.iter().all(|r| r.found == c.passes);
    data["limits"] = json!([
        limit(
            say!("Passes"),
            c.passes.to_string(),
            say!("at least {}", rule.passes),
            c.passes >= rule.passes
        ),
        limit(
            say!("Reflectors found in every pass"),
            say!(
                "{} of {}",
                c.reflectors.iter().filter(|r| r.found == c.passes).count(),
                c.reflectors.len()
            ),
            "all".to_owned(),
            found && !c.reflectors.is_empty()
        ),
        limit(
            say!("Largest spread of heights"),
            format!("{} dB", text::number(spread, 1)),
            say!("at most {} dB", text::number(rule.spread_db, 1)),
            spread <= rule.spread_db
        ),
        limit(
            say!("Lowest height over noise"),
            format!("{} dB", text::number(signal, 1)),
            say!("at least {} dB", text::number(rule.signal_to_noise_db, 1)),
            signal >= rule.signal_to_noise_db && signal.is_finite()
        ),
        limit(
            say!("Largest error of place"),
            format!("{} mm", text::number(place, 1)),
            say!("at most {} mm", text::number(rule.place_mm, 1)),
            place <= rule.place_mm
        ),
        limit(
            say!("Calls on plain stretches"),
            c.false_calls.to_string(),
            "none".to_owned(),
            c.false_calls == 0
        ),
    ]);
    if let (Some(limits), Some(r)) = (data["limits"].as_array_mut(), &c.repeatability) {
        limits.push(limit(
            say!("Scatter from pass to pass, with 95 % confidence"),
            format!("{} dB", text::number(r.upper_db, 2)),
            rule.repeatability_db
                .map_or("told".to_owned(), |db| say!("at most {} dB", text::number(db, 2))),
            rule.repeatability_db.is_none_or(|db| r.upper_db <= db),
        ));
    }
    data["repeatability"] = json!(repeatability_words(c));
    data["reflectors"] = c
        .reflectors
        .iter()
        .map(|r| {
            let heights = r
                .heights_fsh
                .iter()
                .map(|h| h.map_or("missed".to_owned(), |h| text::number(h * 100.0, 0)))
                .collect::<Vec<_>>()
                .join("  ");
            json!([
                r.name,
                say!("{} of {}", r.found, c.passes),
                heights,
                text::number(r.spread_db, 1),
                text::mm(r.place_error_m, 1),
                text::number(r.signal_to_noise_db, 1),
                r.beams.len().to_string(),
            ])
        })
        .collect();
    data["noise"] = json!(text::number(c.noise_fsh * 100.0, 1));
    data["findings"] = parts::findings(&c.findings);
    data["evidence"] = parts::hashes("check", input.check);
    engine::set(Paper { name: "check.typ", data, pictures: vec![] }, &input.issue)
}

fn limit(name: &str, found: String, allowed: String, met: bool) -> Value {
    json!({ "row": [name, found, allowed], "met": met })
}

/// How well heights repeat, in a sentence.
#[must_use]
pub fn repeatability_words(check: &Check) -> String {
    check.repeatability.map_or(say!("No reflector was seen twice.").to_owned(), |r| {
        say!(
            "Heights repeat within {} dB (standard deviation over {} degrees of freedom, at most {} dB \
             with 95 % confidence); two passes differ by more than {} dB once in twenty.",
            text::number(r.deviation_db, 2),
            r.degrees,
            text::number(r.upper_db, 2),
            text::number(r.two_passes_db, 2)
        )
    })
}

//! The technique sheet.

use barwright_phrase::say;
use std::collections::BTreeMap;

use barwright_job::{
    Order, Sealed, Technique,
    technique::{Beam, GateKind},
};
use barwright_wave::Mode;
use serde_json::{Value, json};

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::{
    palette::Palette,
    ring::{Rays, Ring, ring},
    schedule::{least_words, schedule},
    text,
};

/// What a technique sheet is made from.
#[derive(Debug, Clone, Copy)]
pub struct TechniqueInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The order.
    pub order: &'a Order,
    /// The technique.
    pub technique: &'a Sealed<Technique>,
    /// Who approved it and when, as the ledger says; absent while it is not approved.
    pub approved: Option<&'a str>,
}

/// The technique sheet as PDF.
///
/// # Errors
/// A technique made for another order, or an unreadable moment.
pub fn technique_sheet(input: &TechniqueInput<'_>) -> Result<Vec<u8>> {
    let t = &input.technique.body;
    input.technique.demand("technique", "order", &input.order.hash())?;
    let running = [say!("order {}", input.order.order.number), t.name.clone()];
    let mut facts = parts::order_facts(input.order);
    facts.extend([
        json!([say!("Ordered flaws"), parts::flaws(input.order)]),
        json!([say!("Station"), t.station]),
        json!([
            say!("Ring"),
            say!(
                "{}, {} probes of {} elements",
                t.ring,
                t.probes.len(),
                t.probes.first().map_or(0, |p| p.elements.len())
            )
        ]),
        json!([
            say!("Pulse"),
            say!(
                "{} MHz, {} % wide at −6 dB",
                text::number(t.pulse.centre_hz * 1e-6, 2),
                text::number(t.pulse.bandwidth_rel * 100.0, 0)
            )
        ]),
        json!([
            say!("Water"),
            t.media.water.map_or(say!("none, in contact").to_owned(), |w| format!(
                "{} m/s",
                text::number(w.velocity_m_s, 0)
            ))
        ]),
        json!([
            say!("Velocities"),
            format!(
                "L {} m/s, S {} m/s",
                text::number(t.media.steel.longitudinal_m_s, 0),
                text::number(t.media.steel.shear_m_s, 0)
            )
        ]),
        json!([say!("Line speed"), format!("{} m/s", text::number(t.line_speed_m_s, 3))]),
        json!([say!("Pulse spacing"), format!("{} mm", text::mm(t.pulse_spacing_m, 2))]),
        json!([
            say!("Not inspected"),
            say!("{} mm at head and tail", text::mm(t.unguided_end_m, 0))
        ]),
        json!([
            say!("Record"),
            say!(
                "{} samples at {} MHz, from {} µs, full scale {} % FSH",
                t.record.samples,
                text::number(t.record.sample_rate_hz * 1e-6, 1),
                text::number(t.record.first_sample_s * 1e6, 2),
                text::number(t.record.full_scale_fsh * 100.0, 0)
            )
        ]),
        json!([
            say!("Heights"),
            say!(
                "ordered flaw reads {} % FSH; an echo counts from {} % FSH",
                text::number(t.sensitivity.target_fsh * 100.0, 0),
                text::number(t.sensitivity.alarm_fsh * 100.0, 0)
            )
        ]),
    ]);
    let mut data = parts::frame(say!("Technique sheet"), &running, &input.issue);
    data["name"] = json!(t.name);
    data["approved"] = json!(input.approved);
    data["facts"] = json!(facts);
    data["limits"] = t
        .limits
        .iter()
        .map(|l| json!({ "row": [l.rule, l.figure, l.allowed, l.source], "binds": l.binds }))
        .collect();
    data["least"] = json!(least_words(&t.schedule));
    data["others"] = t
        .others
        .iter()
        .map(|o| json!([o.words, o.beams.to_string(), speed(o.line_speed_m_s), o.why_not]))
        .collect();
    data["changes"] = t
        .changes
        .iter()
        .map(|c| json!([c.words, speed(c.line_speed_m_s), gain(c.line_speed_m_s, t), c.limit]))
        .collect();
    data["groups"] = groups(t);
    data["beams"] = json!(t.beams.len().to_string());
    data["findings"] = parts::findings(&t.findings);
    data["evidence"] = parts::hashes("technique", input.technique);
    let look = Palette::paper();
    let picture = |rays| ring(&Ring { technique: t, rays, spokes: None, places: &[] }, &look);
    engine::set(
        Paper {
            name: "technique.typ",
            data,
            pictures: vec![
                ("ring-one", picture(Rays::Probe(0))),
                ("ring-all", picture(Rays::All)),
                ("schedule", schedule(t, &look)),
            ],
        },
        &input.issue,
    )
}

/// A line speed, or that there is none.
fn speed(speed_m_s: Option<f64>) -> String {
    speed_m_s.map_or_else(|| "none".to_owned(), |v| text::number(v, 2))
}

/// What a change adds to the line speed, in percent of this plan's.
fn gain(speed_m_s: Option<f64>, t: &Technique) -> String {
    speed_m_s
        .map_or_else(|| "–".to_owned(), |v| text::signed((v / t.line_speed_m_s - 1.0) * 100.0, 0))
}

/// Beams summed up by probe and kind of wave.
fn groups(t: &Technique) -> Value {
    let mut groups: BTreeMap<(u32, Mode), Vec<&Beam>> = BTreeMap::new();
    for beam in &t.beams {
        groups.entry((beam.probe, beam.mode)).or_default().push(beam);
    }
    groups
        .into_iter()
        .map(|((probe, mode), beams)| {
            let ids: Vec<u32> = beams.iter().map(|b| b.id).collect();
            json!([
                format!("P{}", probe + 1),
                match mode {
                    Mode::L => "L",
                    Mode::S => "S",
                },
                beams.len().to_string(),
                parts::beams(&ids).replace("beams ", "").replace("beam ", ""),
                range(&beams, |b| Some(f64::from(b.elements())), 0),
                range(&beams, |b| Some(b.gain_db), 1),
                range(&beams, |b| Some(b.surface_time_s * 1e6), 2),
                gates(&beams),
                range(&beams, |b| Some(b.axial_width_m * 1e3), 1),
            ])
        })
        .collect()
}

/// Smallest and largest value over beams, as one figure where they do not differ.
fn range(beams: &[&Beam], value: impl Fn(&Beam) -> Option<f64>, decimals: usize) -> String {
    let values = || beams.iter().filter_map(|b| value(b));
    let low = values().fold(f64::INFINITY, f64::min);
    let high = values().fold(f64::NEG_INFINITY, f64::max);
    let (a, b) = (text::number(low, decimals), text::number(high, decimals));
    if a == b { a } else { say!("{a} to {b}") }
}

/// The gates as depth along the axis, in mm, widest over the beams.
fn gates(beams: &[&Beam]) -> String {
    let mut words = Vec::new();
    for kind in [GateKind::Volume, GateKind::Crack, GateKind::BackWall] {
        let mut span = (f64::INFINITY, f64::NEG_INFINITY);
        for beam in beams {
            if let Some(g) = beam.gate(kind) {
                let half = beam.axis.velocity_m_s / 2.0;
                span = (span.0.min(g.start_s * half), span.1.max(g.end_s * half));
            }
        }
        if span.0.is_finite() {
            words.push(format!(
                "{} {}–{}",
                text::gate(kind),
                text::mm(span.0, 1),
                text::mm(span.1, 1)
            ));
        }
    }
    words.join("; ")
}

//! The sheet of a reference bar: drawing, reflectors, motion list.

use barwright_phrase::say;
use std::collections::BTreeSet;

use barwright_job::{Sealed, Technique, reference::ReferenceBar};
use serde_json::json;

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::{
    palette::Palette,
    refbar_drawing::{reference_bar_drawing, shape_words},
    text,
};

/// What the sheet of a reference bar is made from.
#[derive(Debug, Clone, Copy)]
pub struct ReferenceInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The technique it is for.
    pub technique: &'a Sealed<Technique>,
    /// The reference bar.
    pub reference: &'a Sealed<ReferenceBar>,
}

/// The sheet of a reference bar as PDF.
///
/// # Errors
/// A reference bar made for another technique, or an unreadable moment.
pub fn reference_sheet(input: &ReferenceInput<'_>) -> Result<Vec<u8>> {
    let r = &input.reference.body;
    let t = &input.technique.body;
    input.reference.demand("reference bar", "technique", &input.technique.hash)?;
    let running = [r.name.clone(), t.name.clone()];
    let mut data = parts::frame(say!("Reference bar"), &running, &input.issue);
    let half = t.section.half_extent_m();
    let flat = matches!(t.section, barwright_job::technique::Section::Flat { .. });
    data["name"] = json!(r.name);
    data["facts"] = json!([
        [say!("Reference bar"), r.name],
        [say!("Technique"), t.name],
        [say!("Section"), text::section(&t.section)],
        [say!("Length"), format!("{} mm", text::mm(r.length_m, 0))],
        [say!("Order"), t.order],
        [say!("Station"), t.station],
    ]);
    data["reflectors"] = r
        .reflectors
        .iter()
        .enumerate()
        .map(|(i, f)| {
            let beams: BTreeSet<u32> = r
                .expected
                .iter()
                .filter(|e| usize::try_from(e.reflector) == Ok(i))
                .map(|e| e.beam)
                .collect();
            json!([
                f.name,
                shape_words(&f.shape),
                text::mm(f.z_m, 1),
                if flat { "–".to_owned() } else { text::number(f.angle_rad.to_degrees(), 1) },
                text::mm(if flat { f.radius_m } else { half - f.radius_m }, 2),
                beams.len().to_string(),
            ])
        })
        .collect();
    data["motion"] = r
        .motion
        .iter()
        .map(|m| {
            json!([
                m.purpose,
                text::mm(m.z_m, 1),
                text::number(m.turn_rad.to_degrees(), 1),
                text::number(m.turn_step_rad.to_degrees(), 2),
                text::number(m.duration_s, 1),
            ])
        })
        .collect();
    data["total_s"] = json!(text::number(r.motion.iter().map(|m| m.duration_s).sum(), 1));
    let seen: BTreeSet<u32> = r.expected.iter().map(|e| e.beam).collect();
    data["seen"] = json!(say!("{} of {} beams meet a reflector.", seen.len(), t.beams.len()));
    data["requirements"] = json!(r.requirements);
    data["findings"] = parts::findings(&r.findings);
    data["evidence"] = parts::hashes("reference bar", input.reference);
    let drawing = reference_bar_drawing(r, &t.section, &Palette::paper());
    engine::set(
        Paper { name: "reference.typ", data, pictures: vec![("drawing", drawing)] },
        &input.issue,
    )
}

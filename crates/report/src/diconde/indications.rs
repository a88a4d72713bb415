//! Indications with their places and sizes, and who evaluated them.

use barwright_job::{
    judgement::{Fate, Indication, Judgement, Verdict},
    proof::FlawClass,
    rules::zones::Extent,
};
use dicom_dictionary_std::tags;

use super::{
    Entered, ObjectInput, mm, moment::Moment, private, put_entry, setup::percent, sheet::Sheet,
};
use crate::{papers::Result, text};

pub(super) fn fill(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<()> {
    evaluators(sheet, input)?;
    let j = &input.bar.judgement.body;
    let items =
        j.indications.iter().enumerate().map(|(k, i)| indication(sheet, j, k + 1, i)).collect();
    sheet.sequence(tags::INDICATION_SEQUENCE, items);
    Ok(())
}

/// Who judged: first by the rules, then each person who decided otherwise.
fn evaluators(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<()> {
    let (j, r) = (&input.bar.judgement.body, &input.recorded);
    let by_rules = if j.decisions.is_empty() { &r.judgement } else { &r.first_judgement };
    let mut items = Vec::new();
    match by_rules {
        Some(entered) => {
            let mut item = evaluator(sheet, items.len() + 1, entered.author);
            reviewed(&mut item, entered)?;
            items.push(item);
        }
        None => sheet.open(
            tags::EVALUATOR_NAME,
            "the ledger does not say who entered the judgement by the rules",
        ),
    }
    let mut decisions = Vec::new();
    for d in &j.decisions {
        let moment = Moment::of(d.time_us)?;
        let mut item = evaluator(sheet, items.len() + 1, &d.by);
        item.moment([tags::REVIEW_DATE, tags::REVIEW_TIME], &moment);
        items.push(item);
        let mut item = sheet.item(format!("decision {}", decisions.len() + 1));
        item.text(private::PERSON, &d.by);
        item.text(private::STATEMENT, &d.reason);
        item.instant(private::LEDGER_TIME, &moment);
        item.terms(private::VERDICT, &[verdict(d.verdict)]);
        item.text(private::HASH, &d.judgement.0);
        decisions.push(item);
    }
    sheet.sequence(tags::EVALUATOR_SEQUENCE, items);
    sheet.sequence(private::DECISIONS, decisions);
    let why = "the record has one evaluation; decisions by persons are further evaluators";
    sheet.open(tags::SECONDARY_REVIEWER_NAME, why);
    sheet.open(tags::SECONDARY_APPROVAL_STATUS, why);
    Ok(())
}

fn evaluator<'n>(sheet: &Sheet<'n>, number: usize, name: &str) -> Sheet<'n> {
    let mut item = sheet.item(format!("evaluator {number}"));
    item.whole(tags::EVALUATOR_NUMBER, number as u64);
    item.text(tags::EVALUATOR_NAME, name);
    item.text(private::PERSON, name);
    item.whole(tags::EVALUATION_ATTEMPT, number as u64);
    item
}

fn reviewed(item: &mut Sheet<'_>, entered: &Entered<'_>) -> Result<()> {
    item.moment([tags::REVIEW_DATE, tags::REVIEW_TIME], &Moment::of(entered.time_us)?);
    put_entry(item, entered)
}

fn indication<'n>(sheet: &Sheet<'n>, j: &Judgement, number: usize, i: &Indication) -> Sheet<'n> {
    let mut item = sheet.item(format!("indication {number}"));
    item.whole(tags::INDICATION_NUMBER, number as u64);
    item.text(tags::INDICATION_LABEL, &i.letter);
    item.text(tags::INDICATION_DESCRIPTION, &text::kind(i));
    let mut kinds = vec![class(i.class)];
    kinds.extend(i.extent.map(|e| match e {
        Extent::Point => "POINT",
        Extent::Extended => "EXTENDED",
    }));
    if i.ghost.is_some() {
        kinds.push("GHOST");
    }
    item.terms(tags::INDICATION_TYPE, &kinds);
    item.terms(tags::INDICATION_DISPOSITION, &[disposition(j, i)]);
    let region = region(&item, i);
    item.sequence(tags::INDICATION_ROI_SEQUENCE, vec![region]);
    let properties = properties(&item, i);
    item.sequence(tags::INDICATION_PHYSICAL_PROPERTY_SEQUENCE, properties);
    item.terms(private::FLAW_CLASS, &[class(i.class)]);
    item.floats(private::DEPTH, &[i.depth_m]);
    item.floats(private::HEIGHT, &[i.height_fsh]);
    item.terms(private::LOWER_BOUND, &[if i.clipped { "YES" } else { "NO" }]);
    item.floats(private::EQUIVALENT, &[i.size_m]);
    item.floats(private::SIZE_UNCERTAINTY, &[i.size_uncertainty_db]);
    item.longs(private::BEAMS, &i.beams);
    item.longs(private::ECHOES, &[i.echoes]);
    if !i.kind_reasons.is_empty() {
        item.text(private::KIND_REASONS, &i.kind_reasons.join("\n"));
    }
    if let Some(ghost) = &i.ghost {
        let of = if ghost.of.is_empty() { String::new() } else { format!(" of {}", ghost.of) };
        item.text(private::GHOST, &format!("{}{of}", ghost.path.words()));
    }
    item
}

/// Where it lies. Attributes for the outline of a region are not in the open dictionary.
fn region<'n>(item: &Sheet<'n>, i: &Indication) -> Sheet<'n> {
    let mut region = item.item(format!("region of indication {}", i.letter));
    region.floats(private::FROM, &[i.from_m]);
    region.floats(private::TO, &[i.to_m]);
    region.floats(private::POSITION, &[i.place.x, i.place.y]);
    region.floats(private::POSITION_UNCERTAINTY, &[i.place_uncertainty_m]);
    if let Some(u) = i.length_uncertainty_m {
        region.floats(private::LENGTH_UNCERTAINTY, &[u]);
    }
    if let Some(across) = i.across_m {
        region.floats(private::ACROSS, &[across]);
    }
    region
}

/// The figures as named numbers with units, for readers that know no private attribute.
fn properties<'n>(item: &Sheet<'n>, i: &Indication) -> Vec<Sheet<'n>> {
    let size = match i.class {
        FlawClass::Disc => "EQUIVALENT DISC",
        FlawClass::Crack => "CRACK DEPTH",
    };
    let angle = (i.place.angle().to_degrees() * 1e6).round() / 1e6;
    [
        (size, mm(i.size_m), ("mm", "millimetre")),
        ("HEIGHT", percent(i.height_fsh), ("%", "percent of full screen height")),
        ("DEPTH", mm(i.depth_m), ("mm", "millimetre")),
        ("FROM HEAD END", mm(i.from_m), ("mm", "millimetre")),
        ("TO", mm(i.to_m), ("mm", "millimetre")),
        ("ANGLE", angle, ("deg", "degree")),
    ]
    .into_iter()
    .map(|(label, value, (unit, meaning))| {
        let mut property = item.item(format!("{label} of indication {}", i.letter));
        property.text(tags::PROPERTY_LABEL, label);
        property.decimals(tags::NUMERIC_VALUE, &[value]);
        let mut code = property.item("unit");
        code.text(tags::CODE_VALUE, unit);
        code.text(tags::CODING_SCHEME_DESIGNATOR, "UCUM");
        code.text(tags::CODE_MEANING, meaning);
        property.sequence(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, vec![code]);
        property
    })
    .collect()
}

/// What becomes of the steel at an indication, as judged: the ledger is not asked.
fn disposition(j: &Judgement, i: &Indication) -> &'static str {
    let in_kept = j
        .cut
        .pieces
        .iter()
        .any(|p| p.fate == Fate::Keep && p.from_m <= i.to_m && i.from_m <= p.to_m);
    match j.verdict {
        Verdict::Reject => "REJECT",
        Verdict::Hold => "HOLD",
        Verdict::Release | Verdict::Crop if in_kept => "ACCEPT",
        Verdict::Release | Verdict::Crop => "CUT OFF",
    }
}

pub(super) fn class(class: FlawClass) -> &'static str {
    match class {
        FlawClass::Disc => "VOLUME",
        FlawClass::Crack => "SURFACE",
    }
}

pub(super) fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Release => "RELEASE",
        Verdict::Crop => "CROP",
        Verdict::Hold => "HOLD",
        Verdict::Reject => "REJECT",
    }
}

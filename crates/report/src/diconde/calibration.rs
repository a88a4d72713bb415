//! How the station was levelled and checked, with which equipment, and who approved the technique.

use barwright_job::{Sealed, check::Check};
use dicom_dictionary_std::tags;

use super::{
    Entered, ObjectInput, moment::Moment, moment::day_of, private, put_entry, sheet::Sheet,
};
use crate::{papers::Result, text};

pub(super) fn fill(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<()> {
    let (bar, r) = (&input.bar, &input.recorded);
    let mut items = vec![levelling(sheet, input)?];
    let mut missing = Vec::new();
    for (kind, check, entered) in
        [("OPENING CHECK", bar.opening, &r.opening), ("CLOSING CHECK", bar.closing, &r.closing)]
    {
        match check {
            Some(c) => items.push(checked(sheet, input, (kind, c.check), entered)?),
            None => missing.push(format!("The {} is not on record.", kind.to_lowercase())),
        }
    }
    sheet.sequence(tags::CALIBRATION_SETTINGS_SEQUENCE, items);
    if !missing.is_empty() {
        let words = missing.join(" ");
        sheet.text(private::NO_CHECKS, &words);
        sheet.open(tags::CALIBRATION_SETTINGS_SEQUENCE, &words);
    }
    for attribute in [
        tags::PROCEDURE_CREATION_DATE,
        tags::PROCEDURE_EXPIRATION_DATE,
        tags::PROCEDURE_LAST_MODIFIED_DATE,
    ] {
        sheet.open(attribute, "the record dates levels and checks, not the procedure");
    }
    approvals(sheet, input)?;
    equipment(sheet, input);
    Ok(())
}

fn levelling<'n>(sheet: &Sheet<'n>, input: &ObjectInput<'_>) -> Result<Sheet<'n>> {
    let level = input.bar.level;
    let body = &level.body;
    let sound = body.beams.iter().filter(|b| b.state.is_level()).count();
    let procedure = format!(
        "Levelling on the reference bar: {} of {} beams at level after {} passes; level {}.",
        sound,
        body.beams.len(),
        body.passes,
        level.hash.short(),
    );
    let mut item = sheet.item("levelling");
    begin(&mut item, input, ("LEVELLING", body.good), &procedure);
    item.longs(private::PASSES, &[body.passes]);
    item.text(private::HASH, &level.hash.0);
    item.text(private::PROGRAM, &level.program);
    dated(&mut item, &input.recorded.level, "when the level was entered")?;
    Ok(item)
}

fn checked<'n>(
    sheet: &Sheet<'n>,
    input: &ObjectInput<'_>,
    (kind, check): (&str, &Sealed<Check>),
    entered: &Option<Entered<'_>>,
) -> Result<Sheet<'n>> {
    let body = &check.body;
    let found = body.reflectors.iter().filter(|r| r.found == body.passes).count();
    let procedure = format!(
        "Check at line speed, {} m/s: {} of {} reflectors found in each of {} passes, {} false calls; check {}.",
        text::number(body.line_speed_m_s, 3),
        found,
        body.reflectors.len(),
        body.passes,
        body.false_calls,
        check.hash.short(),
    );
    let mut item = sheet.item(kind.to_lowercase());
    begin(&mut item, input, (kind, body.good), &procedure);
    item.longs(private::PASSES, &[body.passes]);
    item.text(private::HASH, &check.hash.0);
    item.text(private::PROGRAM, &check.program);
    item.floats(private::LINE_SPEED, &[body.line_speed_m_s]);
    dated(&mut item, entered, "when that check was entered")?;
    Ok(item)
}

/// What the calibration was, by which procedure and version: the limits are those of the rules.
fn begin(item: &mut Sheet<'_>, input: &ObjectInput<'_>, (kind, good): (&str, bool), words: &str) {
    let rules = &input.bar.rules.rules;
    item.terms(private::CALIBRATION_KIND, &[kind]);
    item.terms(private::GOOD, &[if good { "YES" } else { "NO" }]);
    let procedure = format!("{words} Limits by rules {}.", rules.name);
    item.text(tags::CALIBRATION_PROCEDURE, &procedure);
    item.text(tags::PROCEDURE_VERSION, &rules.version);
}

fn dated(item: &mut Sheet<'_>, entered: &Option<Entered<'_>>, what: &str) -> Result<()> {
    match entered {
        Some(entered) => {
            let moment = Moment::of(entered.time_us)?;
            item.moment([tags::CALIBRATION_DATE, tags::CALIBRATION_TIME], &moment);
            put_entry(item, entered)?;
        }
        None => item.open(tags::CALIBRATION_DATE, &format!("the ledger does not say {what}")),
    }
    Ok(())
}

fn approvals(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<()> {
    let mut items = Vec::new();
    for approval in input.recorded.approvals {
        let mut item = sheet.item(format!("approval by entry {}", approval.entered.entry));
        item.text(private::PERSON, approval.person);
        item.text(private::ROLE, approval.role);
        put_entry(&mut item, &approval.entered)?;
        items.push(item);
    }
    if items.is_empty() {
        sheet.open(private::APPROVALS, "no approval of the technique is on record");
    }
    sheet.sequence(private::APPROVALS, items);
    Ok(())
}

fn equipment(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let items = input.recorded.equipment.iter().map(|piece| {
        let mut item = sheet.item(format!("equipment {}", piece.serial));
        item.text(private::SERIAL, piece.serial);
        item.text(private::PLACE, piece.place);
        if let Some(what) = piece.what {
            item.text(private::WHAT, what);
        }
        if let Some((certificate, until)) = piece.calibration {
            item.text(private::CERTIFICATE, certificate);
            item.day(private::VALID_UNTIL, &day_of(until));
        }
        item
    });
    let items = items.collect::<Vec<_>>();
    if items.is_empty() {
        sheet.open(private::EQUIPMENT, "the ledger names no equipment in use on the line");
    }
    sheet.sequence(private::EQUIPMENT, items);
}

//! The component, where other objects have a patient; study, series and what made the object.

use barwright_job::order::SectionSpec;
use dicom_core::Tag;
use dicom_dictionary_std::tags;

use super::{ObjectInput, mm, moment::Moment, private, sheet::Sheet};
use crate::{
    papers::{Result, parts},
    text,
};

// What components are called by where other objects have a patient: the names of an open dictionary of E2339.
const COMPONENT_NAME: Tag = tags::PATIENT_NAME;
const COMPONENT_ID: Tag = tags::PATIENT_ID;
const COMPONENT_MANUFACTURING_DATE: Tag = tags::PATIENT_BIRTH_DATE;
const COMPONENT_OWNER: Tag = tags::REFERRING_PHYSICIAN_NAME;
/// Retired where it names people; written out, since it is not retired where it names steel.
const MATERIAL_NAME: Tag = Tag(0x0010, 0x2160);
const COMPANY_NAME: Tag = tags::INSTITUTION_NAME;
const DEPARTMENT_NAME: Tag = tags::INSTITUTIONAL_DEPARTMENT_NAME;

pub(super) fn fill(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<()> {
    bar(sheet, input);
    material(sheet, input);
    study(sheet, input)?;
    series(sheet, input);
    Ok(())
}

fn bar(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let (order, j) = (input.bar.order, &input.bar.judgement.body);
    sheet.text(COMPONENT_NAME, &format!("Bar {}, heat {}", j.bar, j.heat));
    sheet.text(COMPONENT_ID, &format!("{}/{}", j.heat, j.bar));
    sheet.empty(COMPONENT_MANUFACTURING_DATE, "the record does not say when the steel was made");
    sheet.terms(tags::PATIENT_SEX, &["O"]);
    sheet.text(private::BAR, &j.bar);
    sheet.text(private::HEAT, &j.heat);
    sheet.text(private::ORDER_NUMBER, &order.order.number);
    sheet.text(private::CUSTOMER, &order.order.customer);
    sheet.text(COMPONENT_OWNER, &order.order.customer);
    sheet.open(
        tags::COMPONENT_MANUFACTURER,
        "the record names the mill where the station stands, not who made the bar",
    );
    let shape = match order.section {
        SectionSpec::Round(r) => {
            sheet.terms(tags::COMPONENT_SHAPE, &["SOLIDCYLINDER"]);
            sheet.decimals(tags::OUTER_DIAMETER, &[r.diameter_mm]);
            sheet.open(tags::MATERIAL_THICKNESS, "a round bar has a diameter");
            "ROUND"
        }
        SectionSpec::Square(s) => {
            sheet.open(tags::COMPONENT_SHAPE, "no term for a square bar is known");
            sheet.open(tags::OUTER_DIAMETER, "a square bar has a side");
            sheet.decimals(tags::MATERIAL_THICKNESS, &[s.side_mm]);
            sheet.floats(private::CORNER, &[s.corner_radius_mm / 1e3]);
            "SQUARE"
        }
        SectionSpec::Flat(f) => {
            sheet.terms(tags::COMPONENT_SHAPE, &["FLAT"]);
            sheet.open(tags::OUTER_DIAMETER, "a flat block has a thickness");
            sheet.decimals(tags::MATERIAL_THICKNESS, &[f.thickness_mm]);
            "FLAT"
        }
    };
    sheet.terms(private::SHAPE, &[shape]);
    let half = input.bar.technique.body.section.half_extent_m();
    sheet.floats(private::SIZE, &[2.0 * half]);
    sheet.floats(private::LENGTH, &[j.length_m]);
}

fn material(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let steel = &input.bar.order.steel;
    sheet.text(MATERIAL_NAME, &steel.grade);
    sheet.text(tags::MATERIAL_GRADE, &steel.grade);
    let properties = format!(
        "Ordered values: longitudinal velocity {} m/s, shear velocity {} m/s, density {} kg/m³, attenuation \
         {} dB/m longitudinal and {} dB/m shear at the probe's frequency.",
        steel.longitudinal_m_s,
        steel.shear_m_s,
        steel.density_kg_m3,
        steel.attenuation_l_db_per_m,
        steel.attenuation_s_db_per_m
    );
    sheet.text(tags::MATERIAL_PROPERTIES_DESCRIPTION, &properties);
    let notes = format!(
        "Heat {}. {}. Length {} mm. Ordered flaws: {}.",
        input.bar.judgement.body.heat,
        text::section(&input.bar.technique.body.section),
        text::mm(input.bar.judgement.body.length_m, 0),
        parts::flaws(input.bar.order),
    );
    sheet.text(tags::MATERIAL_NOTES, &notes);
}

fn study(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) -> Result<()> {
    let (order, r) = (input.bar.order, &input.recorded);
    sheet.text(tags::ACCESSION_NUMBER, &order.order.number);
    sheet.text(tags::STUDY_ID, &order.order.number);
    let about =
        format!("Order {}: ultrasonic inspection by {}", order.order.number, order.order.rules);
    sheet.text(tags::STUDY_DESCRIPTION, &about);
    match &r.screened {
        Some(screened) => {
            let moment = Moment::of(screened.time_us)?;
            sheet.moment([tags::STUDY_DATE, tags::STUDY_TIME], &moment);
            sheet.moment([tags::SERIES_DATE, tags::SERIES_TIME], &moment);
        }
        None => {
            let why = "the ledger does not say when the bar was screened";
            sheet.empty(tags::STUDY_DATE, why);
            sheet.empty(tags::STUDY_TIME, why);
        }
    }
    let head = Moment::of(r.head.time_us)?;
    sheet.moment([tags::INSTANCE_CREATION_DATE, tags::INSTANCE_CREATION_TIME], &head);
    sheet.moment([tags::CONTENT_DATE, tags::CONTENT_TIME], &head);
    sheet.terms(tags::TIMEZONE_OFFSET_FROM_UTC, &["+0000"]);
    sheet.text(private::LEDGER_NAME, r.ledger);
    super::put_entry(sheet, &r.head)?;
    sheet.text(private::HASH, r.head_hash);
    Ok(())
}

fn series(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let (technique, r) = (&input.bar.technique.body, &input.recorded);
    sheet.terms(tags::MODALITY, &["UT"]);
    sheet.whole(tags::SERIES_NUMBER, 1);
    sheet.whole(tags::INSTANCE_NUMBER, 1);
    sheet.text(tags::SERIES_DESCRIPTION, &format!("Technique {}", technique.name));
    // What computed the record and made the object; the instrument that fired is in the sequences of pulser
    // and receiver.
    sheet.text(tags::MANUFACTURER, "Barwright");
    sheet.text(tags::SOFTWARE_VERSIONS, env!("CARGO_PKG_VERSION"));
    sheet.text(tags::STATION_NAME, &technique.station);
    sheet.text(private::STATION, &technique.station);
    match input.station {
        Some(station) => {
            sheet.text(COMPANY_NAME, &station.station.mill);
            sheet.text(DEPARTMENT_NAME, &station.station.line);
        }
        None => sheet.open(COMPANY_NAME, "the station's document is not at hand"),
    }
    if r.line.is_empty() {
        sheet.open(private::LINE, "the ledger names no line for this bar");
    } else {
        sheet.text(private::LINE, r.line);
    }
    match r.operator {
        Some(operator) => {
            sheet.text(tags::OPERATORS_NAME, operator);
            sheet.text(private::OPERATOR, operator);
        }
        None => sheet.open(tags::OPERATORS_NAME, "the ledger does not say who ran the line"),
    }
    sheet.text(private::RULES_NAME, &input.bar.rules.rules.name);
    sheet.text(private::RULES_VERSION, &input.bar.rules.rules.version);
    let focus = technique.probes.iter().find_map(|p| p.axial_focus_m);
    let scan = format!(
        "The bar passes lengthwise through ring {} with {} probes at {} m/s.{}",
        technique.ring,
        technique.probes.len(),
        text::number(technique.line_speed_m_s, 3),
        focus.map_or(String::new(), |f| format!(" Elements focus along the bar at {} mm.", mm(f))),
    );
    sheet.text(tags::PROTOCOL_NAME, &technique.name);
    let mut scanner = sheet.item("scanner settings");
    scanner.text(tags::SCAN_PROCEDURE, &scan);
    scanner.decimals(tags::TRANSLATION_RATE_X, &[mm(technique.line_speed_m_s)]);
    scanner.floats(private::LINE_SPEED, &[technique.line_speed_m_s]);
    scanner.floats(private::PULSE_SPACING, &[technique.pulse_spacing_m]);
    scanner.floats(private::PERIOD, &[technique.schedule.period_s]);
    sheet.sequence(tags::SCANNER_SETTINGS_SEQUENCE, vec![scanner]);
}

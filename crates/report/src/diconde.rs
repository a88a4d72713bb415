//! The record of one bar as a DICOM object, in the way of ASTM E2339 (the component stands where the patient
//! does) and E2663 (ultrasonic tests), as far as the open dictionary of attributes goes: group 0014. What it
//! has no attribute for stands in a private block, [`private`].
//!
//! The modules of both standards are not open: neither which attributes they demand, nor how sequences nest,
//! nor the terms and units of many attributes were read. `docs/handbook/exchange.md` says what was chosen where.
//!
//! Storage class: the open list has none for ultrasonic tests. Where the bar's peaks are at hand the object is
//! a multi-frame grayscale word secondary capture, whose 16-bit frames any viewer opens; where they are not it
//! is raw data, which needs no picture. Both may carry further attributes (a standard extended class, PS3.2).
//!
//! Nothing here reads a clock: dates are those of the ledger's entries, and equal input gives equal bytes. The
//! object's identifier follows from its content.

mod calibration;
mod component;
mod findings;
mod fit;
mod indications;
mod map;
mod moment;
pub mod private;
mod setup;
mod sheet;
mod uid;

use barwright_job::Station;
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};

use crate::papers::{self, BarInput, Outcome, ReportError, Result};
use moment::Moment;
use sheet::{Notes, Sheet};

pub use map::PeakMap;
pub use uid::uid;

/// What an object of a bar is made from: what its paper is made from, what the ledger says besides, and
/// the peaks.
#[derive(Debug, Clone, Copy)]
pub struct ObjectInput<'a> {
    /// What the paper is made from. Of its issue, the moment of making is not used.
    pub bar: BarInput<'a>,
    /// What the ledger holds besides.
    pub recorded: Recorded<'a>,
    /// The station that the technique was made for; absent where its document is not at hand.
    pub station: Option<&'a Station>,
    /// The peaks of the bar, or why they are not at hand.
    pub peaks: std::result::Result<&'a PeakMap, &'a str>,
}

/// Who entered something into the ledger, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entered<'a> {
    /// Number of the entry.
    pub entry: i64,
    /// Microseconds since 1970-01-01 UTC.
    pub time_us: i64,
    /// Who wrote it.
    pub author: &'a str,
}

/// What the ledger holds about a bar, beside what papers print.
#[derive(Debug, Clone, Copy)]
pub struct Recorded<'a> {
    /// Name of the ledger.
    pub ledger: &'a str,
    /// Its last entry: all that is said is said as of then.
    pub head: Entered<'a>,
    /// Hash of that entry.
    pub head_hash: &'a str,
    /// Line on which the bar was screened; empty where it is not on record.
    pub line: &'a str,
    /// The level.
    pub level: Option<Entered<'a>>,
    /// The last good check before the bar.
    pub opening: Option<Entered<'a>>,
    /// The first check after it.
    pub closing: Option<Entered<'a>>,
    /// The screening.
    pub screened: Option<Entered<'a>>,
    /// The judgement.
    pub judgement: Option<Entered<'a>>,
    /// The judgement by the rules, where a person decided otherwise later.
    pub first_judgement: Option<Entered<'a>>,
    /// Approvals of the technique that count, oldest first.
    pub approvals: &'a [Approved<'a>],
    /// Equipment in use on the line when the bar was screened.
    pub equipment: &'a [Piece<'a>],
    /// Who ran the line then.
    pub operator: Option<&'a str>,
}

/// An approval of the technique.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Approved<'a> {
    /// Its entry.
    pub entered: Entered<'a>,
    /// Who approved.
    pub person: &'a str,
    /// In what role, in words.
    pub role: &'a str,
}

/// A piece of equipment in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece<'a> {
    /// Serial number or mark.
    pub serial: &'a str,
    /// Where on the line: a probe's number, from 1, or a word.
    pub place: &'a str,
    /// What it is; absent where the ledger has no entry of the piece itself.
    pub what: Option<&'a str>,
    /// Number of its calibration's certificate and the last day on which that holds.
    pub calibration: Option<(&'a str, jiff::civil::Date)>,
}

/// An object, and what must be told beside it.
#[derive(Debug, Clone)]
pub struct BarObject {
    /// The file: preamble, file meta information and data set, explicit little endian.
    pub bytes: Vec<u8>,
    /// What it says of the bar, in the words of the bar's paper.
    pub outcome: Outcome,
    /// Storage class.
    pub sop_class: &'static str,
    /// Identifier of the object; it follows from the content.
    pub sop_instance: String,
    /// Identifier of the series: the screening of the bar.
    pub series: String,
    /// Identifier of the study: the bar of the order.
    pub study: String,
    /// Attributes that were left out or empty.
    pub left_open: Vec<LeftOpen>,
    /// Texts that their attribute could not hold whole; the object has them whole besides.
    pub shortened: Vec<Shortened>,
}

/// An attribute that was left out or empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOpen {
    /// The attribute.
    pub tag: Tag,
    /// Its keyword.
    pub keyword: String,
    /// Why it is.
    pub why: String,
}

/// A text that its attribute could not hold whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shortened {
    /// The attribute.
    pub tag: Tag,
    /// Its keyword.
    pub keyword: String,
    /// Item of a sequence in which it stands, in words; empty for the object itself.
    pub place: String,
    /// The text, whole.
    pub text: String,
}

/// Units of public attributes, which the open dictionary does not name.
const UNITS: &str = "Lengths and sound paths in mm. Velocities of sound in m/s. Frequencies in MHz. Angles in degrees. \
    Gain in dB re unit transfer. Times of gain against depth in µs after the surface. Gate and channel \
    thresholds, and heights, in percent of full screen height. Translation rates in mm/s. Private attributes \
    are in SI.";

/// The object of a bar. It says what the paper of the bar says, by the same rules: whether the bar is
/// released, and what speaks against it.
///
/// # Errors
/// Documents that were not made for each other, a moment that no calendar has, or an object that cannot be
/// written.
pub fn bar_object(input: &ObjectInput<'_>) -> Result<BarObject> {
    papers::demand(&input.bar)?;
    let notes = Notes::default();
    let mut sheet = Sheet::new(&notes);
    let ids = Ids::of(input);
    let sop_class = match input.peaks {
        Ok(_) => uids::MULTI_FRAME_GRAYSCALE_WORD_SECONDARY_CAPTURE_IMAGE_STORAGE,
        Err(_) => uids::RAW_DATA_STORAGE,
    };
    sheet.terms(tags::SPECIFIC_CHARACTER_SET, &["ISO_IR 192"]);
    sheet.uid(tags::SOP_CLASS_UID, sop_class);
    sheet.uid(tags::STUDY_INSTANCE_UID, &ids.study);
    sheet.uid(tags::SERIES_INSTANCE_UID, &ids.series);
    sheet.longs(private::FORMAT, &[1]);
    sheet.text(private::UNITS, UNITS);
    component::fill(&mut sheet, input)?;
    setup::fill(&mut sheet, input);
    calibration::fill(&mut sheet, input)?;
    indications::fill(&mut sheet, input)?;
    let outcome = findings::fill(&mut sheet, input)?;
    match input.peaks {
        Ok(peaks) => map::fill(&mut sheet, peaks),
        Err(why) => map::absent(&mut sheet, why),
    }
    let mut object = sheet.into_object();
    let (shortened, left_open) = notes.into_parts();
    tell_beside(&mut object, &shortened, &left_open);
    let meta = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(sop_class)
        .media_storage_sop_instance_uid("")
        .transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN)
        .implementation_class_uid(uid("implementation", &[]))
        .implementation_version_name("BARWRIGHT 1")
        .build()
        .map_err(|e| unwritable(&e))?;
    let mut file = object.with_exact_meta(meta);
    // The identifier follows from all else in the object.
    let mut bytes = Vec::new();
    file.write_dataset(&mut bytes).map_err(|e| unwritable(&e))?;
    let sop_instance = uid("object", &[&barwright_job::Hash::of(&bytes).0]);
    file.put_str(tags::SOP_INSTANCE_UID, VR::UI, sop_instance.as_str());
    file.update_meta(|meta| meta.media_storage_sop_instance_uid.clone_from(&sop_instance));
    bytes.clear();
    file.write_all(&mut bytes).map_err(|e| unwritable(&e))?;
    let Ids { study, series } = ids;
    Ok(BarObject { bytes, outcome, sop_class, sop_instance, series, study, left_open, shortened })
}

/// Identifiers of what the object belongs to.
struct Ids {
    study: String,
    series: String,
}

impl Ids {
    fn of(input: &ObjectInput<'_>) -> Self {
        let (order, j) = (input.bar.order.hash(), &input.bar.judgement.body);
        let screened = &input.bar.screened.hash;
        Self {
            study: uid("study", &[&order.0, &j.heat, &j.bar]),
            series: uid("series", &[&order.0, &j.heat, &j.bar, &screened.0]),
        }
    }
}

/// Puts in what did not fit and what was left open.
fn tell_beside(object: &mut InMemDicomObject, shortened: &[Shortened], left_open: &[LeftOpen]) {
    // Nothing of this is shortened itself.
    let notes = Notes::default();
    let mut sheet = Sheet::new(&notes);
    let texts = shortened.iter().map(|s| {
        let mut item = sheet.item("");
        item.tag(private::ATTRIBUTE, s.tag);
        item.text(private::KEYWORD, &s.keyword);
        item.text(private::PLACE, &s.place);
        item.text(private::FULL_TEXT, &s.text);
        item
    });
    let texts: Vec<_> = texts.collect();
    let open = left_open.iter().map(|o| {
        let mut item = sheet.item("");
        item.tag(private::ATTRIBUTE, o.tag);
        item.text(private::KEYWORD, &o.keyword);
        item.text(private::STATEMENT, &o.why);
        item
    });
    let open: Vec<_> = open.collect();
    sheet.sequence(private::FULL_TEXTS, texts);
    sheet.sequence(private::LEFT_OPEN, open);
    for element in sheet.into_object() {
        object.put(element);
    }
}

fn unwritable(error: &dyn std::error::Error) -> ReportError {
    let mut message = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        message.push_str(": ");
        message.push_str(&inner.to_string());
        cause = inner.source();
    }
    ReportError::Object { message }
}

/// Number, time and author of an entry.
fn put_entry(sheet: &mut Sheet<'_>, entered: &Entered<'_>) -> Result<()> {
    sheet.whole(private::LEDGER_ENTRY, entered.entry);
    sheet.instant(private::LEDGER_TIME, &Moment::of(entered.time_us)?);
    sheet.text(private::LEDGER_AUTHOR, entered.author);
    Ok(())
}

/// Metres as millimetres.
fn mm(metres: f64) -> f64 {
    // To a picometre: what a product by a thousand adds is below it.
    (metres * 1e12).round() / 1e9
}

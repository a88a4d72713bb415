//! `equipment`: probes, reference bars, electronics; their calibration, and what is used where.

use std::fmt::Write as _;

use barwright_job::rules::Ended;
use barwright_ledger::{
    Equipment, Ledger, LedgerError, Record,
    expiry::Expiry,
    record::{Calibration, EquipmentFacts, MountFacts},
};
use clap::Subcommand;
use jiff::civil::Date;
use serde::Serialize;

use super::{ledger::entry_text, register};
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps::line_of;

/// Keep equipment: calibrations, and what is in use on the line.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Put a piece on record with its calibration, or change it. The latest entry of a serial number
    /// counts.
    Add {
        /// Serial number or mark.
        serial: String,
        /// What it is: probe, electronics, reference bar, thermometer.
        #[arg(long)]
        what: String,
        /// Last day of the calibration.
        #[arg(long, value_name = "DATE")]
        calibrated_until: Option<Date>,
        /// Number of the certificate.
        #[arg(long, value_name = "N", requires = "calibrated_until")]
        certificate: Option<String>,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
    /// Put a piece to use on the line of the station. It leaves the place where it was.
    Mount {
        /// Serial number or mark.
        serial: String,
        /// Where: a probe's number in the station, or a word.
        #[arg(long)]
        place: String,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
    /// Take a piece off the line.
    Dismount {
        /// Serial number or mark.
        serial: String,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
    /// List equipment, where it is used, and what is no longer calibrated: exit status 1 then.
    List,
}

#[derive(Serialize)]
struct Listed {
    equipment: Vec<Listing>,
    findings: Vec<Expiry>,
    uncounted: Vec<i64>,
}

#[derive(Serialize)]
struct Listing {
    entry: Option<i64>,
    equipment: String,
    what: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    calibration: Option<Calibration>,
    #[serde(skip_serializing_if = "Option::is_none")]
    line: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<String>,
}

/// Does what was asked.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let (record, author) = match &args.action {
        Action::List => return list(bench),
        Action::Add { serial, what, calibrated_until, certificate, author } => {
            for (name, text) in [("serial number", serial), ("--what", what)] {
                if text.trim().is_empty() || text.chars().any(char::is_control) {
                    return Err(Failure::new(format!("{text:?} cannot be a {name}")));
                }
            }
            let calibration = calibrated_until.map(|until| Calibration {
                certificate: certificate.clone().unwrap_or_default(),
                until,
            });
            let facts =
                EquipmentFacts { equipment: serial.clone(), what: what.clone(), calibration };
            (Record::equipment(facts), author)
        }
        Action::Mount { serial, place, author } => {
            let (equipment, at) = read(bench)?;
            let Some(piece) = equipment.piece(serial, at) else {
                return Err(Failure::new(format!("{serial} is on no record"))
                    .hint(Some("add it first: `barwright equipment add`".into())));
            };
            if let Some(expiry) = Expiry::of_equipment(piece, register::today()) {
                if bench.job.rules()?.calibration_ended() == Ended::Blocks {
                    return Err(register::blocked(&expiry));
                }
                bench.say(&format!("ATTENTION: {}", expiry.words()));
            }
            (mount(bench, serial, place, true)?, author)
        }
        Action::Dismount { serial, author } => {
            let (equipment, at) = read(bench)?;
            let station = bench.job.station()?;
            let line = line_of(&station);
            match equipment.place_of(serial, at) {
                Some((on, place)) if on == line => (mount(bench, serial, place, false)?, author),
                Some((on, place)) => {
                    return Err(Failure::new(format!(
                        "{serial} is in use on {on} at {place}, not on {line}"
                    )));
                }
                None => return Err(Failure::new(format!("{serial} is in use nowhere"))),
            }
        }
    };
    let entry = register::append(
        &register::open(&bench.job)?,
        &record,
        author,
        &register::Signing::default(),
    )?;
    bench.answer(&entry_text(&entry), &entry)?;
    Ok(Outcome::Good)
}

fn mount(bench: &Bench, serial: &str, place: &str, on: bool) -> Result<Record, Failure> {
    let facts = MountFacts { equipment: serial.to_owned(), place: place.to_owned(), on };
    Ok(Record::mount(facts, line_of(&bench.job.station()?))?)
}

/// The equipment of the job folder's ledger, and the number of its last entry.
fn read(bench: &Bench) -> Result<(Equipment, i64), Failure> {
    let ledger = match Ledger::open_to_read(&bench.job.ledger_home()) {
        Err(LedgerError::Absent { .. }) => return Ok((Equipment::default(), 0)),
        opened => opened?,
    };
    let entries = register::entries(&ledger)?;
    let people = barwright_ledger::People::of(&entries)?;
    Ok((Equipment::of(&entries, &people)?, entries.last().map_or(0, |entry| entry.seq)))
}

fn list(bench: &Bench) -> Result<Outcome, Failure> {
    let (equipment, at) = read(bench)?;
    let listed: Vec<Listing> = equipment
        .pieces(at)
        .map(|(entry, facts)| {
            let place = equipment.place_of(&facts.equipment, at);
            Listing {
                entry: Some(entry),
                equipment: facts.equipment.clone(),
                what: facts.what.clone(),
                calibration: facts.calibration.clone(),
                line: place.map(|(line, _)| line.to_owned()),
                place: place.map(|(_, place)| place.to_owned()),
            }
        })
        .collect();
    let listed = Listed {
        equipment: listed,
        findings: equipment.expired(register::today(), at),
        uncounted: equipment.uncounted().to_vec(),
    };
    bench.answer(&text(&listed), &listed)?;
    Ok(Outcome::good_if(listed.findings.is_empty() && listed.uncounted.is_empty()))
}

fn text(listed: &Listed) -> String {
    let mut out = String::new();
    for p in &listed.equipment {
        let until = p.calibration.as_ref().map_or_else(String::new, |c| {
            format!(", calibrated until {} {}", c.until, c.certificate).trim_end().to_owned()
        });
        let place = match (&p.line, &p.place) {
            (Some(line), Some(place)) => format!(", on {line} at {place}"),
            _ => String::new(),
        };
        let _ = writeln!(out, "{} {}{until}{place}", p.what, p.equipment);
    }
    for expiry in &listed.findings {
        let _ = writeln!(out, "ATTENTION: {}", expiry.words());
    }
    for seq in &listed.uncounted {
        let _ = writeln!(out, "DOES NOT COUNT: entry {seq}, whose author had no role for it");
    }
    if listed.equipment.is_empty() {
        out.push_str("no equipment is on record\n");
    }
    out
}

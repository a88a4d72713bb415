//! What the commands about people, keys and equipment share: the ledger, its registers, and entries
//! that count.

use barwright_job::{Rules, rules::Ended};
use barwright_ledger::{Entry, Equipment, Kind, Ledger, People, Record, expiry::Expiry};
use barwright_web::JobFolder;
pub use barwright_web::today;

use super::ledger::{entry_text, now_us, open_or_create};
use crate::bench::Bench;
use crate::failure::Failure;

/// The ledger of a job folder, made if there is none.
pub fn open(job: &JobFolder) -> Result<Ledger, Failure> {
    if job.ledger_path().exists() {
        return Ok(Ledger::open(job.ledger_path())?);
    }
    open_or_create(job, &job.station()?, now_us())
}

/// All entries.
pub fn entries(ledger: &Ledger) -> Result<Vec<Entry>, Failure> {
    Ok(ledger.entries(1, u32::MAX)?)
}

/// The people of a ledger, and the number of its last entry.
pub fn people(ledger: &Ledger) -> Result<(People, i64), Failure> {
    let entries = entries(ledger)?;
    Ok((People::of(&entries)?, entries.last().map_or(0, |entry| entry.seq)))
}

/// Adds an entry that counts: one whose author may write it, and that the register of people
/// takes.
pub fn append(ledger: &Ledger, record: &Record, author: &str) -> Result<Entry, Failure> {
    let (people, at) = people(ledger)?;
    people.may(author, record.kind(), at)?;
    people.admit(&record.facts)?;
    Ok(ledger.append(record, author, now_us())?)
}

/// Demands that an author may write these records, and tells of certifications and calibrations that
/// do not hold, or refuses where the acceptance rules say that they block.
pub fn demand(
    bench: &Bench,
    ledger: &Ledger,
    records: &[Record],
    author: &str,
) -> Result<(), Failure> {
    let entries = entries(ledger)?;
    let people = People::of(&entries)?;
    let at = entries.last().map_or(0, |entry| entry.seq);
    for record in records {
        people.may(author, record.kind(), at)?;
    }
    let kinds = [Kind::Level, Kind::Check, Kind::BarScreened];
    let on_line = records.iter().find(|record| kinds.contains(&record.kind()));
    let judged = records.iter().any(|record| record.kind() == Kind::Judgement);
    let mut found = Vec::new();
    if on_line.is_some() || judged {
        let person = people.person(author, at).and_then(|f| Expiry::of_person(f, today()));
        found.extend(person.map(|e| (e, Rules::certification_ended as fn(&Rules) -> Ended)));
    }
    if let Some(record) = on_line {
        let equipment = Equipment::of(&entries, &people)?;
        let ended = equipment.expired_on_line(&record.line, today(), at);
        found.extend(
            ended.into_iter().map(|e| (e, Rules::calibration_ended as fn(&Rules) -> Ended)),
        );
    }
    for (expiry, ended) in found {
        if ended(&bench.job.rules()?) == Ended::Blocks {
            return Err(blocked(&expiry));
        }
        bench.say(&format!("ATTENTION: {}", expiry.words()));
    }
    Ok(())
}

/// Something that does not hold, where the acceptance rules block.
pub fn blocked(expiry: &Expiry) -> Failure {
    Failure::new(format!("{}, and the acceptance rules block what rests on it", expiry.words()))
        .hint(Some("have it renewed, and enter the new certificate".into()))
}

/// Entries, a line each.
pub fn texts(entries: &[Entry]) -> String {
    entries.iter().map(entry_text).collect()
}

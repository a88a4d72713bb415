//! What the commands about people, keys and equipment share: the ledger, its registers, and entries
//! that count.

use std::path::PathBuf;

use barwright_job::{Rules, rules::Ended};
use barwright_ledger::{
    Entry, Equipment, Kind, Ledger, LedgerError, People, Record, SigningKey, expiry::Expiry,
    rights::needs_signature,
};
pub use barwright_web::today;
use barwright_web::{JobFolder, files};

use super::ledger::{entry_text, now_us, open_or_create};
use super::secrets;
use crate::bench::Bench;
use crate::failure::Failure;

/// The ledger of a job folder, made if there is none.
pub fn open(job: &JobFolder) -> Result<Ledger, Failure> {
    let home = job.ledger_home();
    match Ledger::open_at(&home) {
        Err(LedgerError::Absent { .. }) => open_or_create(job, &job.station()?, now_us()),
        opened => Ok(opened?),
    }
}

/// All entries that the registers are made of.
pub fn entries(ledger: &Ledger) -> Result<Vec<Entry>, Failure> {
    Ok(ledger.by_kinds(&[
        Kind::Person,
        Kind::Key,
        Kind::Correction,
        Kind::Equipment,
        Kind::Mount,
        Kind::Approval,
    ])?)
}

/// The people of a ledger, and the number of its last entry.
pub fn people(ledger: &Ledger) -> Result<(People, i64), Failure> {
    let entries = entries(ledger)?;
    let at = entries.last().map_or(0, |entry| entry.seq);
    Ok((People::of(&entries)?, at))
}

/// Adds an entry that counts: one whose author may write it, that the register of people takes, and
/// that is signed where it must be.
pub fn append(
    ledger: &Ledger,
    record: &Record,
    author: &str,
    signing: &Signing,
) -> Result<Entry, Failure> {
    let key = signing.key(ledger, std::slice::from_ref(record), author)?;
    Ok(ledger.append_signed(record, author, now_us(), key.as_ref())?)
}

/// The key that signs what must be signed, where the ledger keeps keys.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Signing {
    /// Key file of the author, where the entry must be signed.
    #[arg(id = "signing_key", long = "key", value_name = "FILE")]
    file: Option<PathBuf>,
    /// Environment variable that holds the key's passphrase; else it is asked for.
    #[arg(long, value_name = "VARIABLE")]
    key_passphrase_env: Option<String>,
}

impl Signing {
    /// The key, opened; none where these records need none.
    ///
    /// # Errors
    /// Where they need one and none was named, or it does not open.
    pub fn key(
        &self,
        ledger: &Ledger,
        records: &[Record],
        author: &str,
    ) -> Result<Option<SigningKey>, Failure> {
        let (people, at) = people(ledger)?;
        let needs = records.iter().find(|r| needs_signature(&r.facts));
        let Some(record) = needs.filter(|_| people.are_keyed(at)) else {
            return Ok(None);
        };
        let Some(file) = &self.file else {
            let author = author.to_owned();
            return Err(LedgerError::Unsigned { kind: record.kind(), author }.into());
        };
        let text = files::read_text(file)?;
        let passphrase = secrets::passphrase(self.key_passphrase_env.as_deref(), author)?;
        Ok(Some(SigningKey::from_file_text(&file.display().to_string(), &text, &passphrase)?))
    }
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
        people.may_state(author, &record.facts, at)?;
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

/// Demands that `author` may change who has access, and that `person` is on record where people are kept. `who`: whom to
/// add else, in words.
pub fn demand_access(
    ledger: &Ledger,
    author: &str,
    person: &str,
    who: &str,
) -> Result<(), Failure> {
    let (people, at) = people(ledger)?;
    people.may(author, Kind::Access, at)?;
    if people.are_kept(at) && people.person(person, at).is_none() {
        return Err(Failure::new(format!("{person} is not on record"))
            .hint(Some(format!("add {who} with a role first: `barwright people add`"))));
    }
    Ok(())
}

//! `keys`: the signing keys of people.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use barwright_ledger::{
    Kind, Ledger, People, Record, SigningKey,
    keys::file::says,
    people::{Key, KeyEnd},
    record::{KeyEvent, KeyFacts},
};
use barwright_web::files;
use clap::Subcommand;
use serde::Serialize;

use super::{ledger::now_us, register, secrets};
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Make, replace and revoke the signing keys of people.
///
/// The private key stays in a file of its person, encrypted with a passphrase; the ledger keeps the
/// public one. A passphrase is asked for at the terminal, or comes from standard input or a variable.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Make a key for a person and enter it.
    Make(New),
    /// Make a key that takes the place of the person's key: the old one signs no more.
    Replace {
        #[command(flatten)]
        new: New,
        /// The key to replace, where the person has several.
        #[arg(long, value_name = "KEY")]
        old: Option<String>,
    },
    /// Revoke a key: it signs no more. What it signed before stays signed.
    Revoke {
        /// Name of the key.
        key: String,
        /// Why: lost, stolen, the person left.
        #[arg(long)]
        reason: String,
        /// Who enters it.
        #[arg(long)]
        author: String,
        #[command(flatten)]
        signing: register::Signing,
    },
    /// Open a key's file with its passphrase, and say whose it is and whether it signs. Exit status
    /// 1 if it does not.
    Check {
        /// The file.
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Environment variable that holds the passphrase.
        #[arg(long, value_name = "VARIABLE")]
        passphrase_env: Option<String>,
    },
    /// List all keys, also those that sign no more.
    List,
}

#[derive(Debug, clap::Args)]
struct New {
    /// Whose it is.
    name: String,
    /// File for the private key; must not exist.
    #[arg(long, value_name = "FILE")]
    file: PathBuf,
    /// Environment variable that holds the passphrase.
    #[arg(long, value_name = "VARIABLE")]
    passphrase_env: Option<String>,
    /// Who enters it; the person if absent.
    #[arg(long)]
    author: Option<String>,
    #[command(flatten)]
    signing: register::Signing,
}

#[derive(Serialize)]
struct Listing<'a> {
    key: &'a str,
    person: &'a str,
    public: String,
    from: i64,
    signs: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    until: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

/// Does what was asked.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    match &args.action {
        Action::Make(new) => make(bench, new, |_, _| Ok(KeyEvent::Made)),
        Action::Replace { new, old } => make(bench, new, |people, at| {
            only_key(people, at, &new.name, old.as_deref()).map(KeyEvent::Replaces)
        }),
        Action::Revoke { key, reason, author, signing } => {
            let ledger = register::open(&bench.job)?;
            let (people, _) = register::people(&ledger)?;
            let Some(known) = people.key(key) else {
                return Err(Failure::new(format!("there is no key {key}"))
                    .hint(Some("`barwright keys list` shows them".into())));
            };
            let record = Record::key(KeyFacts {
                key: key.clone(),
                person: known.person.clone(),
                public: known.public.to_hex(),
                event: KeyEvent::Revoked(reason.clone()),
            });
            let entry = register::append(&ledger, &record, author, signing)?;
            bench.answer(&format!("key {key} of {} signs no more", known.person), &entry)?;
            Ok(Outcome::Good)
        }
        Action::Check { file, passphrase_env } => check(bench, file, passphrase_env.as_deref()),
        Action::List => {
            let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
            let (people, at) = register::people(&ledger)?;
            let listed: Vec<Listing<'_>> =
                people.keys().map(|(name, key)| listing(&people, name, key, at)).collect();
            bench.answer(&text(&listed), &listed)?;
            Ok(Outcome::Good)
        }
    }
}

/// What a checked file says.
#[derive(Serialize)]
struct Checked {
    key: String,
    person: String,
    signs: bool,
}

fn check(bench: &Bench, file: &Path, variable: Option<&str>) -> Result<Outcome, Failure> {
    let (text, name) = (files::read_text(file)?, file.display().to_string());
    let (person, _) = says(&name, &text)?;
    let key = SigningKey::from_file_text(&name, &text, &secrets::passphrase(variable, &person)?)?;
    let ledger = Ledger::open_read_only(bench.job.ledger_path())?;
    let (people, at) = register::people(&ledger)?;
    let checked = Checked {
        signs: people.signer(&key.id(), at) == Some(key.person()),
        key: key.id(),
        person,
    };
    let state = if checked.signs { "signs" } else { "does not sign" };
    bench.answer(&format!("key {} of {} {state} here", checked.key, checked.person), &checked)?;
    Ok(Outcome::good_if(checked.signs))
}

/// The key that a person has, or the one named.
fn only_key(people: &People, at: i64, name: &str, old: Option<&str>) -> Result<String, Failure> {
    let live: Vec<&str> = people
        .keys()
        .map(|(key, _)| key)
        .filter(|key| people.signer(key, at) == Some(name))
        .filter(|key| old.is_none_or(|old| old == *key))
        .collect();
    match (live.as_slice(), old) {
        ([one], _) => Ok((*one).to_owned()),
        ([], None) => Err(Failure::new(format!("{name} has no key that signs"))
            .hint(Some("make one with `barwright keys make`".into()))),
        (_, Some(old)) => Err(Failure::new(format!("{name} has no key {old} that signs"))),
        (several, None) => Err(Failure::new(format!("{name} has {} keys", several.len()))
            .hint(Some(format!("name one with --old: {}", several.join(", "))))),
    }
}

fn make(
    bench: &Bench,
    new: &New,
    event: impl FnOnce(&People, i64) -> Result<KeyEvent, Failure>,
) -> Result<Outcome, Failure> {
    demand_absent(&new.file)?;
    let author = new.author.as_deref().unwrap_or(&new.name);
    let ledger = register::open(&bench.job)?;
    // All that can be refused is, before somebody thinks of a passphrase.
    let (people, at) = register::people(&ledger)?;
    people.may(author, Kind::Key, at)?;
    let key = SigningKey::make(&new.name)?;
    let facts = KeyFacts {
        key: key.id(),
        person: new.name.clone(),
        public: key.public(),
        event: event(&people, at)?,
    };
    let record = Record::key(facts);
    people.admit(&record.facts)?;
    let signer = new.signing.key(&ledger, std::slice::from_ref(&record), author)?;
    let passphrase = secrets::new_passphrase(new.passphrase_env.as_deref(), &new.name)?;
    let text = key.to_file_text(&passphrase)?;
    demand_absent(&new.file)?;
    // The file first: an entry about a key that nobody has would be worth nothing.
    files::write(&new.file, text.as_bytes())?;
    let entry = ledger.append_signed(&record, author, now_us(), signer.as_ref())?;
    bench.say(&format!("wrote {}", new.file.display()));
    bench.answer(&format!("key {} of {} (entry {})", key.id(), new.name, entry.seq), &entry)?;
    Ok(Outcome::Good)
}

/// A private key that is overwritten is lost.
fn demand_absent(file: &Path) -> Result<(), Failure> {
    if file.exists() {
        return Err(Failure::new(format!("{}: there is already a file", file.display()))
            .hint(Some("choose another path; a key is never overwritten".into())));
    }
    Ok(())
}

fn listing<'a>(people: &People, name: &'a str, key: &'a Key, at: i64) -> Listing<'a> {
    let why = key.end.as_ref().map(|(_, why)| match why {
        KeyEnd::Replaced(by) => format!("replaced by {by}"),
        KeyEnd::Revoked(reason) => format!("revoked: {reason}"),
        KeyEnd::Withdrawn => "its entry was withdrawn".to_owned(),
    });
    Listing {
        key: name,
        person: &key.person,
        public: key.public.to_hex(),
        from: key.from,
        signs: people.signer(name, at).is_some(),
        until: key.end.as_ref().map(|(seq, _)| *seq),
        why,
    }
}

fn text(listed: &[Listing<'_>]) -> String {
    let mut out = String::new();
    for l in listed {
        let state = match (&l.why, l.until) {
            (Some(why), Some(until)) => format!("signs no more since entry {until}: {why}"),
            _ if l.signs => "signs".to_owned(),
            _ => "does not sign: its person has no role".to_owned(),
        };
        let _ = writeln!(out, "{}  {}, from entry {}, {state}", l.key, l.person, l.from);
    }
    if listed.is_empty() {
        out.push_str("no key yet\n");
    }
    out
}

//! `people`: who is who, in which role, and who can sign in to the pages.

use std::fmt::Write as _;

use barwright_ledger::{
    Ledger, LedgerError, People, Record,
    expiry::Expiry,
    record::{AccessChange, PersonFacts, Role},
};
use barwright_web::Accounts;
use clap::{Subcommand, ValueEnum};
use jiff::civil::Date;
use serde::Serialize;

use super::{
    register::{self, Signing},
    secrets,
};
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Keep people: their roles, their certification, and who can sign in to the pages.
///
/// Roles stand in the ledger and say who may write what (docs/people.md). Without anybody on
/// record roles are not kept. The first person must be quality or level 3.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Put a person on record with roles and certification, or change them. The latest entry of a
    /// name counts.
    Add {
        /// Short name, as entries carry it.
        name: String,
        /// Role; may be repeated.
        #[arg(long = "role", value_enum, required_unless_present = "left")]
        roles: Vec<RoleWord>,
        /// The person left: no role from here on, and the account is closed.
        #[arg(long, conflicts_with_all = ["roles", "certified_until"])]
        left: bool,
        /// Last day of the certification.
        #[arg(long, value_name = "DATE")]
        certified_until: Option<Date>,
        /// Number of the certificate.
        #[arg(long, value_name = "N", requires = "certified_until")]
        certificate: Option<String>,
        /// Who enters it.
        #[arg(long)]
        author: String,
        #[command(flatten)]
        signing: register::Signing,
    },
    /// List people, their roles, certifications and whether they can sign in. Exit status 1 if a
    /// certification ended or is missing, or an entry does not count.
    List,
    /// Set the password of a person, at a prompt or from standard input. Ends their sessions.
    Password {
        /// Short name.
        name: String,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
    /// Close the account of a person. Ends their sessions.
    Close {
        /// Short name.
        name: String,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
}

/// A role, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum RoleWord {
    /// Runs a line: levels, checks, screens.
    Inspector,
    /// Also judges and decides.
    Level2,
    /// Also approves techniques.
    Level3,
    /// Orders retests, corrects, ships, keeps people and equipment.
    Quality,
    /// Reads everything, changes nothing.
    Auditor,
}

impl From<RoleWord> for Role {
    fn from(word: RoleWord) -> Self {
        match word {
            RoleWord::Inspector => Self::Inspector,
            RoleWord::Level2 => Self::Level2,
            RoleWord::Level3 => Self::Level3,
            RoleWord::Quality => Self::Quality,
            RoleWord::Auditor => Self::Auditor,
        }
    }
}

/// What a list says.
#[derive(Serialize)]
struct Listed {
    roles_are_kept: bool,
    people: Vec<Listing>,
    findings: Vec<Expiry>,
    uncounted: Vec<String>,
}

#[derive(Serialize)]
struct Listing {
    entry: Option<i64>,
    person: String,
    roles: Vec<Role>,
    #[serde(skip_serializing_if = "Option::is_none")]
    certified_until: Option<Date>,
    #[serde(skip_serializing_if = "String::is_empty")]
    certificate: String,
    can_sign_in: bool,
}

/// Does what was asked.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = &bench.job;
    match &args.action {
        Action::Add { name, roles, left, certified_until, certificate, author, signing } => {
            let mut given: Vec<Role> = roles.iter().copied().map(Role::from).collect();
            given.sort();
            given.dedup();
            let record = Record::person(PersonFacts {
                person: name.clone(),
                roles: given,
                certified_until: *certified_until,
                certificate: certificate.clone().unwrap_or_default(),
            });
            let ledger = register::open(job)?;
            let mut entries = vec![register::append(&ledger, &record, author, signing)?];
            let accounts = Accounts::read(job)?;
            if *left && accounts.mark(name).is_some() {
                entries.push(close(bench, &ledger, accounts, name, author)?);
            }
            bench.answer(&register::texts(&entries), &entries)?;
            Ok(Outcome::Good)
        }
        Action::List => list(bench),
        Action::Password { name, author } => {
            let ledger = register::open(job)?;
            register::demand_access(&ledger, author, name, "the person")?;
            let mut accounts = Accounts::read(job)?;
            let password = secrets::new_secret("password", name)?;
            let change = accounts.set_password(name, &password)?;
            let entry = register::append(
                &ledger,
                &Record::access(name, change),
                author,
                &Signing::default(),
            )?;
            accounts.write(job)?;
            bench.answer(
                &match change {
                    AccessChange::Opened => format!("{name} can sign in (entry {})", entry.seq),
                    _ => format!("{name} has a new password (entry {})", entry.seq),
                },
                &entry,
            )?;
            Ok(Outcome::Good)
        }
        Action::Close { name, author } => {
            let ledger = register::open(job)?;
            let entry = close(bench, &ledger, Accounts::read(job)?, name, author)?;
            bench.answer(&format!("{name} can no longer sign in (entry {})", entry.seq), &entry)?;
            Ok(Outcome::Good)
        }
    }
}

fn close(
    bench: &Bench,
    ledger: &Ledger,
    mut accounts: Accounts,
    name: &str,
    author: &str,
) -> Result<barwright_ledger::Entry, Failure> {
    let change = accounts.close(name)?;
    let entry =
        register::append(ledger, &Record::access(name, change), author, &Signing::default())?;
    accounts.write(&bench.job)?;
    Ok(entry)
}

fn list(bench: &Bench) -> Result<Outcome, Failure> {
    let accounts = Accounts::read(&bench.job)?;
    let (people, at) = match Ledger::open_to_read(&bench.job.ledger_home()) {
        Err(LedgerError::Absent { .. }) => (People::default(), 0),
        opened => register::people(&opened?)?,
    };
    let can_sign_in = |name: &str| accounts.mark(name).is_some();
    let mut listed: Vec<Listing> = people
        .persons(at)
        .map(|(entry, facts)| Listing {
            entry: Some(entry),
            person: facts.person.clone(),
            roles: facts.roles.clone(),
            certified_until: facts.certified_until,
            certificate: facts.certificate.clone(),
            can_sign_in: can_sign_in(&facts.person),
        })
        .collect();
    for name in accounts.open().filter(|name| people.person(name, at).is_none()) {
        listed.push(Listing {
            entry: None,
            person: name.to_owned(),
            roles: Vec::new(),
            certified_until: None,
            certificate: String::new(),
            can_sign_in: true,
        });
    }
    let listed = Listed {
        roles_are_kept: people.are_kept(at),
        people: listed,
        findings: people.expired(register::today(), at),
        uncounted: people
            .uncounted()
            .iter()
            .map(|u| format!("entry {}: {}", u.seq, u.why))
            .collect(),
    };
    bench.answer(&text(&listed), &listed)?;
    Ok(Outcome::good_if(listed.findings.is_empty() && listed.uncounted.is_empty()))
}

fn text(listed: &Listed) -> String {
    let mut out = String::new();
    if !listed.roles_are_kept {
        out.push_str("roles are not kept here: everybody may write everything\n");
    }
    for p in &listed.people {
        let roles: Vec<&str> = p.roles.iter().map(|role| role.words()).collect();
        let roles = if roles.is_empty() { "no role".to_owned() } else { roles.join(", ") };
        let until = p.certified_until.map_or_else(String::new, |day| {
            let number = if p.certificate.is_empty() { "" } else { &p.certificate };
            format!(", certified until {day} {number}").trim_end().to_owned()
        });
        let sign_in = if p.can_sign_in { ", can sign in" } else { "" };
        let _ = writeln!(out, "{}: {roles}{until}{sign_in}", p.person);
    }
    for expiry in &listed.findings {
        let _ = writeln!(out, "ATTENTION: {}", expiry.words());
    }
    for words in &listed.uncounted {
        let _ = writeln!(out, "DOES NOT COUNT: {words}");
    }
    if listed.people.is_empty() {
        out.push_str("nobody is on record\n");
    }
    out
}

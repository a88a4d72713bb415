//! `tokens`: what other programs of the plant show to the interface.

use std::fmt::Write as _;

use barwright_job::Hash;
use barwright_ledger::{Kind, Record, record::AccessChange};
use barwright_web::plant::tokens::{Scope, Token, TokenError, Tokens};
use clap::{Subcommand, ValueEnum};
use jiff::civil::Date;
use serde::Serialize;

use super::register::{self, Signing};
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Keep the tokens that plant systems show to the interface (docs/handbook/interface.md).
///
/// Each stands for a person on record, in whose name its entries are written; what it may do is
/// what its scopes and the roles of that person allow. The service takes changes up at once.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Make a token. It is printed once and kept nowhere: put it where the other program reads it.
    Make {
        /// Name of the token: letters, digits, points, hyphens.
        name: String,
        /// Who answers for it.
        #[arg(long = "for", value_name = "PERSON")]
        person: String,
        /// What it may do; may be repeated.
        #[arg(long = "scope", value_enum, required = true)]
        scopes: Vec<ScopeWord>,
        /// Last day that it holds, UTC.
        #[arg(long, value_name = "DATE")]
        until: Date,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
    /// List tokens, for whom they stand and until when. Exit status 1 if one has run out.
    List,
    /// End a token, at once.
    End {
        /// Its name.
        name: String,
        /// Who enters it.
        #[arg(long)]
        author: String,
    },
}

/// A scope, as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum ScopeWord {
    /// Read status, order, bars and holds.
    Read,
    /// Write the order.
    Order,
    /// Fetch papers.
    Papers,
}

impl From<ScopeWord> for Scope {
    fn from(word: ScopeWord) -> Self {
        match word {
            ScopeWord::Read => Self::Read,
            ScopeWord::Order => Self::Order,
            ScopeWord::Papers => Self::Papers,
        }
    }
}

#[derive(Serialize)]
struct Made<'a> {
    name: &'a str,
    token: &'a str,
    entry: i64,
}

#[derive(Serialize)]
struct Listing {
    name: String,
    person: String,
    scopes: Vec<Scope>,
    until: Date,
    /// Whether its last day is past.
    run_out: bool,
}

#[derive(Serialize)]
struct Ended<'a> {
    name: &'a str,
    person: String,
    hash: Hash,
    entry: i64,
}

fn failure(e: &TokenError) -> Failure {
    Failure::because(e).hint(e.hint().map(str::to_owned))
}

/// Does what was asked.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = &bench.job;
    match &args.action {
        Action::Make { name, person, scopes, until, author } => {
            let ledger = register::open(job)?;
            register::demand_access(&ledger, author, person, "the person, or the program as one,")?;
            let mut tokens = Tokens::read(job)?;
            let scopes: Vec<Scope> = scopes.iter().copied().map(Scope::from).collect();
            let made = tokens.make(name, person, &scopes, (register::today(), *until));
            let token = made.map_err(|e| failure(&e))?;
            let record = Record::access(person, AccessChange::TokenMade);
            let entry = register::append(&ledger, &record, author, &Signing::default())?;
            tokens.write(job)?;
            bench.say(&format!(
                "token {name} for {person}, until {until} (entry {}); it is shown this once:",
                entry.seq
            ));
            bench.answer(&token, &Made { name, token: &token, entry: entry.seq })?;
            Ok(Outcome::Good)
        }
        Action::List => {
            let today = register::today();
            let tokens = Tokens::read(job)?;
            let listing = |(name, token): (&str, &Token)| Listing {
                name: name.to_owned(),
                person: token.person.clone(),
                scopes: token.scopes.clone(),
                until: token.until,
                run_out: token.until < today,
            };
            let listed: Vec<Listing> = tokens.list().map(listing).collect();
            bench.answer(&text(&listed), &listed)?;
            Ok(Outcome::good_if(listed.iter().all(|token| !token.run_out)))
        }
        Action::End { name, author } => {
            let ledger = register::open(job)?;
            let (people, at) = register::people(&ledger)?;
            people.may(author, Kind::Access, at)?;
            let mut tokens = Tokens::read(job)?;
            let Token { person, hash, .. } = tokens.end(name).map_err(|e| failure(&e))?;
            let record = Record::access(&person, AccessChange::TokenEnded);
            let entry = register::append(&ledger, &record, author, &Signing::default())?;
            tokens.write(job)?;
            let seq = entry.seq;
            let told = Ended { name, person, hash, entry: seq };
            bench.answer(&format!("token {name} has ended (entry {seq})"), &told)?;
            Ok(Outcome::Good)
        }
    }
}

fn text(listed: &[Listing]) -> String {
    if listed.is_empty() {
        return "there is no token".to_owned();
    }
    let mut out = String::new();
    for t in listed {
        let scopes: Vec<&str> = t.scopes.iter().map(|scope| scope.word()).collect();
        let run_out = if t.run_out { ", RUN OUT" } else { "" };
        let scopes = scopes.join(", ");
        let _ = writeln!(out, "{}: for {}, {scopes}, until {}{run_out}", t.name, t.person, t.until);
    }
    out
}

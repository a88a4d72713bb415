//! Passwords and passphrases: asked for without an echo at a terminal, else read from standard
//! input or an environment variable. Never from the command line, where others see them.

use std::io::{BufRead as _, IsTerminal as _};

use barwright_ledger::secret;
use zeroize::Zeroizing;

use crate::failure::Failure;

/// A new secret of a person: asked for twice at a terminal, else the next line of standard input.
pub fn new_secret(what: &str, person: &str) -> Result<Zeroizing<String>, Failure> {
    if !std::io::stdin().is_terminal() {
        return line(what);
    }
    let first =
        prompt(&format!("new {what} of {person}, {} characters or more: ", secret::SHORTEST))?;
    secret::demand_good(&first, &[person])?;
    let second = prompt("the same again: ")?;
    if *first == *second { Ok(first) } else { Err(Failure::new("the two are not the same")) }
}

/// The passphrase of a key: from an environment variable where one is named, else asked for at a
/// terminal, else the next line of standard input.
pub fn passphrase(variable: Option<&str>, person: &str) -> Result<Zeroizing<String>, Failure> {
    match variable {
        Some(name) => from_variable(name),
        None if std::io::stdin().is_terminal() => {
            prompt(&format!("passphrase of {person}'s key: "))
        }
        None => line("passphrase"),
    }
}

/// A new passphrase, likewise; asked for twice at a terminal.
pub fn new_passphrase(variable: Option<&str>, person: &str) -> Result<Zeroizing<String>, Failure> {
    match variable {
        Some(name) => from_variable(name),
        None => new_secret("passphrase", person),
    }
}

fn from_variable(name: &str) -> Result<Zeroizing<String>, Failure> {
    match std::env::var(name) {
        Ok(text) if !text.is_empty() => Ok(Zeroizing::new(text)),
        _ => Err(Failure::new(format!("the environment variable {name} holds no passphrase"))),
    }
}

fn prompt(words: &str) -> Result<Zeroizing<String>, Failure> {
    rpassword::prompt_password(words).map(Zeroizing::new).map_err(|e| Failure::because(&e))
}

fn line(what: &str) -> Result<Zeroizing<String>, Failure> {
    // Room for the longest: a buffer that grows leaves copies behind.
    let mut text = Zeroizing::new(String::with_capacity(2 * secret::LONGEST_BYTES));
    std::io::stdin().lock().read_line(&mut text).map_err(|e| Failure::because(&e))?;
    let end = text.trim_end_matches(['\r', '\n']).len();
    text.truncate(end);
    if text.is_empty() {
        return Err(Failure::new(format!("standard input holds no {what}")));
    }
    Ok(text)
}

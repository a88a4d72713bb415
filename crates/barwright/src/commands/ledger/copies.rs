//! Copies of the ledger: elsewhere, as an open text, as a backup, out of a damaged file.

use std::fs::File;
use std::io::{BufRead as _, BufReader, BufWriter, Write as _};
use std::path::Path;

use barwright_ledger::{Ledger, LedgerError, Verification, store::Home};

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

fn told(bench: &Bench, found: &Verification, what: &str) -> Result<Outcome, Failure> {
    bench.answer(&format!("{what}: {} entries, proved\n{}", found.entries, found.head), found)?;
    Ok(Outcome::Good)
}

/// Copies the ledger to where there is none.
pub fn copy(bench: &Bench, to: &str) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let found = ledger.copy_to(&Home::of(to))?;
    told(bench, &found, "copied")
}

/// Makes a backup while others go on writing.
pub fn back_up(bench: &Bench, file: &Path) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let found = ledger.back_up(file)?;
    told(bench, &found, "backed up")
}

/// Puts a backup where the ledger was.
pub fn restore(bench: &Bench, file: &Path) -> Result<Outcome, Failure> {
    let home = bench.job.ledger_home();
    let found = Ledger::open_read_only(file)?.copy_to(&home).map_err(|e| match e {
        LedgerError::Exists { .. } => Failure::because(&e).hint(Some(
            "a ledger is never overwritten: move it aside first, with the files beside it".into(),
        )),
        e => e.into(),
    })?;
    told(bench, &found, "restored")
}

/// Writes the ledger as an open text: a new file, whole or not at all.
pub fn export(bench: &Bench, file: &Path) -> Result<Outcome, Failure> {
    let ledger = Ledger::open_to_read(&bench.job.ledger_home())?;
    let failed = |e: &std::io::Error| Failure::new(format!("{}: {e}", file.display()));
    let out = File::create_new(file).map_err(|e| failed(&e))?;
    let mut out = BufWriter::new(out);
    let written = ledger.write_text(|line| writeln!(out, "{line}"));
    let written = written.map_err(Failure::from).and_then(|head| {
        let out = out.into_inner().map_err(|e| failed(e.error()))?;
        out.sync_all().map_err(|e| failed(&e))?;
        Ok(head)
    });
    let head = written.inspect_err(|_| {
        // Only this call's own, unfinished file is cleared away.
        let _ = std::fs::remove_file(file);
    })?;
    bench.answer(&format!("wrote {} entries\n{head}", head.seq), &head)?;
    Ok(Outcome::Good)
}

/// Reads an open text to where there is no ledger.
pub fn import(bench: &Bench, file: &Path) -> Result<Outcome, Failure> {
    let input = File::open(file).map_err(|e| Failure::new(format!("{}: {e}", file.display())))?;
    let found = Ledger::read_text(&bench.job.ledger_home(), BufReader::new(input).lines())?;
    told(bench, &found, "read")
}

/// Saves what can be saved from a damaged file.
pub fn salvage(
    bench: &Bench,
    damaged: &Path,
    into: &Path,
    loose: Option<&Path>,
) -> Result<Outcome, Failure> {
    let found = Ledger::salvage(damaged, into)?;
    if let Some(loose) = loose.filter(|_| !found.loose.is_empty()) {
        let text = found.loose.join("\n") + "\n";
        barwright_web::files::write(loose, text.as_bytes())?;
    }
    let fault = match &found.first_fault {
        None => "nothing was wrong with its entries".to_owned(),
        Some(fault) => format!("entry {}: {}", fault.seq, fault.what),
    };
    let text = format!(
        "saved {} entries\n{}\n{fault}\n{} later entries can still be read; nothing vouches for them",
        found.kept,
        found.head,
        found.loose.len()
    );
    bench.answer(&text, &found)?;
    Ok(Outcome::good_if(found.first_fault.is_none()))
}

//! The program: a command line over all of Barwright.
//!
//! Exit status: 0 good, 1 needs attention (a check failed, a bar is held, a value lies outside its
//! tolerance), 2 could not do it. Data goes to standard output, talk to standard error.

mod bench;
mod campaign;
mod cli;
mod commands;
mod demo;
mod failure;
mod truth;
mod validate;
mod virtual_captures;

use std::process::ExitCode;

use clap::Parser as _;

/// Memory goes from thread to thread here, which the system's allocator is slow at: a ledger is
/// verified in a tenth less time.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    let cli = cli::Cli::parse();
    match cli.run() {
        Ok(outcome) => outcome.into(),
        Err(failure) => failure.report(),
    }
}

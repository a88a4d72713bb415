//! What every command shares: the job folder, and how it speaks.

use std::io::Write as _;
use std::time::Duration;

use barwright_web::{JobFolder, Turn};
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;

use crate::failure::Failure;

/// The place a command works in and its manner of speaking.
#[derive(Debug)]
pub struct Bench {
    /// The job folder.
    pub job: JobFolder,
    /// Print the answer as JSON.
    pub json: bool,
}

impl Bench {
    /// Prints the answer: `text` for people, or `data` as JSON with `--json`.
    ///
    /// # Errors
    /// When standard output cannot be written; a closed pipe is not an error.
    pub fn answer(&self, text: &str, data: &impl Serialize) -> Result<(), Failure> {
        let text = if self.json {
            serde_json::to_string_pretty(data).map_err(|e| Failure::because(&e))?
        } else {
            text.trim_end().to_owned()
        };
        match writeln!(std::io::stdout(), "{text}") {
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            other => other.map_err(|e| Failure::because(&e)),
        }
    }

    /// Waits for one's turn at changing documents of the job folder. Where the folder gives none, what is
    /// written there fails by itself.
    pub fn turn(&self) -> Option<Turn> {
        let waiting = || self.say("another program changes this job folder; waiting for its end");
        self.job.turn(waiting).ok()
    }

    /// Says something beside the answer, on standard error.
    pub fn say(&self, text: &str) {
        eprintln!("{text}");
    }

    /// A count of something without a known end; hidden where standard error is not a terminal.
    pub fn count(&self, what: &str) -> ProgressBar {
        let style = ProgressStyle::with_template("{msg:28} {pos} {elapsed}")
            .expect("the template is a constant");
        let bar = ProgressBar::no_length().with_style(style).with_message(what.to_owned());
        bar.enable_steady_tick(Duration::from_millis(200));
        bar
    }

    /// A bar that counts to `length`; hidden where standard error is not a terminal.
    pub fn progress(&self, what: &str, length: u64) -> ProgressBar {
        let style = ProgressStyle::with_template("{msg:28} [{bar:30}] {pos}/{len} {elapsed}")
            .expect("the template is a constant")
            .progress_chars("=> ");
        let bar = ProgressBar::new(length).with_style(style).with_message(what.to_owned());
        bar.enable_steady_tick(Duration::from_millis(200));
        bar
    }
}

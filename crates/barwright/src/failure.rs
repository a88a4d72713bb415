//! A command that could not do its work, shown once, with the cause, the place and the cure.

use std::fmt;
use std::process::ExitCode;

use barwright_job::DocumentError;
use barwright_web::{FileError, papers::PaperError, steps::StepError};
use miette::{Diagnostic, LabeledSpan, NamedSource, SourceCode};

/// What a command that could answer says of its answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// All is well.
    Good,
    /// The answer needs somebody's attention.
    Attention,
}

impl Outcome {
    /// Good if the condition holds.
    pub fn good_if(condition: bool) -> Self {
        if condition { Self::Good } else { Self::Attention }
    }
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Good => Self::SUCCESS,
            Outcome::Attention => Self::from(1),
        }
    }
}

/// Why a command could not do its work.
#[derive(Debug)]
pub struct Failure {
    message: String,
    hint: Option<String>,
    source_text: Option<NamedSource<String>>,
    label: Option<LabeledSpan>,
}

impl Failure {
    /// A failure in words.
    pub fn new(message: impl Into<String>) -> Self {
        Self { message: message.into(), hint: None, source_text: None, label: None }
    }

    /// That something cannot be called so, as the job folder has it; `what` as in "a look".
    pub fn no_name(name: &str, what: &str) -> Self {
        Self::new(format!("{name:?} is no name of {what}"))
            .hint(Some("1 to 64 letters, digits and hyphens".into()))
    }

    /// A failure with its chain of causes.
    pub fn because(error: &dyn std::error::Error) -> Self {
        let mut message = error.to_string();
        let mut cause = error.source();
        while let Some(inner) = cause {
            let text = inner.to_string();
            if !message.contains(&text) {
                message.push_str(": ");
                message.push_str(&text);
            }
            cause = inner.source();
        }
        Self::new(message)
    }

    /// The same failure with a cure.
    pub fn hint(mut self, hint: Option<String>) -> Self {
        self.hint = hint.or(self.hint);
        self
    }

    /// Shows the failure on standard error.
    pub fn report(self) -> ExitCode {
        // A reader that closed the pipe (`| head`) is not a fault of the command.
        eprintln!("{:?}", miette::Report::new(self));
        ExitCode::from(2)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Failure {}

impl Diagnostic for Failure {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        self.hint.as_ref().map(|h| Box::new(h) as Box<dyn fmt::Display>)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.source_text.as_ref().map(|s| s as &dyn SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        self.label.clone().map(|l| Box::new(std::iter::once(l)) as Box<dyn Iterator<Item = _>>)
    }
}

impl From<FileError> for Failure {
    fn from(error: FileError) -> Self {
        let hint = error.hint();
        let mut failure = Self::because(&error).hint(hint);
        if let FileError::Document {
            source: DocumentError::Malformed { document, line, column, message, .. },
            text,
        } = error
        {
            let before: usize = text.split_inclusive('\n').take(line - 1).map(str::len).sum();
            let offset =
                before + text[before..].chars().take(column - 1).map(char::len_utf8).sum::<usize>();
            failure.label = Some(LabeledSpan::new(Some(message), offset, 1));
            failure.source_text = Some(NamedSource::new(document, text));
        }
        failure
    }
}

/// Library errors that carry their own hint.
macro_rules! hinted {
    ($($error:ty),* $(,)?) => {$(
        impl From<$error> for Failure {
            fn from(error: $error) -> Self {
                let hint = error.hint();
                Self::because(&error).hint(hint)
            }
        }
    )*};
}

hinted!(
    DocumentError,
    barwright_capture::CaptureError,
    barwright_evaluate::EvaluateError,
    barwright_ledger::keys::file::KeyFileError,
    barwright_plan::PlanError,
    barwright_report::ReportError,
    barwright_twin::TwinError,
);
impl From<barwright_wave::WaveError> for Failure {
    fn from(error: barwright_wave::WaveError) -> Self {
        Self::because(&error)
    }
}

impl From<barwright_web::ServeError> for Failure {
    fn from(error: barwright_web::ServeError) -> Self {
        let hint = error.hint();
        Self::because(&error).hint(hint)
    }
}

impl From<StepError> for Failure {
    fn from(error: StepError) -> Self {
        let hint = error.hint();
        match error {
            // The line of the file is shown with it.
            StepError::File(e) => Self::from(e),
            other => Self::because(&other),
        }
        .hint(hint)
    }
}

impl From<PaperError> for Failure {
    fn from(error: PaperError) -> Self {
        let hint = error.hint();
        match error {
            PaperError::File(e) => Self::from(e),
            other => Self::because(&other),
        }
        .hint(hint)
    }
}

impl From<barwright_web::receive::ReceiveError> for Failure {
    fn from(error: barwright_web::receive::ReceiveError) -> Self {
        let hint = error.hint();
        Self::because(&error).hint(hint)
    }
}

impl From<barwright_web::receive::MessageError> for Failure {
    fn from(error: barwright_web::receive::MessageError) -> Self {
        let hint = error.hint();
        Self::because(&error).hint(hint)
    }
}

/// The same, for hints that are constants.
macro_rules! plainly_hinted {
    ($($error:ty),* $(,)?) => {$(
        impl From<$error> for Failure {
            fn from(error: $error) -> Self {
                let hint = error.hint().map(str::to_owned);
                Self::because(&error).hint(hint)
            }
        }
    )*};
}

plainly_hinted!(
    barwright_ledger::LedgerError,
    barwright_ledger::keys::KeyError,
    barwright_ledger::people::Refused,
    barwright_web::AccountError,
    barwright_web::approving::ApprovalError,
    barwright_web::tables::TableError,
);

impl From<barwright_ledger::people::Denied> for Failure {
    fn from(error: barwright_ledger::people::Denied) -> Self {
        barwright_ledger::people::Refused::from(error).into()
    }
}

impl From<barwright_ledger::secret::Weak> for Failure {
    fn from(error: barwright_ledger::secret::Weak) -> Self {
        Self::because(&error).hint(Some(error.hint().to_owned()))
    }
}

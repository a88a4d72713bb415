//! Judging a screened bar of a job folder.

use barwright_capture::{CaptureError, hash_file, read_echoes};
use barwright_evaluate::{EvaluateError, sentence};
use barwright_job::{DocumentError, Sealed, judgement::Judgement};

use crate::files::{self, FileError};
use crate::folder::JobFolder;

/// Why a bar could not be judged.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JudgingError {
    /// A document is missing or unusable.
    #[error(transparent)]
    File(#[from] FileError),
    /// The echoes are not those of the screened bar.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// The echoes could not be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// The judge refused.
    #[error(transparent)]
    Evaluate(#[from] EvaluateError),
}

/// Judges a screened bar by the folder's rules and order; writes its judgement.
///
/// # Errors
/// [`JudgingError`]; an older judgement of the bar then stands.
pub fn judge(folder: &JobFolder, bar: &str) -> Result<Sealed<Judgement>, JudgingError> {
    let screened = folder.screened(bar)?;
    let path = folder.echoes_path(bar);
    let found = hash_file(&path)?;
    screened.demand(&folder.screened_path(bar).display().to_string(), "echoes", &found)?;
    let echoes = read_echoes(&path)?;
    let (technique, rules, order) = (folder.technique()?, folder.rules()?, folder.order()?);
    let judgement = sentence(&screened, &echoes.echoes, &technique, &rules, &order)?;
    files::write_sealed(&folder.judgement_path(bar), &judgement)?;
    Ok(judgement)
}

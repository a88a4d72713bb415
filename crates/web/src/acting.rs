//! What people change through pages: each an entry of the ledger in the name of who signed in.

use axum::http::StatusCode;
use barwright_ledger::{Entry, LedgerError, Record, Store};

use crate::{
    approving::{APPROVAL_RESTS_ON, ApprovalError, approve},
    files::FileError,
    folder::JobFolder,
    lot::today,
    record::now_us,
};

/// Why something was not done.
#[derive(Debug, thiserror::Error)]
pub enum ActError {
    /// Nobody signed in.
    #[error("nobody signed in")]
    Stranger,
    /// The form was shown with another technique than is in force now.
    #[error("the technique was made anew after the page was shown")]
    Changed,
    /// The person cannot approve.
    #[error(transparent)]
    Approval(#[from] ApprovalError),
    /// A document cannot be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// The ledger cannot be written.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl ActError {
    /// The cure in words, where one is known.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Stranger => Some("make an account with `barwright people password NAME`".into()),
            Self::Changed => Some("look at the page again".into()),
            Self::Approval(e) => e.hint().map(str::to_owned),
            Self::File(e) => e.hint(),
            Self::Ledger(e) => e.hint().map(str::to_owned),
        }
    }

    /// How it is answered.
    pub fn status(&self) -> StatusCode {
        match self {
            Self::Stranger | Self::Approval(ApprovalError::Denied(_)) => StatusCode::FORBIDDEN,
            Self::Changed | Self::Approval(_) => StatusCode::CONFLICT,
            Self::File(_) | Self::Ledger(_) => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }
}

/// Approves the technique of the job folder, if it is the one of this hash.
///
/// # Errors
/// Why not; nothing was written then.
pub async fn approve_technique(
    folder: &JobFolder,
    person: &str,
    hash: &str,
) -> Result<Entry, ActError> {
    let read = folder.clone();
    let documents = tokio::task::spawn_blocking(move || Ok((read.technique()?, read.rules()?)));
    let documents: Result<_, FileError> = documents.await.unwrap_or_else(|_| {
        let path = folder.technique_path();
        Err(FileError::Read { path, source: std::io::Error::other("reading broke off") })
    });
    let (technique, rules) = documents?;
    if technique.hash.0 != hash {
        return Err(ActError::Changed);
    }
    let store = folder.ledger_home().open().await?;
    let done = async {
        let entries = store.by_kinds(&APPROVAL_RESTS_ON).await?;
        let approving = approve(&technique, &rules, person, &entries, today())?;
        write(&store, &approving.record, person).await
    }
    .await;
    store.close().await;
    done
}

/// Every change by page passes here.
async fn write(store: &Store, record: &Record, person: &str) -> Result<Entry, ActError> {
    Ok(store.append(record, person, now_us()).await?)
}

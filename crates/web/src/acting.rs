//! What people change through pages: each an entry of the ledger in the name of who signed in.

use axum::http::StatusCode;
use barwright_job::{
    DocumentError, Hash, Order, Sealed,
    changeover::{Changeover, StepKind},
};
use barwright_ledger::{Entry, Kind, LedgerError, Record, Store};
use barwright_phrase::say;

use crate::{
    approving::{APPROVAL_RESTS_ON, ApprovalError, approve},
    deciding::{Draft, Unusable},
    files::{self, Before, FileError},
    folder::JobFolder,
    judging,
    lot::today,
    ordering,
    permission::{self, Barred, permitted_by},
    record::now_us,
    registering::Wrong,
    steps::{StepError, changeover, line_of},
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
    /// The form was shown with another judgement than is in force now.
    #[error("the bar was judged or decided anew after the page was shown")]
    Overtaken,
    /// The form was shown with another order than is there now.
    #[error("the order was written anew after the page was shown")]
    OrderChanged,
    /// What was sent is no order.
    #[error(transparent)]
    NoOrder(#[from] DocumentError),
    /// There is no such bar, or it is not judged.
    #[error("there is no judged bar of this name")]
    NoBar,
    /// The form leaves something open.
    #[error(transparent)]
    Unusable(#[from] Unusable),
    /// The form says of people or equipment what cannot be.
    #[error(transparent)]
    Wrong(#[from] Wrong),
    /// The person may not.
    #[error(transparent)]
    Barred(#[from] Barred),
    /// There is no such capture.
    #[error("there is no capture of the name {0:?} in this folder")]
    NoCapture(String),
    /// The decision does not fit the bar, or the step cannot be done.
    #[error(transparent)]
    Step(#[from] StepError),
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
            Self::Changed | Self::Overtaken => Some(say!("look at the page again").into()),
            Self::Barred(e) => e.hint().map(str::to_owned),
            Self::OrderChanged => {
                Some(say!("look at it in another window, and take over what is to be kept").into())
            }
            Self::NoOrder(_)
            | Self::NoBar
            | Self::NoCapture(_)
            | Self::Unusable(_)
            | Self::Wrong(_) => None,
            Self::Step(e) => e.hint(),
            Self::Approval(e) => e.hint().map(str::to_owned),
            Self::File(e) => e.hint(),
            Self::Ledger(e) => e.hint().map(str::to_owned),
        }
    }

    /// How it is answered.
    pub fn status(&self) -> StatusCode {
        match self {
            Self::Barred(Barred::Ledger(_)) => StatusCode::INTERNAL_SERVER_ERROR,
            Self::Stranger
            | Self::Barred(_)
            | Self::Approval(ApprovalError::Barred(Barred::Denied(_))) => StatusCode::FORBIDDEN,
            Self::Changed | Self::Overtaken | Self::OrderChanged | Self::Approval(_) => {
                StatusCode::CONFLICT
            }
            Self::Ledger(LedgerError::Unsigned { .. } | LedgerError::NotAllowed(_)) => {
                StatusCode::FORBIDDEN
            }
            Self::NoBar | Self::NoCapture(_) => StatusCode::NOT_FOUND,
            Self::NoOrder(_) | Self::Unusable(_) | Self::Wrong(_) | Self::Step(_) => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
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
    let documents = blocking(folder, move || Ok((read.technique()?, read.rules()?)));
    let (technique, rules) = documents.await?;
    if technique.hash.0 != hash {
        return Err(ActError::Changed);
    }
    let store = folder.ledger_home().open().await?;
    let done = async {
        let entries = store.by_kinds(&APPROVAL_RESTS_ON).await?;
        let approving = approve(&technique, &rules, person, &entries, today())?;
        Ok(store.append(&approving.record, person, now_us()).await?)
    }
    .await;
    store.close().await;
    done
}

/// Changes the verdict of a bar, if its judgement is the one that the form was shown with: the
/// document and its entry, or neither.
///
/// # Errors
/// Why not; the bar is as it was then.
pub async fn decide(
    folder: &JobFolder,
    person: &str,
    bar: &str,
    draft: &Draft,
) -> Result<Entry, ActError> {
    let decided = draft.decided(person, now_us())?;
    let (read, name) = (folder.clone(), bar.to_owned());
    let read = blocking(folder, move || {
        // The name is only compared with those in the folder, never made into a path.
        if !read.judged_bars()?.contains(&name) {
            return Ok(None);
        }
        Ok(Some((read.judgement(&name)?, read.rules()?, read.station()?)))
    });
    let (before, rules, station) = read.await?.ok_or(ActError::NoBar)?;
    if before.hash.0 != draft.judgement {
        return Err(ActError::Overtaken);
    }
    let store = folder.ledger_home().open().await?;
    let done = async {
        let entries = store.by_kinds(&permission::RESTS_ON).await?;
        permitted_by(&entries, (person, Kind::Judgement), &rules, today())?;
        let (write_to, name) = (folder.clone(), bar.to_owned());
        let changed = tokio::task::spawn_blocking(move || -> Result<_, ActError> {
            let place = Before::at(write_to.judgement_path(&name))?;
            Ok((judging::decide(&write_to, &name, &decided)?, place))
        });
        let (changed, place) = changed.await.map_err(|_| broken_off(folder))??;
        enter(&store, Record::judgement(&changed, &station.station.line), person, place).await
    }
    .await;
    store.close().await;
    done
}

/// Keeps an order, if the one in the folder is still that which the form was shown with: the
/// document and its entry, or neither.
///
/// # Errors
/// Why not; the order is as it was then.
pub async fn keep_order(
    folder: &JobFolder,
    person: &str,
    draft: &ordering::Draft,
) -> Result<Entry, ActError> {
    let order = Order::from_toml("order.toml", &draft.text)?;
    let read = folder.clone();
    let read = blocking(folder, move || {
        let before = match files::read_text(&read.order_path()) {
            Ok(text) => Some(text),
            Err(FileError::Absent { .. }) => None,
            Err(e) => return Err(e),
        };
        Ok((before, read.rules()?))
    });
    let (before, rules) = read.await?;
    if before.as_ref().map(|text| Hash::of(text.as_bytes()).0).unwrap_or_default() != draft.seen {
        return Err(ActError::OrderChanged);
    }
    let store = folder.ledger_home().open().await?;
    let done = async {
        let entries = store.by_kinds(&permission::RESTS_ON).await?;
        permitted_by(&entries, (person, Kind::Order), &rules, today())?;
        let (path, text) = (folder.order_path(), draft.text.clone());
        let place = blocking(folder, move || {
            let place = Before::at(path)?;
            files::write(&place.path, text.as_bytes())?;
            Ok(place)
        });
        let place = place.await?;
        enter(&store, Ok(Record::order(&order)), person, place).await
    }
    .await;
    store.close().await;
    done
}

/// Enters what somebody says of people or equipment.
///
/// # Errors
/// Why not; nothing was written then.
pub async fn register(
    folder: &JobFolder,
    person: &str,
    record: &Record,
) -> Result<Entry, ActError> {
    let read = folder.clone();
    let rules = blocking(folder, move || read.rules()).await?;
    let store = folder.ledger_home().open().await?;
    let done = async {
        let entries = store.by_kinds(&permission::RESTS_ON).await?;
        permitted_by(&entries, (person, record.kind()), &rules, today())?;
        Ok(store.append(record, person, now_us()).await?)
    }
    .await;
    store.close().await;
    done
}

/// What is done of a changeover.
#[derive(Debug, Clone)]
pub enum Change {
    /// It begins; what ran before, in words.
    Begin(String),
    /// A step was done by hand.
    Done(StepKind),
    /// A short capture of the folder, by name, verifies every step.
    Verify(String),
}

/// Goes on with the changeover. The checklist is a working sheet without entries of its own; once every
/// step is verified, the technique is entered on the line in the name of who verified it.
///
/// # Errors
/// Why not; the checklist is as it was then.
pub async fn change_over(
    folder: &JobFolder,
    person: &str,
    change: Change,
) -> Result<Sealed<Changeover>, ActError> {
    let read = folder.clone();
    let read = blocking(folder, move || Ok((read.rules()?, read.technique()?, read.station()?)));
    let (rules, technique, station) = read.await?;
    let store = folder.ledger_home().open().await?;
    let done = async {
        let entries = store.by_kinds(&permission::RESTS_ON).await?;
        permitted_by(&entries, (person, Kind::Level), &rules, today())?;
        let write_to = folder.clone();
        let changed = tokio::task::spawn_blocking(move || -> Result<_, ActError> {
            let place = Before::at(write_to.changeover_path())?;
            let now = now_us();
            let changed = match change {
                Change::Begin(from) => {
                    let from = Some(from.trim().to_owned()).filter(|words| !words.is_empty());
                    changeover::begin(&write_to, from, now)?
                }
                Change::Done(step) => changeover::done(&write_to, step, now)?,
                Change::Verify(name) => {
                    // The name is only compared with those in the folder, never made into a path.
                    if !write_to.captures()?.contains(&name) {
                        return Err(ActError::NoCapture(name));
                    }
                    changeover::verify(&write_to, &write_to.capture_path(&name), now)?
                }
            };
            Ok((changed, place))
        });
        let (changed, place) = changed.await.map_err(|_| broken_off(folder))??;
        if changed.body.ready {
            let record = Record::technique(&technique, line_of(&station));
            enter::<ActError>(&store, Ok(record), person, place).await?;
        }
        Ok(changed)
    }
    .await;
    store.close().await;
    done
}

async fn blocking<T: Send + 'static>(
    folder: &JobFolder,
    work: impl FnOnce() -> Result<T, FileError> + Send + 'static,
) -> Result<T, FileError> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| Err(broken_off(folder)))
}

pub fn broken_off(folder: &JobFolder) -> FileError {
    let path = folder.path("");
    FileError::Read { path, source: std::io::Error::other(say!("reading broke off")) }
}

/// Enters what was written in a place; where that fails, what stood there before is put back.
///
/// # Errors
/// Why it was not entered, or could not be put back.
pub(crate) async fn enter<E: From<LedgerError> + From<FileError>>(
    store: &Store,
    record: Result<Record, LedgerError>,
    person: &str,
    before: Before,
) -> Result<Entry, E> {
    let entered = match record {
        Ok(record) => store.append(&record, person, now_us()).await,
        Err(e) => Err(e),
    };
    match entered {
        Ok(entry) => Ok(entry),
        Err(e) => {
            before.put_back()?;
            Err(e.into())
        }
    }
}

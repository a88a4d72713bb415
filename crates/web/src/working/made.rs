//! Making what was asked for: each document written and entered, or neither; of several bars each by
//! itself.

use std::path::PathBuf;

use barwright_job::{Hash, Sealed, judgement::Judgement};
use barwright_ledger::{Entry, Kind, People, Record, Store, store::Stamped};
use barwright_plan::{PlanWatch, ProveOptions};

use super::{Asked, Watch, What, WorkError};
use crate::{
    files::{self, Before, FileError},
    folder::JobFolder,
    judging::InForce,
    papers::Papers,
    permission::RESTS_ON,
    record::{document_of, now_us},
    steps::{self, line_of},
};

/// What was written, and what stood there before.
struct Made {
    records: Vec<Record>,
    before: Vec<Before>,
}

/// A part of the work that stands by itself.
#[derive(Debug, Clone)]
enum Part {
    /// All that was asked.
    Whole,
    /// The bar of a capture.
    Capture(String),
    /// A screened bar, to be judged.
    Bar(String),
}

/// Makes all that was asked for.
pub(super) async fn make(
    folder: &JobFolder,
    asked: &Asked,
    person: &str,
    watch: Watch,
) -> Result<(), WorkError> {
    let what = asked.what;
    let parts: Vec<Part> = match what {
        What::Bars => asked.captures.iter().cloned().map(Part::Capture).collect(),
        What::Judgements => {
            let read = folder.clone();
            apart(move || to_judge(&read)).await?.into_iter().map(Part::Bar).collect()
        }
        _ => vec![Part::Whole],
    };
    let all = parts.len();
    for (done, part) in parts.into_iter().enumerate() {
        if all > 1 {
            watch.demand_going_on()?;
            watch.tell_of(done, all);
        }
        let (read, asked, watch) = (folder.clone(), asked.clone(), watch.clone());
        let (made, _turn) = apart(move || {
            // Where the folder gives no turns, one goes on without.
            let turn = read.turn(|| ()).ok();
            Ok((part.made(&read, &asked, &watch)?, turn))
        })
        .await?;
        keep(folder, what, made, person).await?;
    }
    if matches!(what, What::Bars | What::Judgements) {
        // It follows from the judgements, which are entered.
        let read = folder.clone();
        apart(move || {
            let _turn = read.turn(|| ()).ok();
            Ok(steps::cut_lot(&read)?)
        })
        .await?;
    }
    Ok(())
}

/// Computes on a thread of its own: what is computed may drive the ledger by itself.
async fn apart<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, WorkError> + Send + 'static,
) -> Result<T, WorkError> {
    let (tell, told) = tokio::sync::oneshot::channel();
    std::thread::spawn(move || {
        // Nobody listens any more where the service ends.
        let _ = tell.send(work());
    });
    told.await.unwrap_or(Err(WorkError::BrokenOff))
}

/// The screened bars without a judgement of the documents in force, but for those that a person decided.
fn to_judge(folder: &JobFolder) -> Result<Vec<String>, WorkError> {
    let (technique, rules, order) =
        (folder.technique()?.hash, folder.rules()?.hash(), folder.order()?.hash());
    let in_force = InForce { technique: &technique, rules: &rules, order: &order };
    let mut bars = Vec::new();
    for bar in folder.bars()? {
        let judged = match folder.judgement(&bar) {
            Ok(judgement) => in_force.judged(&judgement, &folder.screened(&bar)?.hash),
            Err(FileError::Absent { .. }) => false,
            Err(e) => return Err(e.into()),
        };
        if !judged {
            bars.push(bar);
        }
    }
    Ok(bars)
}

impl Part {
    /// Computes and writes this part.
    fn made(self, folder: &JobFolder, asked: &Asked, watch: &Watch) -> Result<Made, WorkError> {
        let before = |places: Vec<PathBuf>| {
            places.into_iter().map(Before::at).collect::<Result<Vec<_>, _>>()
        };
        let line = |folder: &JobFolder| Ok::<_, FileError>(line_of(&folder.station()?).to_owned());
        let paths =
            |names: &[String]| names.iter().map(|n| folder.capture_path(n)).collect::<Vec<_>>();
        match self {
            Self::Capture(capture) => {
                let path = folder.capture_path(&capture);
                let bar = steps::bar_of(&path)?;
                let mut places = folder.screening_paths(&bar).to_vec();
                places.push(folder.judgement_path(&bar));
                let before = before(places)?;
                let made = (|| {
                    let screened = steps::screen(folder, &path, true)?;
                    let line = line(folder)?;
                    let judgement = steps::judge(folder, &bar)?;
                    Ok(vec![
                        Record::bar_screened(&screened, &line)?,
                        Record::judgement(&judgement, &line)?,
                    ])
                })();
                Made::or_as_before(made, before)
            }
            Self::Bar(bar) => {
                let before = before(vec![folder.judgement_path(&bar)])?;
                let made = (|| {
                    let judgement: Sealed<Judgement> = steps::judge(folder, &bar)?;
                    Ok(vec![Record::judgement(&judgement, &line(folder)?)?])
                })();
                Made::or_as_before(made, before)
            }
            Self::Whole => {
                let before = |place| before(vec![place]);
                match asked.what {
                    What::Technique => {
                        let before = before(folder.technique_path())?;
                        // Worked out is not set on the line: that is entered with the level.
                        let watch = PlanWatch { cancelled: Some(&watch.stopped), weighing: None };
                        let made = steps::plan(folder, false, watch)
                            .map(|technique| vec![Record::technique(&technique, "")]);
                        Made::or_as_before(made.map_err(Into::into), before)
                    }
                    What::Proof => {
                        let before = before(folder.proof_path())?;
                        let options = ProveOptions {
                            cancelled: Some(&watch.stopped),
                            ..ProveOptions::default()
                        };
                        let made = (|| {
                            let proof = steps::prove(folder, &options, &|done| watch.tell(done))?;
                            Ok(vec![Record::proof(&proof)?])
                        })();
                        Made::or_as_before(made, before)
                    }
                    What::ReferenceBar => {
                        let before = before(folder.reference_path())?;
                        let made = steps::reference_bar(folder)
                            .map(|reference| vec![Record::reference_bar(&reference)]);
                        Made::or_as_before(made.map_err(Into::into), before)
                    }
                    What::Level => {
                        let before = before(folder.level_path())?;
                        let made = (|| {
                            let level = steps::level(folder, &paths(&asked.captures))?;
                            Ok(vec![Record::level(&level, &line(folder)?)?])
                        })();
                        Made::or_as_before(made, before)
                    }
                    What::Check => {
                        let before = before(folder.check_path(folder.next_check()?))?;
                        let made = (|| {
                            let path = folder.capture_path(&asked.captures[0]);
                            let (_, check) = steps::check(folder, &path)?;
                            Ok(vec![Record::check(&check, &folder.rules()?, &line(folder)?)?])
                        })();
                        Made::or_as_before(made, before)
                    }
                    What::Papers => papers(folder, watch),
                    // These have parts of their own.
                    What::Bars | What::Judgements => {
                        Ok(Made { records: Vec::new(), before: Vec::new() })
                    }
                }
            }
        }
    }
}

impl Made {
    /// What was made; where it was not, everything stands as before.
    fn or_as_before(
        made: Result<Vec<Record>, WorkError>,
        before: Vec<Before>,
    ) -> Result<Self, WorkError> {
        match made {
            Ok(records) => Ok(Self { records, before }),
            Err(e) => {
                put_back(before)?;
                Err(e)
            }
        }
    }
}

fn put_back(before: Vec<Before>) -> Result<(), FileError> {
    before.into_iter().try_for_each(Before::put_back)
}

/// All papers of the lot, set before the first is written.
fn papers(folder: &JobFolder, watch: &Watch) -> Result<Made, WorkError> {
    let bars = folder.bars()?.len();
    let set = Papers::new(folder, now_us())?.all(|done| watch.tell_of(done, bars + 1))?;
    let mut made = Made { records: Vec::new(), before: Vec::new() };
    let mut files = Vec::with_capacity(set.len());
    for (name, bytes) in set {
        let path = folder.paper_path(&name);
        made.before.push(Before::at(path.clone())?);
        made.records.push(Record::paper(&name, &name, Hash::of(&bytes), []));
        files.push((path, bytes));
    }
    match files::write_together(&files) {
        Ok(()) => Ok(made),
        Err(e) => {
            put_back(made.before)?;
            Err(e.into())
        }
    }
}

/// Enters what was written, all of it at once; where that fails, what stood there before is put back.
async fn keep(folder: &JobFolder, what: What, made: Made, person: &str) -> Result<(), WorkError> {
    let entered = async {
        let store = folder.ledger_home().open().await?;
        let entered = async {
            let mut records = first(&store, folder, what, person).await?;
            records.extend(made.records);
            let time_us = now_us();
            let stamped: Vec<Stamped> = records
                .into_iter()
                .map(|record| Stamped { record, author: person.to_owned(), time_us })
                .collect();
            Ok::<_, WorkError>(store.append_all(&stamped).await?)
        }
        .await;
        store.close().await;
        entered
    }
    .await;
    match entered {
        Ok(_) => Ok(()),
        Err(e) => {
            put_back(made.before)?;
            Err(e)
        }
    }
}

/// What must stand in the ledger before this is entered: what a technique was made from, where it was
/// not entered yet and the person may; the technique on the line that is levelled.
async fn first(
    store: &Store,
    folder: &JobFolder,
    what: What,
    person: &str,
) -> Result<Vec<Record>, WorkError> {
    let records = match what {
        What::Technique => vec![
            Record::order(&folder.order()?),
            Record::station(&folder.station()?),
            Record::rules(&folder.rules()?),
        ],
        What::Level => {
            vec![Record::technique(&folder.technique()?, line_of(&folder.station()?))]
        }
        _ => return Ok(Vec::new()),
    };
    let entries = store.by_kinds(&RESTS_ON).await?;
    let (people, at) = (People::of(&entries)?, entries.last().map_or(0, |entry| entry.seq));
    let kinds = [Kind::Order, Kind::Station, Kind::Rules, Kind::Technique];
    let entries = store.by_kinds(&kinds).await?;
    Ok(records
        .into_iter()
        .filter(|record| !stands(&entries, record))
        .filter(|record| people.may_state(person, &record.facts, at).is_ok())
        .collect())
}

/// Whether the latest entry of this kind, line and subject is of the same document.
fn stands(entries: &[Entry], record: &Record) -> bool {
    let (kind, content) = (record.kind(), record.facts.to_content());
    let latest = entries.iter().rev().find(|e| {
        e.kind == kind
            && e.line == record.line
            && (kind == Kind::Technique || e.subject == record.subject)
    });
    latest.is_some_and(|e| {
        document_of(e) == content.get("document").and_then(serde_json::Value::as_str)
    })
}

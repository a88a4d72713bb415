//! Making what was asked for: each document written and entered, or neither; of several bars each by
//! itself.

use std::path::{Path, PathBuf};

use barwright_job::Hash;
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
        match self {
            Self::Capture(capture) => bar(folder, &folder.capture_path(&capture)),
            Self::Bar(bar) => Made::at(vec![folder.judgement_path(&bar)], || {
                let judgement = steps::judge(folder, &bar)?;
                Ok(vec![Record::judgement(&judgement, &line(folder)?)?])
            }),
            Self::Whole => whole(folder, asked, watch),
        }
    }
}

/// The line of the folder's station, as the ledger names it.
fn line(folder: &JobFolder) -> Result<String, FileError> {
    Ok(line_of(&folder.station()?).to_owned())
}

/// Screens and judges the bar of a capture.
fn bar(folder: &JobFolder, capture: &Path) -> Result<Made, WorkError> {
    let bar = steps::bar_of(capture)?;
    let mut places = folder.screening_paths(&bar).to_vec();
    places.push(folder.judgement_path(&bar));
    Made::at(places, || {
        let screened = steps::screen(folder, capture, true)?;
        let judgement = steps::judge(folder, &bar)?;
        let line = line(folder)?;
        Ok(vec![Record::bar_screened(&screened, &line)?, Record::judgement(&judgement, &line)?])
    })
}

/// Makes what is one document, or the papers.
fn whole(folder: &JobFolder, asked: &Asked, watch: &Watch) -> Result<Made, WorkError> {
    match asked.what {
        What::Technique => Made::at(vec![folder.technique_path()], || {
            // Worked out is not set on the line: that is entered with the level.
            let watch = PlanWatch { cancelled: Some(&watch.stopped), weighing: None };
            Ok(vec![Record::technique(&steps::plan(folder, false, watch)?, "")])
        }),
        What::Proof => Made::at(vec![folder.proof_path()], || {
            let options =
                ProveOptions { cancelled: Some(&watch.stopped), ..ProveOptions::default() };
            let proof = steps::prove(folder, &options, &|done| watch.tell(done))?;
            Ok(vec![Record::proof(&proof)?])
        }),
        What::ReferenceBar => Made::at(vec![folder.reference_path()], || {
            Ok(vec![Record::reference_bar(&steps::reference_bar(folder)?)])
        }),
        What::Level => Made::at(vec![folder.level_path()], || {
            let captures: Vec<PathBuf> =
                asked.captures.iter().map(|name| folder.capture_path(name)).collect();
            let level = steps::level(folder, &captures)?;
            Ok(vec![Record::level(&level, &line(folder)?)?])
        }),
        What::Check => Made::at(vec![folder.check_path(folder.next_check()?)], || {
            let (_, check) = steps::check(folder, &folder.capture_path(&asked.captures[0]))?;
            Ok(vec![Record::check(&check, &folder.rules()?, &line(folder)?)?])
        }),
        What::Papers => papers(folder, watch),
        // These have parts of their own.
        What::Bars | What::Judgements => Ok(Made { records: Vec::new(), before: Vec::new() }),
    }
}

impl Made {
    /// What is made and written in some places; where it fails, everything there stands as before.
    fn at(
        places: Vec<PathBuf>,
        make: impl FnOnce() -> Result<Vec<Record>, WorkError>,
    ) -> Result<Self, WorkError> {
        let before = places.into_iter().map(Before::at).collect::<Result<Vec<_>, _>>()?;
        match make() {
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
    let records = set.iter().map(|(name, bytes)| Record::paper(name, name, Hash::of(bytes), []));
    let records = records.collect();
    let files: Vec<(PathBuf, Vec<u8>)> =
        set.into_iter().map(|(name, bytes)| (folder.paper_path(&name), bytes)).collect();
    Made::at(files.iter().map(|(path, _)| path.clone()).collect(), || {
        files::write_together(&files)?;
        Ok(records)
    })
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

//! The steps of the job, each one function from the files of a job folder to the next file.
//!
//! Commands and pages call one of them; the demo calls all of them in turn. None of them prints, and none
//! enters anything in the ledger.

use barwright_phrase::say;
use std::path::Path;

use barwright_capture::{
    CaptureError, CaptureReader, CaptureWriter, Header, Shots, hash_file, wire::bar_name,
    write_echoes, write_inspected, write_kept,
};
use barwright_evaluate::EvaluateError;
use barwright_evaluate::check::Checking;
use barwright_evaluate::cut::{self, LotBar};
use barwright_evaluate::level::Levelling;
use barwright_evaluate::screen::Screening;
use barwright_job::{
    DocumentError, Hash, Sealed, Station, Technique, check::Check, dense::DenseProof,
    judgement::Judgement, level::Level, lot_cut::LotCut, proof::Proof, reference::ReferenceBar,
    screened::ScreenedBar,
};
use barwright_plan::{DenseOptions, PlanError, PlanWatch, ProveOptions};
use barwright_wave::cylinder::batch::FieldEngine;

use crate::{
    files::{self, FileError},
    folder::JobFolder,
    judging,
};

pub mod changeover;

/// Why a step could not be done.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StepError {
    /// A document is missing, unusable or cannot be written.
    #[error(transparent)]
    File(#[from] FileError),
    /// A document was made from something else than what is in the folder.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// Shots or echoes could not be read or written.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// There is no such technique, proof or reference bar.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// Levelling, checking, screening or judging refused.
    #[error(transparent)]
    Evaluate(#[from] EvaluateError),
    /// A level needs a capture.
    #[error("no capture was named")]
    NoCapture,
    /// A cut plan needs judged bars.
    #[error("no bar has been judged in this job folder")]
    NothingJudged,
    /// A bar was judged for another order.
    #[error("bar {bar} was judged for another order")]
    OtherOrder {
        /// The bar.
        bar: String,
        /// What does not agree.
        source: DocumentError,
    },
    /// No changeover is under way.
    #[error("no changeover is under way")]
    NotBegun,
}

impl StepError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::File(e) => e.hint(),
            Self::Document(e) => e.hint(),
            Self::Capture(e) => e.hint(),
            Self::Plan(e) => e.hint(),
            Self::Evaluate(e) => e.hint(),
            Self::NoCapture => Some(say!("name the capture of the reference bar").into()),
            Self::NothingJudged => {
                Some("run `barwright screen` and `barwright sentence` first".into())
            }
            Self::OtherOrder { .. } => {
                Some("the order was changed since: run `barwright sentence` again".into())
            }
            Self::NotBegun => Some("begin with: barwright changeover begin".into()),
        }
    }
}

/// What a step gives.
pub type Result<T> = std::result::Result<T, StepError>;

/// Order and station to a technique; writes `technique.json`.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn plan(job: &JobFolder, explained: bool, watch: PlanWatch<'_>) -> Result<Sealed<Technique>> {
    let (order, station, rules) = (job.order()?, job.station()?, job.rules()?);
    let technique = barwright_plan::watched(&order, &station, &rules, explained, watch)?;
    files::write_sealed(&job.technique_path(), &technique)?;
    Ok(technique)
}

/// What the technique sees of the ordered flaws; writes `proof.json`. `progress` hears shares from
/// 0 to 1.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn prove(
    job: &JobFolder,
    options: &ProveOptions<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sealed<Proof>> {
    let (order, station, technique) = (job.order()?, job.station()?, job.technique()?);
    let proof = barwright_plan::prove(&order, &station, &technique, options, progress)?;
    files::write_sealed(&job.proof_path(), &proof)?;
    Ok(proof)
}

/// The worst case over many combinations of tolerances; writes `dense-proof.json`. `progress` hears shares from 0 to 1.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn dense(
    job: &JobFolder,
    options: &DenseOptions<'_>,
    engine: &dyn FieldEngine,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sealed<DenseProof>> {
    let (order, station, technique) = (job.order()?, job.station()?, job.technique()?);
    let proof = barwright_plan::dense(&order, &station, &technique, options, engine, progress)?;
    let sources =
        [("order", order.hash()), ("station", station.hash()), ("technique", technique.hash)];
    let sealed = Sealed::seal(proof, sources);
    files::write_sealed(&job.dense_path(), &sealed)?;
    Ok(sealed)
}

/// The reference bar and its motion list; writes `reference-bar.json`.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn reference_bar(job: &JobFolder) -> Result<Sealed<ReferenceBar>> {
    let reference = barwright_plan::reference_bar(&job.technique()?)?;
    files::write_sealed(&job.reference_path(), &reference)?;
    Ok(reference)
}

/// Stores shots that are already in memory.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn store_shots(path: &Path, header: &Header, shots: &Shots) -> Result<Hash> {
    files::make_room(path)?;
    let mut writer = CaptureWriter::create(path, header)?;
    writer.write(shots)?;
    Ok(writer.finish()?)
}

/// A capture on disk, ready to be judged.
struct Recorded {
    reader: CaptureReader,
    hash: Hash,
}

impl Recorded {
    fn open(path: &Path) -> Result<Self> {
        Ok(Self { reader: CaptureReader::open(path)?, hash: hash_file(path)? })
    }

    fn header(&self) -> &Header {
        self.reader.header()
    }

    /// Hands every batch to a judge and returns the capture's hash.
    fn feed(self, mut judge: impl FnMut(&Shots) -> barwright_evaluate::Result<()>) -> Result<Hash> {
        for shots in self.reader {
            judge(&shots?)?;
        }
        Ok(self.hash)
    }
}

/// Gains from captures of the reference bar, the first with all beams, others at lower gain; writes
/// `level.json`. What cannot be answered leaves the level that was in force.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn level(job: &JobFolder, captures: &[impl AsRef<Path>]) -> Result<Sealed<Level>> {
    let level = levelled(job, &job.reference()?, captures)?;
    files::write_sealed(&job.level_path(), &level)?;
    Ok(level)
}

/// What captures of a reference bar tell.
fn levelled(
    job: &JobFolder,
    reference: &Sealed<ReferenceBar>,
    captures: &[impl AsRef<Path>],
) -> Result<Sealed<Level>> {
    let (technique, station, rules) = (job.technique()?, job.station()?, job.rules()?);
    let Some((first, others)) = captures.split_first() else {
        return Err(StepError::NoCapture);
    };
    let recorded = Recorded::open(first.as_ref())?;
    let mut levelling =
        Levelling::new(&technique, reference, &rules, &station.electronics, recorded.header())?;
    let mut hashes = vec![recorded.feed(|shots| levelling.push(shots))?];
    for capture in others {
        let recorded = Recorded::open(capture.as_ref())?;
        levelling.next_capture(recorded.header())?;
        hashes.push(recorded.feed(|shots| levelling.push(shots))?);
    }
    Ok(levelling.finish_all(hashes)?)
}

/// The dynamic check from a capture; writes the next `checks/check-NN.json` and returns its number.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn check(job: &JobFolder, capture: &Path) -> Result<(usize, Sealed<Check>)> {
    let recorded = Recorded::open(capture)?;
    let mut checking = Checking::new(
        &job.technique()?,
        &job.level()?,
        &job.reference()?,
        &job.rules()?,
        recorded.header(),
    )?;
    let hash = recorded.feed(|shots| checking.push(shots))?;
    let check = checking.finish(hash)?;
    let number = job.next_check()?;
    files::write_sealed(&job.check_path(number), &check)?;
    Ok((number, check))
}

/// The bar that a capture is of: a name that can be part of a file's name, whatever the capture says.
///
/// # Errors
/// Why it cannot be read, or what is wrong with the name.
pub fn bar_of(capture: &Path) -> Result<String> {
    let bar = CaptureReader::open(capture)?.header().bar.clone();
    bar_name(&bar)?;
    Ok(bar)
}

/// Evaluates a bar's capture; writes `bars/NAME.screened.json`, the echoes and the kept A-scans.
///
/// `levelled`: whether the level of the job folder must have been loaded; a still capture of a
/// block may do without.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn screen(job: &JobFolder, capture: &Path, levelled: bool) -> Result<Sealed<ScreenedBar>> {
    let technique = job.technique()?;
    let level = if levelled { Some(job.level()?) } else { None };
    let recorded = Recorded::open(capture)?;
    let mut screening =
        Screening::new(&technique, level.as_ref(), &job.rules()?, recorded.header())?;
    let hash = recorded.feed(|shots| screening.push(shots))?;
    let screened = screening.finish(hash);
    let bar = screened.bar.bar.clone();
    files::make_room(&job.echoes_path(&bar))?;
    let echo_hash = write_echoes(&job.echoes_path(&bar), &technique.hash, &screened.echoes)?;
    write_kept(&job.ascans_path(&bar), &technique.hash, &technique.body.record, &screened.kept)?;
    write_inspected(&job.inspected_path(&bar), &technique.hash, &screened.beams)?;
    let sealed = screened.seal(echo_hash);
    files::write_sealed(&job.screened_path(&bar), &sealed)?;
    Ok(sealed)
}

/// Judges a screened bar; writes `bars/NAME.judgement.json`.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn judge(job: &JobFolder, bar: &str) -> Result<Sealed<Judgement>> {
    judging::judge(job, bar)
}

/// The line a station stands in, as the ledger names it.
#[must_use]
pub fn line_of(station: &Station) -> &str {
    &station.station.line
}

/// The cut plan of all judged bars, in order of name; writes `cut-plan.json`.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn cut_lot(job: &JobFolder) -> Result<Sealed<LotCut>> {
    let order = job.order()?;
    let hash = order.hash();
    let names = job.judged_bars()?;
    if names.is_empty() {
        return Err(StepError::NothingJudged);
    }
    let mut judged = Vec::with_capacity(names.len());
    for name in &names {
        let judgement = job.judgement(name)?;
        judgement
            .demand(&job.judgement_path(name).display().to_string(), "order", &hash)
            .map_err(|source| StepError::OtherOrder { bar: name.clone(), source })?;
        judged.push(judgement);
    }
    let bars: Vec<LotBar<'_>> =
        judged.iter().map(|j| LotBar { judgement: &j.body, hash: &j.hash }).collect();
    let sealed = Sealed::seal(cut::lot(&order, &bars), [("order", hash)]);
    files::write_sealed(&job.cut_plan_path(), &sealed)?;
    Ok(sealed)
}

#[cfg(test)]
mod tests {
    use barwright_capture::CaptureKind;
    use barwright_job::technique::Record;

    use super::*;

    // Own rule: a name that leads elsewhere is no bar's.
    #[test]
    fn a_bar_is_named_so_that_its_files_stay_in_the_folder() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.parquet");
        for (bar, fits) in
            [("0001", true), ("A-1_b.2", true), ("../b", false), ("a/b", false), ("", false)]
        {
            let header = Header {
                kind: CaptureKind::Production,
                technique: Hash::of(b"technique"),
                level: None,
                bar: bar.into(),
                heat: "H".into(),
                length_m: 3.0,
                record: Record {
                    first_sample_s: 0.0,
                    sample_rate_hz: 25e6,
                    samples: 8,
                    full_scale_fsh: 2.0,
                },
                gains_db: vec![40.0],
                origin: "by hand".into(),
            };
            store_shots(&path, &header, &Shots::new(8)).unwrap();
            assert_eq!(bar_of(&path).is_ok(), fits, "{bar:?}");
        }
    }
}

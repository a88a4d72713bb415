//! The steps of the job, each one function from the files of a job folder to the next file.
//!
//! Commands call one of them; the demo calls all of them in turn. None of them prints.

use std::path::Path;

use barwright_capture::{
    CaptureReader, CaptureWriter, Header, Shots, hash_file, write_echoes, write_inspected,
    write_kept,
};
use barwright_evaluate::changeover;
use barwright_evaluate::check::Checking;
use barwright_evaluate::cut::{self, LotBar};
use barwright_evaluate::level::Levelling;
use barwright_evaluate::screen::Screening;
use barwright_job::{
    Hash, Sealed, Station, Technique,
    changeover::{Changeover, StepState},
    check::Check,
    judgement::Judgement,
    level::Level,
    lot_cut::LotCut,
    proof::Proof,
    reference::ReferenceBar,
    screened::ScreenedBar,
};
use barwright_plan::ProveOptions;
use barwright_web::{JobFolder, files};

use crate::failure::Failure;

/// Order and station to a technique; writes `technique.json`.
pub fn plan(job: &JobFolder, explained: bool) -> Result<Sealed<Technique>, Failure> {
    let (order, station, rules) = (job.order()?, job.station()?, job.rules()?);
    let technique = if explained {
        barwright_plan::explained(&order, &station, &rules)?
    } else {
        barwright_plan::technique(&order, &station, &rules)?
    };
    files::write_sealed(&job.technique_path(), &technique)?;
    Ok(technique)
}

/// What the technique sees of the ordered flaws; writes `proof.json`. `progress` hears shares from
/// 0 to 1.
pub fn prove(
    job: &JobFolder,
    options: &ProveOptions<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sealed<Proof>, Failure> {
    let (order, station, technique) = (job.order()?, job.station()?, job.technique()?);
    let proof = barwright_plan::prove(&order, &station, &technique, options, progress)?;
    files::write_sealed(&job.proof_path(), &proof)?;
    Ok(proof)
}

/// The reference bar and its motion list; writes `reference-bar.json`.
pub fn reference_bar(job: &JobFolder) -> Result<Sealed<ReferenceBar>, Failure> {
    let reference = barwright_plan::reference_bar(&job.technique()?)?;
    files::write_sealed(&job.reference_path(), &reference)?;
    Ok(reference)
}

/// Stores shots that are already in memory.
pub fn store_shots(path: &Path, header: &Header, shots: &Shots) -> Result<Hash, Failure> {
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
    fn open(path: &Path) -> Result<Self, Failure> {
        Ok(Self { reader: CaptureReader::open(path)?, hash: hash_file(path)? })
    }

    fn header(&self) -> &Header {
        self.reader.header()
    }

    /// Hands every batch to a judge and returns the capture's hash.
    fn feed<E>(self, mut judge: impl FnMut(&Shots) -> Result<(), E>) -> Result<Hash, Failure>
    where
        Failure: From<E>,
    {
        for shots in self.reader {
            judge(&shots?)?;
        }
        Ok(self.hash)
    }
}

/// Gains from captures of the reference bar, the first with all beams, others at lower gain; writes
/// `level.json`. What cannot be answered leaves the level that was in force.
pub fn level(job: &JobFolder, captures: &[impl AsRef<Path>]) -> Result<Sealed<Level>, Failure> {
    let level = levelled(job, &job.reference()?, captures)?;
    files::write_sealed(&job.level_path(), &level)?;
    Ok(level)
}

/// What captures of a reference bar tell.
fn levelled(
    job: &JobFolder,
    reference: &Sealed<ReferenceBar>,
    captures: &[impl AsRef<Path>],
) -> Result<Sealed<Level>, Failure> {
    let (technique, station, rules) = (job.technique()?, job.station()?, job.rules()?);
    let Some((first, others)) = captures.split_first() else {
        return Err(Failure::new("no capture was named"));
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

/// The reference bar with the few motions of a short look.
pub fn short_reference(job: &JobFolder) -> Result<Sealed<ReferenceBar>, Failure> {
    let technique = job.technique()?;
    let is_shear = |id: u32| {
        technique.body.beams.iter().any(|b| b.id == id && b.mode == barwright_wave::Mode::S)
    };
    let short = job.reference()?.body.short(is_shear);
    Ok(Sealed::seal(short, [("technique", technique.hash)]))
}

/// A changeover with what a short capture says of its steps; those not ended yet end `now_us`.
pub fn verify_changeover(
    job: &JobFolder,
    begun: Sealed<Changeover>,
    capture: &Path,
    now_us: i64,
) -> Result<Sealed<Changeover>, Failure> {
    let technique = job.technique()?;
    let same = CaptureReader::open(capture)?.header().technique == technique.hash;
    let hash = hash_file(capture)?;
    let reference = job.reference()?;
    let (verified, findings) = if same {
        let level = levelled(job, &short_reference(job)?, &[capture])?;
        (changeover::verify(&technique.body, &level.body), level.body.findings)
    } else {
        (changeover::other_technique(&technique.body.name), Vec::new())
    };
    let mut body = begun.body;
    for v in verified {
        for step in body.steps.iter_mut().filter(|s| s.kind == v.kind) {
            step.state = v.state;
            step.done_us.get_or_insert(now_us);
            step.evidence.clone_from(&v.evidence);
            step.cure.clone_from(&v.cure);
        }
    }
    body.ready = body.steps.iter().all(|s| s.state == StepState::Verified);
    body.findings = findings;
    let sources =
        [("technique", technique.hash), ("reference_bar", reference.hash), ("capture", hash)];
    Ok(Sealed::seal(body, sources))
}

/// The dynamic check from a capture; writes the next `checks/check-NN.json` and returns its number.
pub fn check(job: &JobFolder, capture: &Path) -> Result<(usize, Sealed<Check>), Failure> {
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
    let number = job.checks()?.len() + 1;
    files::write_sealed(&job.check_path(number), &check)?;
    Ok((number, check))
}

/// Evaluates a bar's capture; writes `bars/NAME.screened.json`, the echoes and the kept A-scans.
///
/// `levelled`: whether the level of the job folder must have been loaded; a still capture of a
/// block may do without.
pub fn screen(
    job: &JobFolder,
    capture: &Path,
    levelled: bool,
) -> Result<Sealed<ScreenedBar>, Failure> {
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
pub fn judge(job: &JobFolder, bar: &str) -> Result<Sealed<Judgement>, Failure> {
    Ok(barwright_web::judging::judge(job, bar)?)
}

/// The line a station stands in, as the ledger names it.
pub fn line_of(station: &Station) -> &str {
    &station.station.line
}

/// The cut plan of all judged bars, in order of name; writes `cut-plan.json`.
pub fn cut_lot(job: &JobFolder) -> Result<Sealed<LotCut>, Failure> {
    let order = job.order()?;
    let hash = order.hash();
    let names = job.judged_bars()?;
    if names.is_empty() {
        return Err(Failure::new("no bar has been judged in this job folder")
            .hint(Some("run `barwright screen` and `barwright sentence` first".into())));
    }
    let mut judged = Vec::with_capacity(names.len());
    for name in &names {
        let judgement = job.judgement(name)?;
        judgement.demand(&job.judgement_path(name).display().to_string(), "order", &hash).map_err(
            |e| {
                Failure::from(e).hint(Some(
                    "the order was changed since: run `barwright sentence` again".into(),
                ))
            },
        )?;
        judged.push(judgement);
    }
    let bars: Vec<LotBar<'_>> =
        judged.iter().map(|j| LotBar { judgement: &j.body, hash: &j.hash }).collect();
    let sealed = Sealed::seal(cut::lot(&order, &bars), [("order", hash)]);
    files::write_sealed(&job.cut_plan_path(), &sealed)?;
    Ok(sealed)
}

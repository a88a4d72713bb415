//! The steps of a changeover: begun, each ended by hand, all of them verified by a short capture.

use std::path::Path;

use barwright_capture::{CaptureReader, hash_file};
use barwright_evaluate::changeover;
use barwright_job::{
    Sealed,
    changeover::{Changeover, StepKind, StepState},
    reference::ReferenceBar,
};

use super::{Result, StepError, levelled};
use crate::{
    files::{self, FileError},
    folder::JobFolder,
};

/// Begins one to the technique of the folder: all steps open, the clock runs from `now_us`. `from`: what
/// ran before, in words. Writes it.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn begin(job: &JobFolder, from: Option<String>, now_us: i64) -> Result<Sealed<Changeover>> {
    let technique = job.technique()?;
    let body = Changeover::begin(from, technique.body.name.clone(), now_us);
    written(job, Sealed::seal(body, [("technique", technique.hash)]))
}

/// The one under way, which must be one to the technique as it is now.
///
/// # Errors
/// [`StepError::NotBegun`], or why it does not count.
pub fn begun(job: &JobFolder) -> Result<Sealed<Changeover>> {
    let sealed = match job.changeover() {
        Err(FileError::Absent { .. }) => return Err(StepError::NotBegun),
        read => read?,
    };
    sealed.demand("changeover", "technique", &job.technique()?.hash)?;
    Ok(sealed)
}

/// A step of it was done by hand and ended `now_us`. Writes it.
///
/// # Errors
/// As [`begun`], or why it could not be written.
pub fn done(job: &JobFolder, kind: StepKind, now_us: i64) -> Result<Sealed<Changeover>> {
    let sealed = begun(job)?;
    let mut body = sealed.body;
    for step in body.steps.iter_mut().filter(|s| s.kind == kind) {
        step.done_us = Some(now_us);
        step.state = StepState::Done;
        step.evidence.clear();
        step.cure.clear();
    }
    // What was verified before is no more: something was moved.
    body.ready = false;
    let technique = sealed.made_from.get("technique").cloned();
    written(job, Sealed::seal(body, technique.map(|hash| ("technique", hash))))
}

fn written(job: &JobFolder, changeover: Sealed<Changeover>) -> Result<Sealed<Changeover>> {
    files::write_sealed(&job.changeover_path(), &changeover)?;
    Ok(changeover)
}

/// The reference bar with the few motions of a short look.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn short_reference(job: &JobFolder) -> Result<Sealed<ReferenceBar>> {
    let technique = job.technique()?;
    let is_shear = |id: u32| {
        technique.body.beams.iter().any(|b| b.id == id && b.mode == barwright_wave::Mode::S)
    };
    let short = job.reference()?.body.short(is_shear);
    Ok(Sealed::seal(short, [("technique", technique.hash)]))
}

/// The changeover under way with what a short capture says of its steps; those not ended yet end
/// `now_us`. Writes it.
///
/// # Errors
/// Why it could not be done; what was there before stands.
pub fn verify(job: &JobFolder, capture: &Path, now_us: i64) -> Result<Sealed<Changeover>> {
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
    let mut body = begun(job)?.body;
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
    written(job, Sealed::seal(body, sources))
}

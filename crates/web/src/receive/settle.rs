//! From the journal of a bar to its documents: echoes, kept A-scans, the account of every
//! millimetre, the screened bar and its judgement.

use std::path::Path;

use barwright_capture::journal::{End, Frame};
use barwright_capture::{
    CaptureError, CaptureWriter, EchoWriter, JournalReader, Shots, WireBatch, write_inspected,
    write_kept,
};
use barwright_evaluate::EvaluateError;
use barwright_evaluate::screen::Review;
use barwright_job::{Sealed, screened::ScreenedBar};

use super::bar::Documents;
use crate::files::{self, FileError};
use crate::folder::JobFolder;

/// Why a journal could not be settled; it is then left as it is.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SettleError {
    /// A document is missing or unusable.
    #[error(transparent)]
    Document(#[from] FileError),
    /// The journal or a table beside it could not be read or written.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// The bar does not belong to the folder's documents.
    #[error(transparent)]
    Evaluate(#[from] EvaluateError),
}

/// Settles a journal with the documents of its folder; the journal itself stays, to be removed once
/// nothing more rests on it. Settling it again gives the same. Peaks are read twice and never held
/// all at once. `broken_off` is the reason to give
/// where the journal does not tell the bar's end.
///
/// # Errors
/// [`SettleError`]; nothing that was there before is changed.
pub fn settle(
    folder: &JobFolder,
    journal: &Path,
    broken_off: &str,
) -> Result<Sealed<ScreenedBar>, SettleError> {
    let documents = documents(folder)?;
    let mut first = JournalReader::open(journal)?;
    let mut header = first.announcement.header.clone();
    let technique = &documents.technique;
    let new_review =
        |header| Review::new(technique, documents.level.as_ref(), &documents.rules, header);
    // The length is known at the end only; learning does not ask for it.
    let mut review = new_review(&header)?;
    let mut end: Option<End> = None;
    while let Some(frame) = first.next_frame()? {
        match frame {
            Frame::Run(run) => review.learn(&run.peaks),
            Frame::End(e) => end = Some(e),
            Frame::Announcement(_) | Frame::Samples(_) => {}
        }
    }
    let hash = first.hash();
    let end = end.unwrap_or_else(|| End {
        length_m: None,
        broken_off: Some(match first.torn_bytes() {
            Some(n) => format!("{broken_off} ({n} bytes that were not acknowledged are left out)"),
            None => broken_off.to_owned(),
        }),
        findings: Vec::new(),
    });
    if let Some(length_m) = end.length_m {
        header.length_m = length_m;
    }
    let bar = header.bar.clone();
    files::make_room(&folder.echoes_path(&bar))?;
    let mut closing = review.close();
    closing.set_length(header.length_m);
    let mut echoes = EchoWriter::create(&folder.echoes_path(&bar), &technique.hash)?;
    let mut kept = Vec::new();
    let mut samples: Option<CaptureWriter> = None;
    let mut second = JournalReader::open(journal)?;
    while let Some(frame) = second.next_frame()? {
        match frame {
            Frame::Run(mut run) => {
                closing.mark(&mut run.peaks);
                echoes.write(&run.peaks.echoes)?;
                kept.append(&mut run.kept);
            }
            Frame::Samples(batch) => {
                if samples.is_none() {
                    let path = folder.capture_path(&bar);
                    files::make_room(&path)?;
                    samples = Some(CaptureWriter::create(&path, &header)?);
                }
                if let Some(writer) = &mut samples {
                    writer.write(&shots(&WireBatch::new(&batch, header.record.samples)?))?;
                }
            }
            Frame::Announcement(_) | Frame::End(_) => {}
        }
    }
    let echo_hash = echoes.finish()?;
    let record = &technique.body.record;
    write_kept(&folder.ascans_path(&bar), &technique.hash, record, &kept)?;
    let capture = match samples {
        Some(writer) => writer.finish()?,
        None => hash,
    };
    let screened = closing.finish(capture, end.broken_off, end.findings);
    write_inspected(&folder.inspected_path(&bar), &technique.hash, &screened.beams)?;
    let sealed = screened.seal(echo_hash);
    files::write_sealed(&folder.screened_path(&bar), &sealed)?;
    Ok(sealed)
}

/// The documents of a folder that screening rests on.
pub(super) fn documents(folder: &JobFolder) -> Result<Documents, FileError> {
    Ok(Documents {
        technique: folder.technique()?,
        level: match folder.level() {
            Err(FileError::Absent { .. }) => None,
            level => Some(level?),
        },
        rules: folder.rules()?,
    })
}

/// A batch as shots of a capture, 16 bit.
fn shots(batch: &WireBatch) -> Shots {
    let run = batch.run(0..batch.len());
    Shots {
        samples_per_shot: run.samples_per_shot,
        pass: run.pass.to_vec(),
        beam: run.beam.to_vec(),
        time_s: run.time_s.to_vec(),
        z_m: run.z_m.to_vec(),
        turn_rad: run.turn_rad.to_vec(),
        clipped_s: run.clipped_s.to_vec(),
        samples: run.samples.to_i16(0..run.samples.len()),
    }
}

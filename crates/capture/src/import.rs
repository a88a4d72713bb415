//! A-scans of other systems: CSV and NPY files, read as a mapping document says.
//!
//! [`ImportMap`] is the document, written by people; [`import_shots`] turns a file into shots on
//! the technique's record. `docs/imports.md` describes both.

mod convert;
mod csv;
mod map;
mod npy;
mod place;

use std::path::Path;

use barwright_job::{Sealed, Technique};

pub use map::{
    Axis, BeamNumbers, Column, Columns, CsvLayout, FORMAT, ImportMap, Motion, Named, NpyLayout,
    Places, SampleScale,
};

use crate::error::{CaptureError, Result};
use crate::shots::{ShotPlace, Shots};
use convert::Converter;
use place::{Place, Resolver};

/// Bytes of samples after which a batch is handed on.
const BATCH_BYTES: usize = 8 << 20;

/// How an import went.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize)]
pub struct Imported {
    /// Shots read.
    pub shots: u64,
    /// Shots with a sample beyond full scale, which now stands at full scale.
    pub clipped_shots: u64,
    /// Beams of the technique of which the file holds no shot.
    pub absent_beams: Vec<u32>,
    /// Whether the samples were brought to the record's times by interpolation.
    pub resampled: bool,
}

/// Reads A-scans and hands them on in batches of about 8 MiB of samples, in the order of the file.
/// Memory stays bounded, except for an NPY file whose samples do not lie one after another, which
/// is read whole (2 GiB at most).
///
/// # Errors
/// [`CaptureError::Line`] for a field that is no number or a row of a wrong length;
/// [`CaptureError::Map`] where the map does not fit the file or the technique;
/// [`CaptureError::Mismatch`] where rate, first sample or number of samples differ from the
/// technique's record and the map does not ask for interpolation, or the recorded time is too
/// short for it; [`CaptureError::Corrupt`] for a file without shots; what reading says.
pub fn import_shots(
    file: &Path,
    map: &ImportMap,
    technique: &Sealed<Technique>,
    take: impl FnMut(&Shots) -> Result<()>,
) -> Result<Imported> {
    let mut intake = Intake::new(map, &technique.body, take);
    match (&map.csv, &map.npy) {
        (Some(layout), _) => csv::read(file, map, layout, &mut intake)?,
        (None, Some(layout)) => npy::read(file, map, layout, &mut intake)?,
        (None, None) => return Err(map.wrong("csv", "absent", "[csv] or [npy] must be there")),
    }
    intake.finish(file)
}

/// Takes A-scans in the file's own values, one by one.
struct Intake<'a, F> {
    technique: &'a Technique,
    map: &'a ImportMap,
    resolver: Resolver<'a>,
    converter: Option<Converter<'a>>,
    pending: Shots,
    seen: Vec<bool>,
    done: Imported,
    take: F,
}

impl<'a, F: FnMut(&Shots) -> Result<()>> Intake<'a, F> {
    fn new(map: &'a ImportMap, technique: &'a Technique, take: F) -> Self {
        Self {
            technique,
            map,
            resolver: Resolver::new(map, technique.beams.len()),
            converter: None,
            pending: Shots::new(technique.record.samples as usize),
            seen: vec![false; technique.beams.len()],
            done: Imported::default(),
            take,
        }
    }

    /// Demands that A-scans of so many samples can be brought to the record.
    fn begin(&mut self, samples: usize) -> Result<()> {
        let converter = Converter::new(self.map, self.technique, samples)?;
        self.done.resampled = converter.resamples();
        self.converter = Some(converter);
        Ok(())
    }

    /// Takes one A-scan; [`Intake::begin`] came before.
    fn shot(&mut self, place: &Place, theirs: &[f64]) -> Result<()> {
        let Some(converter) = &mut self.converter else {
            return Err(self.map.wrong("samples", "unknown", "their number must be known first"));
        };
        let beam = &self.technique.beams[place.beam as usize];
        let out = self.pending.push(ShotPlace {
            pass: place.pass,
            beam: place.beam,
            time_s: place.time_s,
            z_m: place.z_m,
            turn_rad: place.turn_rad,
        });
        let (beyond, at_full_scale) = converter.convert(theirs, beam, out);
        if let Some(clipped) = self.pending.clipped_s.last_mut() {
            // Both say when a source was at full scale; `min` and `max` leave NaN aside.
            *clipped = [
                place.clipped_s[0].min(at_full_scale[0]),
                place.clipped_s[1].max(at_full_scale[1]),
            ];
        }
        self.done.clipped_shots += u64::from(beyond);
        self.done.shots += 1;
        self.seen[place.beam as usize] = true;
        if self.pending.samples.len() * 2 >= BATCH_BYTES {
            self.flush()?;
        }
        Ok(())
    }

    fn flush(&mut self) -> Result<()> {
        if !self.pending.is_empty() {
            (self.take)(&self.pending)?;
            self.pending = Shots::new(self.pending.samples_per_shot);
        }
        Ok(())
    }

    fn finish(mut self, file: &Path) -> Result<Imported> {
        self.flush()?;
        if self.done.shots == 0 {
            return Err(CaptureError::corrupt(file, "it holds no shots"));
        }
        let beams = self.technique.beams.iter().zip(&self.seen);
        self.done.absent_beams = beams.filter(|(_, seen)| !**seen).map(|(b, _)| b.id).collect();
        Ok(self.done)
    }
}

//! NPY files: A-scans in any order of axes, and the places beside them.

mod array;
mod rows;

use std::path::Path;

use super::map::{Axis, ImportMap, NpyLayout};
use super::place::Place;
use super::{Intake, Shots};
use crate::error::{CaptureError, Result};
use array::Array;
use rows::PlaceRows;

/// Largest file that is read whole, in bytes.
const LARGEST_WHOLE: u64 = 2 << 30;

/// A-scans of an array, one by one.
struct Ascans {
    array: Array,
    /// Strides and lengths of shots, beams and samples.
    shots: (u64, u64),
    beams: Option<(u64, u64)>,
    samples: (u64, usize),
    /// All numbers, where an A-scan's do not lie one after another.
    whole: Option<Vec<f64>>,
}

impl Ascans {
    fn open(path: &Path, map: &ImportMap, layout: &NpyLayout) -> Result<Self> {
        let mut array = Array::open(path)?;
        if array.shape.len() != layout.axes.len() {
            let wanted = format!("{} has shape {:?}", path.display(), array.shape);
            return Err(map.wrong("npy.axes", format!("{} axes", layout.axes.len()), wanted));
        }
        let of = |axis| {
            let i = layout.axes.iter().position(|&a| a == axis)?;
            Some((array.strides[i], array.shape[i]))
        };
        let shots = of(Axis::Shot).unwrap_or((0, 1));
        let beams = of(Axis::Beam);
        let (stride, samples) = of(Axis::Sample).unwrap_or((1, 0));
        if samples == 0 || samples > 1 << 28 {
            let text = format!("its A-scans have {samples} samples, as npy.axes has it");
            return Err(CaptureError::corrupt(path, text));
        }
        let samples = (stride, samples as usize);
        let mut whole = None;
        if stride != 1 {
            let count = array.shape.iter().product::<u64>();
            let size = count.saturating_mul(8);
            if size > LARGEST_WHOLE {
                return Err(CaptureError::Impossible {
                    what: format!("the size of {} in memory", path.display()),
                    value: format!("{} MiB", size >> 20),
                    expected:
                        "a file whose last axis is not the sample is read whole, up to 2048 MiB; \
                               write it with the sample axis last"
                            .into(),
                });
            }
            let mut all = Vec::new();
            array.read(0, count as usize, &mut all)?;
            whole = Some(all);
        }
        Ok(Self { array, shots, beams, samples, whole })
    }

    /// One A-scan. Valid within the array's axes.
    fn read(&mut self, shot: u64, beam: u64, out: &mut Vec<f64>) -> Result<()> {
        let start = shot * self.shots.0 + beam * self.beams.map_or(0, |b| b.0);
        let (stride, count) = self.samples;
        match &self.whole {
            None => self.array.read(start, count, out)?,
            Some(all) => {
                out.clear();
                out.extend((0..count as u64).map(|k| all[(start + k * stride) as usize]));
            }
        }
        match out.iter().position(|x| !x.is_finite()) {
            None => Ok(()),
            Some(k) => {
                let at = format!("sample {k} of shot {shot} (counted from 0) is not finite");
                Err(CaptureError::corrupt(&self.array.path, at))
            }
        }
    }
}

/// Reads shots from an NPY file and the places beside it.
pub(super) fn read<F: FnMut(&Shots) -> Result<()>>(
    path: &Path,
    map: &ImportMap,
    layout: &NpyLayout,
    intake: &mut Intake<'_, F>,
) -> Result<()> {
    let mut ascans = Ascans::open(path, map, layout)?;
    intake.begin(ascans.samples.1)?;
    let shots = ascans.shots.1;
    let mut places = PlaceRows::open(path, map, layout.places.as_ref(), shots)?;
    let mut theirs = Vec::new();
    for shot in 0..shots {
        let place = places.next(intake, shot)?;
        match ascans.beams {
            None => {
                ascans.read(shot, 0, &mut theirs)?;
                intake.shot(&place, &theirs)?;
            }
            Some((_, beams)) => {
                for index in 0..beams {
                    // The axis counts from 0, their numbers from `counted_from`.
                    let theirs_number = index + u64::from(map.beams.counted_from);
                    let beam = intake
                        .resolver
                        .beam(&theirs_number.to_string())
                        .map_err(|why| map.wrong("npy.axes", format!("{beams} beams"), why))?;
                    ascans.read(shot, index, &mut theirs)?;
                    intake.shot(&Place { beam, ..place }, &theirs)?;
                }
            }
        }
    }
    places.end(shots)
}

//! Heights of a bar's echoes over its unrolled surface.

use barwright_phrase::say;
use barwright_report::figures::sized;
use std::{f64::consts::TAU, path::Path};

use barwright_capture::read_echoes;
use barwright_evaluate::place::place;
use barwright_job::{
    Technique,
    screened::EchoMark,
    technique::{GateKind, Section},
};
use barwright_report::text;
use barwright_wave::Point;

use crate::{cache::Cache, files::FileError};

/// Length of a cell along the bar in m: about what lies between two shots of a beam.
const CELL_M: f64 = 0.005;
/// Cells along a bar: as many as are drawn of a whole one at least, and no more than memory likes.
const ALONG: std::ops::RangeInclusive<f64> = 300.0..=2400.0;
/// Cells across.
const ACROSS: usize = 36;

/// Largest height in each cell, for [`barwright_report::ribbon::Heights`].
pub struct Unrolled {
    /// Cells along the bar.
    pub nz: usize,
    /// Cells across.
    pub na: usize,
    /// Heights, index `ia * nz + iz`.
    pub fsh: Vec<Option<f32>>,
}

/// The heights of a bar from its table of echoes; nothing where there is no usable table.
pub fn unrolled(
    cache: &Cache,
    path: &Path,
    technique: &Technique,
    length_m: f64,
) -> Option<std::sync::Arc<Unrolled>> {
    let doc = cache.get(path, || -> Result<Unrolled, FileError> {
        let table = read_echoes(path).map_err(|e| FileError::Read {
            path: path.to_owned(),
            source: std::io::Error::other(e.to_string()),
        })?;
        Ok(bin(&table.echoes, technique, length_m))
    });
    match doc {
        crate::cache::Doc::Here(u) => Some(u),
        _ => None,
    }
}

/// Share of the way across the bar unrolled of a place in the section: clock positions from 6 o'clock over
/// 9, 12 and 3 back to 6 (round and square), depth from the face to the far wall (flat).
pub fn across(section: &Section, at: Point) -> f64 {
    match *section {
        Section::Flat { thickness_m } => -at.y / thickness_m,
        _ => (-0.25 - at.angle() / TAU).rem_euclid(1.0),
    }
}

/// The same in words: a clock position, or a depth.
pub fn clock_of(section: &Section, across: f64) -> String {
    match *section {
        Section::Flat { thickness_m } => say!("{} deep", sized(across * thickness_m, 1)),
        _ => text::clock(-(across + 0.25) * TAU),
    }
}

fn bin(echoes: &[barwright_job::screened::Echo], technique: &Technique, length_m: f64) -> Unrolled {
    let nz = (length_m / CELL_M).clamp(*ALONG.start(), *ALONG.end()) as usize;
    let na = ACROSS;
    let mut fsh: Vec<Option<f32>> = vec![None; nz * na];
    for echo in echoes.iter().filter(|e| e.mark != EchoMark::CouplingLost) {
        let Some(beam) = technique.beams.get(echo.beam as usize) else { continue };
        let Some(gate) = beam.gates.get(usize::from(echo.gate)) else { continue };
        if !matches!(gate.kind, GateKind::Volume | GateKind::Crack) {
            continue;
        }
        let at = place(
            &technique.section,
            beam,
            gate.kind,
            echo.after_surface_s,
            f64::from(echo.turn_rad),
        );
        let across = across(&technique.section, at);
        let cell = |share: f64, n: usize| ((share.clamp(0.0, 1.0) * n as f64) as usize).min(n - 1);
        let k = cell(across, na) * nz + cell(echo.z_m / length_m.max(1e-6), nz);
        if let Some(old) = fsh.get_mut(k) {
            *old = Some(old.map_or(echo.height_fsh, |h| h.max(echo.height_fsh)));
        }
    }
    Unrolled { nz, na, fsh }
}

//! What beams heard at a place of a bar: the kept A-scans nearest to it, each with what was read of it.

use barwright_capture::{KeptAscan, read_echoes, read_kept};
use barwright_evaluate::place::place;
use barwright_job::{
    Technique,
    screened::{Echo, EchoMark},
    technique::{Gate, GateKind, Record},
};
use barwright_wave::Point;

use crate::{
    cache::{Cache, Doc},
    files::FileError,
    folder::JobFolder,
    pages::unrolled::across,
};

/// A-scans told of a place at most.
const NEAREST: usize = 12;

/// Farthest that an A-scan may lie from the place asked for, in m along the bar: a beam's length.
const FAR_M: f64 = 0.03;

/// A part of the way around the bar that weighs as much as a metre along it: a clock hour as much as
/// 10 mm, about what a beam is wide.
const AROUND_M: f64 = 12.0 * 0.010;

/// A place on the bar unrolled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Metres from the head end.
    pub z_m: f64,
    /// Share of the way across the picture, as [`across`] has it.
    pub across: f64,
}

impl Spot {
    /// How far another spot is, in m.
    fn distance(self, other: Self) -> f64 {
        let round = (self.across - other.across).abs();
        (self.z_m - other.z_m).hypot(round.min(1.0 - round) * AROUND_M)
    }
}

/// What was read of one shot of a beam.
#[derive(Debug, Clone)]
pub struct Shot {
    /// Beam by number.
    pub beam: u32,
    /// Where its highest echo comes from; where it has none, where the beam enters.
    pub spot: Spot,
    /// Height of that echo, as a fraction of full screen.
    pub height_fsh: Option<f32>,
    /// Whether coupling was lost.
    pub uncoupled: bool,
    /// Time of the surface from firing, in s.
    pub surface_s: Option<f64>,
    /// Every peak that was read: time from firing in s, height.
    pub peaks: Vec<(f64, f64)>,
    /// Its number among those kept.
    index: usize,
}

/// One A-scan with what was read of it.
pub struct Heard {
    /// What was read.
    pub shot: Shot,
    /// Its samples.
    pub ascan: KeptAscan,
    /// Rate and full scale.
    pub record: Record,
    /// Gates of the beam.
    pub gates: Vec<Gate>,
    /// Velocity along the beam in m/s.
    pub velocity_m_s: f64,
}

/// Where every kept A-scan of a bar belongs.
struct Index(Vec<Shot>);

/// The nearest kept A-scans of a bar, highest echo first, and the one of them that was asked for (0: the
/// highest). None where none was kept near the place.
///
/// # Errors
/// What cannot be read.
pub fn near(
    folder: &JobFolder,
    cache: &Cache,
    (bar, technique): (&str, &Technique),
    spot: Spot,
    choice: usize,
) -> Result<Option<(Vec<Shot>, Heard)>, std::sync::Arc<FileError>> {
    let path = folder.ascans_path(bar);
    let index = match cache.get(&path, || index(folder, bar, technique)) {
        Doc::Here(index) => index,
        Doc::Absent => return Ok(None),
        Doc::Bad(e) => return Err(e),
    };
    let mut found: Vec<(f64, &Shot)> = index
        .0
        .iter()
        .filter(|shot| (shot.spot.z_m - spot.z_m).abs() <= FAR_M)
        .map(|shot| (shot.spot.distance(spot), shot))
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.index.cmp(&b.1.index)));
    let mut shots: Vec<Shot> = found.into_iter().take(NEAREST).map(|(_, s)| s.clone()).collect();
    shots.sort_by(|a, b| b.height_fsh.unwrap_or(0.0).total_cmp(&a.height_fsh.unwrap_or(0.0)));
    let Some(shot) = shots.get(choice.min(shots.len().saturating_sub(1))).cloned() else {
        return Ok(None);
    };
    let mut kept = read_kept(&path).map_err(|e| unreadable(&path, e))?;
    // Written anew between the two readings: as if none was kept, until the next look.
    if shot.index >= kept.ascans.len() {
        return Ok(None);
    }
    let ascan = kept.ascans.swap_remove(shot.index);
    let Some(beam) = technique.beams.get(shot.beam as usize) else { return Ok(None) };
    let heard = Heard {
        shot,
        ascan,
        record: kept.record,
        gates: beam.gates.clone(),
        velocity_m_s: beam.axis.velocity_m_s,
    };
    Ok(Some((shots, heard)))
}

fn unreadable(path: &std::path::Path, e: barwright_capture::CaptureError) -> FileError {
    FileError::Read { path: path.to_owned(), source: std::io::Error::other(e) }
}

fn index(folder: &JobFolder, bar: &str, technique: &Technique) -> Result<Index, FileError> {
    let path = folder.ascans_path(bar);
    if !path.exists() {
        return Err(FileError::Absent { path });
    }
    let kept = read_kept(&path).map_err(|e| unreadable(&path, e))?;
    let path = folder.echoes_path(bar);
    let mut echoes = read_echoes(&path).map_err(|e| unreadable(&path, e))?.echoes;
    echoes.sort_by_key(|e| key(e.beam, e.z_m));
    let shots = kept.ascans.iter().enumerate().map(|(k, a)| {
        let wanted = key(a.beam, a.z_m);
        let from = echoes.partition_point(|e| key(e.beam, e.z_m) < wanted);
        let own = echoes[from..].iter().take_while(|e| key(e.beam, e.z_m) == wanted);
        shot(k, a, (own, surface_s(&echoes, technique, a.beam, a.z_m)), technique)
    });
    Ok(Index(shots.collect()))
}

/// Time of the surface of a beam's shot from firing, as it was followed: the nominal one, shifted by as much
/// as the nearest surface echo of the beam that it follows differs from its own. `echoes` in order of
/// [`key`].
fn surface_s(echoes: &[Echo], technique: &Technique, beam: u32, z_m: f64) -> Option<f64> {
    let beam = technique.beams.get(beam as usize)?;
    let Some(leader) = beam.surface_beam else { return Some(beam.surface_time_s) };
    let nominal_s = technique.beams.get(leader as usize)?.surface_time_s;
    let near = |from: f64, to: f64| {
        let bound = |z: f64| echoes.partition_point(|e| key(e.beam, e.z_m) < key(leader, z));
        &echoes[bound(from)..bound(to)]
    };
    let followed = near(z_m - FAR_M, z_m + FAR_M)
        .iter()
        .filter(|e| gate_of(technique, e).is_some_and(|g| g.kind == GateKind::Surface))
        .min_by(|a, b| (a.z_m - z_m).abs().total_cmp(&(b.z_m - z_m).abs()))?;
    Some(beam.surface_time_s + followed.after_surface_s - nominal_s)
}

fn gate_of<'t>(technique: &'t Technique, echo: &Echo) -> Option<&'t Gate> {
    technique.beams.get(echo.beam as usize)?.gates.get(usize::from(echo.gate))
}

/// A shot's beam and place, to a micrometre: enough to tell shots apart.
fn key(beam: u32, z_m: f64) -> (u32, i64) {
    (beam, (z_m * 1e6).round() as i64)
}

fn shot<'a>(
    index: usize,
    ascan: &KeptAscan,
    (echoes, surface_s): (impl Iterator<Item = &'a Echo>, Option<f64>),
    technique: &Technique,
) -> Shot {
    let entry = technique
        .beams
        .get(ascan.beam as usize)
        .map_or(Point::new(0.0, 0.0), |b| b.axis.entry.rotated(-f64::from(ascan.turn_rad)));
    let mut shot = Shot {
        beam: ascan.beam,
        spot: Spot { z_m: ascan.z_m, across: across(&technique.section, entry) },
        height_fsh: None,
        uncoupled: false,
        surface_s,
        peaks: Vec::new(),
        index,
    };
    let mut flaws: Vec<(&Echo, GateKind)> = Vec::new();
    for echo in echoes {
        let Some(gate) = gate_of(technique, echo) else { continue };
        shot.uncoupled |= echo.mark == EchoMark::CouplingLost;
        match gate.kind {
            GateKind::Surface => {
                shot.peaks.push((echo.after_surface_s, f64::from(echo.height_fsh)));
            }
            kind if echo.mark != EchoMark::CouplingLost => flaws.push((echo, kind)),
            _ => {}
        }
    }
    if let Some(surface) = shot.surface_s {
        let peak =
            |(e, _): &(&Echo, GateKind)| (surface + e.after_surface_s, f64::from(e.height_fsh));
        shot.peaks.extend(flaws.iter().map(peak));
    }
    let looked_for = |kind| matches!(kind, GateKind::Volume | GateKind::Crack);
    let highest = flaws
        .iter()
        .filter(|(_, kind)| looked_for(*kind))
        .max_by(|a, b| a.0.height_fsh.total_cmp(&b.0.height_fsh));
    if let (Some((e, kind)), Some(beam)) = (highest, technique.beams.get(ascan.beam as usize)) {
        let at = place(&technique.section, beam, *kind, e.after_surface_s, f64::from(e.turn_rad));
        shot.spot.across = across(&technique.section, at);
        shot.height_fsh = Some(e.height_fsh);
    }
    shot
}

//! What every judge asks of a capture before it reads one.

use barwright_capture::{CaptureKind, Header, ShotRun};
use barwright_job::{Hash, Sealed, Technique, technique::GateKind};

use crate::error::{EvaluateError, Result};

/// Demands that a capture was taken with this technique, as one of these kinds.
pub(crate) fn demand_capture(
    judge: &'static str,
    kinds: &[CaptureKind],
    wanted: &'static str,
    technique: &Sealed<Technique>,
    header: &Header,
) -> Result<()> {
    if header.technique != technique.hash {
        return Err(EvaluateError::OtherOrigin {
            role: "technique",
            found: header.technique.short().to_owned(),
            wanted: technique.hash.short().to_owned(),
        });
    }
    if !kinds.contains(&header.kind) {
        return Err(EvaluateError::WrongCapture { judge, found: header.kind, wanted });
    }
    let (found, asked) = (&header.record, &technique.body.record);
    if found != asked {
        return Err(EvaluateError::OtherRecord {
            found: found.samples,
            found_hz: found.sample_rate_hz,
            wanted: asked.samples,
            wanted_hz: asked.sample_rate_hz,
        });
    }
    let (gains, beams) = (header.gains_db.len(), technique.body.beams.len());
    if gains != beams {
        return Err(EvaluateError::Gains { message: format!("{gains} gains for {beams} beams") });
    }
    if let Some((i, g)) = header.gains_db.iter().enumerate().find(|(_, g)| !g.is_finite()) {
        return Err(EvaluateError::Gains { message: format!("beam {i} has {g} dB") });
    }
    Ok(())
}

/// Demands that a capture was taken with this level loaded.
pub(crate) fn demand_level(header: &Header, hash: &Hash, gains_db: &[f64]) -> Result<()> {
    if header.level.as_ref() != Some(hash) {
        return Err(EvaluateError::OtherOrigin {
            role: "level",
            found: header.level.as_ref().map_or("none", Hash::short).to_owned(),
            wanted: hash.short().to_owned(),
        });
    }
    // 0.005 dB: a gain that was set is the gain that was asked for; text round trips are finer.
    let differs = header.gains_db.iter().zip(gains_db).position(|(a, b)| (a - b).abs() > 0.005);
    match differs {
        Some(i) => Err(EvaluateError::Gains {
            message: format!(
                "beam {i} was at {:.2} dB, its level is {:.2} dB",
                header.gains_db[i], gains_db[i]
            ),
        }),
        None => Ok(()),
    }
}

/// Demands that a run of shots holds together and speaks of beams that exist.
pub(crate) fn demand_shots(technique: &Technique, shots: &ShotRun<'_>) -> Result<()> {
    let n = shots.len();
    let wrong = |shot, message| Err(EvaluateError::Shots { shot, message });
    let columns = [
        shots.pass.len(),
        shots.time_s.len(),
        shots.z_m.len(),
        shots.turn_rad.len(),
        shots.clipped_s.len(),
    ];
    if columns.iter().any(|&c| c != n) {
        return wrong(0, format!("columns of {columns:?} entries beside {n} beams"));
    }
    if n > 0 && shots.samples_per_shot != technique.record.samples as usize {
        return wrong(
            0,
            format!(
                "{} samples a shot, the technique records {}",
                shots.samples_per_shot, technique.record.samples
            ),
        );
    }
    if shots.samples.len() != n * shots.samples_per_shot {
        return wrong(
            n,
            format!("{} samples for {n} shots of {}", shots.samples.len(), shots.samples_per_shot),
        );
    }
    for i in 0..n {
        if shots.beam[i] as usize >= technique.beams.len() {
            return wrong(i, format!("beam {} of {} beams", shots.beam[i], technique.beams.len()));
        }
        if !(shots.z_m[i].is_finite()
            && shots.time_s[i].is_finite()
            && shots.turn_rad[i].is_finite())
        {
            return wrong(i, "its place or time is not a number".into());
        }
    }
    Ok(())
}

/// Whether a gate looks for flaws.
pub(crate) fn is_flaw_gate(kind: GateKind) -> bool {
    matches!(kind, GateKind::Volume | GateKind::Crack)
}

/// "1 beam", "2 beams".
pub(crate) fn count_beams(n: usize) -> String {
    if n == 1 { "1 beam".into() } else { format!("{n} beams") }
}

/// 20 log10 of a ratio of heights.
pub(crate) fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Middle value; zero for none.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

/// Value below which the given share lies; zero for none.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> f64 {
    let Some(last) = values.len().checked_sub(1) else {
        return 0.0;
    };
    let at = (last as f64 * share).round() as usize;
    *values.select_nth_unstable_by(at.min(last), f64::total_cmp).1
}

/// The angle within (-π, π].
pub(crate) fn wrapped(angle: f64) -> f64 {
    let turn = std::f64::consts::TAU;
    let a = angle.rem_euclid(turn);
    if a > turn / 2.0 { a - turn } else { a }
}

/// Mean; absent for none.
pub(crate) fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

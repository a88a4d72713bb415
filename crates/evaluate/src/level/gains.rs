//! The gain of each beam, and its state.

use barwright_job::{
    level::{BeamLevel, BeamState},
    rules::LevelRule,
    station::Electronics,
};

use super::{heights::BeamRead, stray::Stray};
use crate::reading::db;

/// What a clipped echo is lowered by beyond what brings full scale to the expected height, in dB:
/// its height is not known, and a second try costs more than this.
const CLIPPED_MARGIN_DB: f64 = 6.0;

/// What gains are decided by.
pub(super) struct Context<'a> {
    pub rule: &'a LevelRule,
    pub electronics: &'a Electronics,
}

impl Context<'_> {
    /// The level of one beam. `cured_db` is the part of its deviation that a mechanical cause
    /// explains and that gain must not hide.
    pub fn beam(
        &self,
        beam: usize,
        read: &BeamRead,
        stray: Option<Stray>,
        gain_db: f64,
        cured_db: f64,
        full_scale_fsh: f64,
    ) -> BeamLevel {
        let expected_fsh = read.expected_fsh.unwrap_or(0.0);
        let unchanged = |state| BeamLevel {
            beam: beam as u32,
            gain_db,
            change_db: 0.0,
            height_fsh: read.deviation_db.map(|d| expected_fsh * 10f64.powf(d / 20.0)),
            expected_fsh,
            uncertainty_db: read.uncertainty_db,
            state,
            lower_by_db: None,
            found: None,
        };
        if let Some(stray) = stray {
            let state = match stray.neighbour {
                Some(_) => BeamState::Neighbour,
                None => BeamState::OutOfWindow,
            };
            return BeamLevel { found: Some(stray.found), height_fsh: None, ..unchanged(state) };
        }
        let Some(deviation) = read.deviation_db else {
            return unchanged(BeamState::Missing);
        };
        if read.clipped {
            let over = db(full_scale_fsh / expected_fsh.max(1e-6)).max(0.0) + CLIPPED_MARGIN_DB;
            let lower_by_db = Some(over.min(gain_db - self.electronics.gain_min_db).max(0.0));
            return BeamLevel { lower_by_db, ..unchanged(BeamState::Clipped) };
        }
        if read.doubled {
            return unchanged(BeamState::Doubled);
        }
        let deviation = deviation - cured_db;
        let rule = &self.rule;
        let low = db(rule.low_fsh_percent / rule.target_fsh_percent);
        let high = db(rule.high_fsh_percent / rule.target_fsh_percent);
        // Well inside, the gain that was shown stays; nearer to the limits the next reading could
        // fall outside by noise alone.
        if (low / 2.0..=high / 2.0).contains(&deviation) {
            return unchanged(BeamState::Inside);
        }
        let e = self.electronics;
        let needed = ((gain_db - deviation) / e.gain_step_db).round() * e.gain_step_db;
        let set = needed.clamp(e.gain_min_db, e.gain_max_db);
        let state = if (low..=high).contains(&deviation) {
            BeamState::Inside
        } else if (needed - set).abs() > 1e-9 {
            BeamState::OutOfReach
        } else {
            BeamState::Corrected
        };
        BeamLevel { gain_db: set, change_db: set - gain_db, ..unchanged(state) }
    }
}

/// Whether every beam is inside or listed as beyond what gain can do.
pub(super) fn all_done(beams: &[BeamLevel]) -> bool {
    beams.iter().all(|b| !matches!(b.state, BeamState::Corrected | BeamState::Clipped))
}

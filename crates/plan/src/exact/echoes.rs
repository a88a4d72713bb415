//! Echoes of single flaws in single beams by the exact field.

use barwright_job::technique::{Section, Technique};
use barwright_wave::Point;

use super::class::Like;
use super::fields::{Bars, Fields};
use super::maps::Fineness;
use super::weights::Flaw;
use crate::conditions::Conditions;
use crate::echo::Echo;
use crate::error::Result;
use crate::proof::rim_angles;

/// Rings and angles of the maps that echoes are read from.
const RINGS: usize = 40;
const ANGLES: usize = 720;

/// Echoes of a flaw, under the middle of a pulse, in the beams and at the places of the nominal section that
/// are asked for; longitudinal beams for a disc, shear beams for a crack, whose place gives its angle. `None`
/// where a beam is not worth computing or of the other kind.
///
/// # Errors
/// Those of [`Conditions::nominal`] and of the wave crate; a refusal for a section that is not round or has
/// no water.
pub fn exact_echoes(
    technique: &Technique,
    flaw: Flaw,
    asked: &[(u32, Point)],
) -> Result<Vec<Option<Echo>>> {
    let nominal = Conditions::nominal(technique)?;
    let Section::Round { radius_m } = technique.section else {
        return Err(crate::conditions::dry());
    };
    let bars = Bars::default();
    let likes: Vec<Like<'_>> =
        technique.beams.iter().map(|b| Like::beam(&technique.probes, b)).collect();
    let (disc, crack) = match flaw {
        Flaw::Crack { .. } => (None, Some(flaw)),
        _ => (Some(flaw), None),
    };
    let fineness = Fineness { rings: RINGS, angles: ANGLES, rim: rim_angles(&nominal), around: 1 };
    let mut fields = Fields::new(&bars, &nominal, &likes, disc, crack, fineness);
    let prepared = fields.prepare(&nominal)?;
    Ok(asked
        .iter()
        .map(|(id, place)| {
            let beam = technique.beams.iter().position(|b| b.id == *id)?;
            let seen = fields.seen(prepared, beam, place.radius() / radius_m, place.angle())?;
            Some(Echo { transfer_db: seen.level_db, arrival_s: seen.time_s })
        })
        .collect())
}

//! The diagram: heights against distance for a list of diameters.

use super::field::DgsBeam;
use super::monotone::Monotone;
use super::read::DgsError;
use crate::error::WaveError;
use crate::pulse::Pulse;

/// What heights are counted from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// The echo of the back wall at a distance in m.
    BackWall {
        /// Distance in m.
        distance_m: f64,
    },
    /// The echo of a disc (the reference disc).
    Disc {
        /// Distance in m.
        distance_m: f64,
        /// Diameter in m.
        diameter_m: f64,
    },
    /// A level in dB re 1 m of unit transfer.
    Level {
        /// The level in dB.
        level_db: f64,
    },
}

/// Heights of discs and of the back wall along a beam, in dB relative to a reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    pub(super) distances_m: Vec<f64>,
    pub(super) diameters_m: Vec<f64>,
    /// By diameter, then distance.
    pub(super) heights_db: Vec<Vec<f64>>,
    pub(super) wall_db: Vec<f64>,
    reference_db: f64,
    near_field_m: Option<f64>,
    /// By diameter, over the logarithm of the distance.
    pub(super) by_distance: Vec<Monotone>,
    wall_by_distance: Monotone,
}

impl Curves {
    /// The diagram of a beam for a pulse: one curve per diameter and that of the back wall. Distances
    /// and diameters in m, both rising.
    ///
    /// `earliest_s` tells for a distance in m from when on its echo may be looked for
    /// ([`crate::reflect::EchoSpectrum::peak`]).
    ///
    /// # Errors
    /// [`DgsError::Wave`] for lists that are empty or do not rise, and whatever the beam answers; for a
    /// reference whose echo is nothing.
    pub fn compute(
        beam: &dyn DgsBeam,
        pulse: &Pulse,
        distances_m: &[f64],
        diameters_m: &[f64],
        reference: Reference,
        earliest_s: &dyn Fn(f64) -> f64,
    ) -> Result<Self, DgsError> {
        rising("a distance along the beam", distances_m)?;
        rising("a diameter", diameters_m)?;
        let disc = |distance: f64, diameter: f64| -> Result<f64, DgsError> {
            let echo = beam.disc(distance, diameter)?;
            Ok(echo.peak(pulse, earliest_s(distance))?.level_db())
        };
        let wall = |distance: f64| -> Result<f64, DgsError> {
            let echo = beam.wall(distance)?;
            Ok(echo.peak(pulse, earliest_s(distance))?.level_db())
        };
        let reference_db = match reference {
            Reference::BackWall { distance_m } => wall(distance_m)?,
            Reference::Disc { distance_m, diameter_m } => disc(distance_m, diameter_m)?,
            Reference::Level { level_db } => level_db,
        };
        if !reference_db.is_finite() || reference_db <= -399.0 {
            return Err(DgsError::Wave(WaveError::OutOfRange {
                what: "the echo of the reference",
                value: reference_db,
                unit: "dB",
                expected: "finite and above -399",
            }));
        }
        let heights_db = diameters_m
            .iter()
            .map(|&diameter| {
                distances_m.iter().map(|&z| Ok(disc(z, diameter)? - reference_db)).collect()
            })
            .collect::<Result<Vec<Vec<f64>>, DgsError>>()?;
        let wall_db = distances_m
            .iter()
            .map(|&z| Ok(wall(z)? - reference_db))
            .collect::<Result<Vec<f64>, DgsError>>()?;
        let logs: Vec<f64> = distances_m.iter().map(|z| z.ln()).collect();
        let by_distance =
            heights_db.iter().map(|row| Monotone::new(logs.clone(), row.clone())).collect();
        let near_field_m = last_maximum(distances_m, &heights_db[0]);
        Ok(Self {
            distances_m: distances_m.to_vec(),
            diameters_m: diameters_m.to_vec(),
            wall_by_distance: Monotone::new(logs, wall_db.clone()),
            heights_db,
            wall_db,
            reference_db,
            near_field_m,
            by_distance,
        })
    }

    /// Distances in m.
    #[must_use]
    pub fn distances_m(&self) -> &[f64] {
        &self.distances_m
    }

    /// Diameters in m.
    #[must_use]
    pub fn diameters_m(&self) -> &[f64] {
        &self.diameters_m
    }

    /// Heights in dB re the reference, by diameter, then distance.
    #[must_use]
    pub fn heights_db(&self) -> &[Vec<f64>] {
        &self.heights_db
    }

    /// Heights of the back wall in dB re the reference, by distance.
    #[must_use]
    pub fn wall_db(&self) -> &[f64] {
        &self.wall_db
    }

    /// Level of the reference in dB re 1 m of unit transfer.
    #[must_use]
    pub fn reference_db(&self) -> f64 {
        self.reference_db
    }

    /// Distance in m of the last maximum of the smallest disc's curve (end of the near field, or
    /// focus); `None` if it falls from the first distance on.
    #[must_use]
    pub fn near_field_m(&self) -> Option<f64> {
        self.near_field_m
    }

    /// Heights at a distance in m between the first and the last: every diameter's, and the wall's.
    ///
    /// # Errors
    /// [`DgsError::Distance`] outside.
    pub fn heights_at(&self, distance_m: f64) -> Result<(Vec<f64>, f64), DgsError> {
        let (from_m, to_m) = (self.distances_m[0], self.distances_m[self.distances_m.len() - 1]);
        if !(from_m..=to_m).contains(&distance_m) {
            return Err(DgsError::Distance { distance_m, from_m, to_m });
        }
        let log = distance_m.ln();
        Ok((self.by_distance.iter().map(|c| c.at(log)).collect(), self.wall_by_distance.at(log)))
    }
}

/// Place of the last local maximum, by a parabola over the logarithm of the distance.
fn last_maximum(distances_m: &[f64], heights_db: &[f64]) -> Option<f64> {
    let i = (1..heights_db.len().saturating_sub(1))
        .rev()
        .find(|&i| heights_db[i] > heights_db[i - 1] && heights_db[i] >= heights_db[i + 1])?;
    let x = [i - 1, i, i + 1].map(|k| distances_m[k].ln());
    let y = [i - 1, i, i + 1].map(|k| heights_db[k]);
    let (left, right) = ((y[1] - y[0]) / (x[1] - x[0]), (y[2] - y[1]) / (x[2] - x[1]));
    let bend = (right - left) / (x[2] - x[0]);
    if bend >= 0.0 {
        return Some(distances_m[i]);
    }
    Some((0.5 * (x[0] + x[1]) - 0.5 * left / bend).clamp(x[0], x[2]).exp())
}

fn rising(what: &'static str, list: &[f64]) -> Result<(), WaveError> {
    if list.is_empty() {
        return Err(WaveError::Count { what, got: 0, need: 1 });
    }
    let mut before = 0.0;
    for &value in list {
        if !(value.is_finite() && value > before) {
            let expected = "finite, above zero and above the one before it";
            return Err(WaveError::OutOfRange { what, value, unit: "m", expected });
        }
        before = value;
    }
    Ok(())
}

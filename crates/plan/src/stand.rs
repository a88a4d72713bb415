//! Where the flat arrays of a ring may stand: how long the water path is, and which rule bounds it.
//!
//! Arcs about the ring's centre have theirs from ring and bar. Flat arrays can be drawn back: no nearer than
//! the second surface echo behind the far wall allows, no further than their travel.

use barwright_job::{
    Order, Station,
    order::SectionSpec,
    station::{Array, Coupling, Ring},
    technique::Media,
};

use crate::conditions::off_centre_m;
use crate::error::Result;
use crate::limits::least_water_path_m;
use crate::square::face;

/// Stands tried beside the nearest, as shares of what travel is left from there. A longer water path makes
/// every record longer, so that what pays lies near the nearest.
const SHARES: [f64; 3] = [0.1, 0.25, 0.6];

/// Travel in m below which there is nothing to choose.
const LEAST_TRAVEL_M: f64 = 1e-3;

/// Distances in m of the probes' faces from the ring's centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stand {
    /// Where the flat arrays stand; absent for arcs and for arrays in contact.
    pub at_m: Option<f64>,
    /// As near as they may stand.
    pub nearest_m: f64,
    /// As far as they can be drawn back.
    pub furthest_m: f64,
    /// Whether the second surface echo holds the nearest, not the ring's own place.
    pub echo_holds: bool,
}

impl Stand {
    /// The nearest stand of a ring for an order.
    ///
    /// # Errors
    /// [`crate::PlanError::NoTechnique`] where a square's arrays cannot be drawn back far enough.
    pub fn of(order: &Order, station: &Station, ring: &Ring, media: &Media) -> Result<Self> {
        let fixed = Self { at_m: None, nearest_m: 0.0, furthest_m: 0.0, echo_holds: false };
        let least_m = match order.section {
            SectionSpec::Square(s) => face::least_distance_m(order, station, ring, &s, media)?,
            SectionSpec::Round(r) => media.water.map_or(0.0, |water| {
                let diameter_m = r.diameter_mm * 1e-3;
                let play_m = off_centre_m(order, station) + (r.tolerance_mm / 2.0 + 2.0) * 1e-3;
                let steel = media.steel.longitudinal_m_s;
                let path_m = least_water_path_m(diameter_m, water.velocity_m_s, steel);
                diameter_m / 2.0 + path_m + play_m
            }),
            SectionSpec::Flat(_) => return Ok(fixed),
        };
        let (Array::Flat(array), Coupling::Water(_)) = (ring.array, station.coupling) else {
            return Ok(fixed);
        };
        let own_m = array.distance_mm * 1e-3;
        let furthest_m = own_m + array.travel_mm * 1e-3;
        // Around a round bar the rule is told, not asked: what such rings have is taken.
        let nearest_m = least_m.max(own_m).min(furthest_m);
        Ok(Self { at_m: Some(nearest_m), nearest_m, furthest_m, echo_holds: nearest_m > own_m })
    }

    /// Other stands worth weighing, in m, each further away than the one before.
    #[must_use]
    pub fn others_m(&self) -> Vec<f64> {
        let left_m = self.furthest_m - self.nearest_m;
        if self.at_m.is_none() || left_m < LEAST_TRAVEL_M {
            return Vec::new();
        }
        SHARES.iter().map(|share| self.nearest_m + share * left_m).collect()
    }
}

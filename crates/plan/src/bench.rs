//! Order and station brought into SI, shared by all steps of a plan.

use std::sync::Arc;

use barwright_job::{
    Order, Rules, Station,
    order::SectionSpec,
    station::{Coupling, Ring},
    technique::{Media, Probe, PulseSpec, Sensitivity},
};
use barwright_wave::water;

use crate::conditions::Conditions;
use crate::coverage::BEST_BEAMS;
use crate::error::{PlanError, Result};
use crate::exact::{Bars, Flaw};
use crate::ring;
use crate::stand::Stand;
use crate::watch::PlanWatch;

/// dB in one neper: 20 / ln 10.
const DB_PER_NEPER: f64 = 8.685_889_638_065_037;

/// What a plan is made from.
#[derive(Debug)]
pub struct Bench<'a> {
    /// The order.
    pub order: &'a Order,
    /// The station.
    pub station: &'a Station,
    /// Ring that serves the size.
    pub ring: &'a Ring,
    /// Where its probes stand.
    pub stand: Stand,
    /// Probes of the ring.
    pub probes: Vec<Probe>,
    /// Pulse of the probes.
    pub pulse: PulseSpec,
    /// Nominal state of bar and water.
    pub nominal: Conditions,
    /// What a height means.
    pub sensitivity: Sensitivity,
    /// How many beams must see a short flaw: the rules' persistence. Pulses lie so far apart that
    /// one beam's own shots cannot be counted on for it.
    pub agreeing: usize,
    /// How far in dB a flaw must stand over noise, by the rules.
    pub noise_db: f64,
    /// Modal solutions of round bars already computed.
    pub bars: Arc<Bars>,
    /// Who watches the search.
    pub watch: PlanWatch<'a>,
}

impl<'a> Bench<'a> {
    /// Brings order, station and rules together, on the first of the rings that serve the order and with
    /// the shortest water path that the rules allow.
    ///
    /// # Errors
    /// No ring for the size; a section or coupling that is not planned; rules that the order does
    /// not name.
    pub fn new(order: &'a Order, station: &'a Station, rules: &Rules) -> Result<Self> {
        let ring = ring::serving(order, station)?.remove(0);
        Self::on(order, station, rules, ring)
    }

    /// [`Self::new`] on a ring of the station.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn on(
        order: &'a Order,
        station: &'a Station,
        rules: &Rules,
        ring: &'a Ring,
    ) -> Result<Self> {
        let section = order.section();
        if order.order.rules != rules.rules.name {
            return Err(PlanError::rule(
                "acceptance rules",
                format!(
                    "the order names {}, the rules given are {}",
                    order.order.rules, rules.rules.name
                ),
                format!("give the rules named {}", order.order.rules),
            ));
        }
        let water = match (station.coupling, order.section) {
            (Coupling::Water(w), SectionSpec::Round(_) | SectionSpec::Square(_)) => {
                Some(water::water(w.temperature_c)?)
            }
            (Coupling::Contact(_), SectionSpec::Flat(_)) => None,
            (Coupling::Water(_), _) => {
                return Err(PlanError::rule(
                    "section and coupling",
                    "flat sections are not planned through water yet",
                    "use a station with an array in contact",
                ));
            }
            (Coupling::Contact(_), _) => {
                return Err(PlanError::rule(
                    "section and coupling",
                    "an array in contact looks at flat sections only",
                    "use a station with a ring in water",
                ));
            }
        };
        let media = Media {
            water,
            steel: order.solid()?,
            attenuation_l_np_m: order.steel.attenuation_l_db_per_m / DB_PER_NEPER,
            attenuation_s_np_m: order.steel.attenuation_s_db_per_m / DB_PER_NEPER,
        };
        let pulse = PulseSpec {
            centre_hz: ring.frequency_mhz * 1e6,
            bandwidth_rel: ring.bandwidth_percent / 100.0,
        };
        let stand = Stand::of(order, station, ring, &media)?;
        let probes = match stand.at_m {
            Some(distance_m) => ring::drawn(ring, distance_m),
            None => ring::probes(ring, &station.coupling),
        };
        Ok(Self {
            order,
            station,
            ring,
            stand,
            probes,
            pulse,
            nominal: Conditions::of(&section, &media, &pulse)?,
            sensitivity: Sensitivity {
                disc_diameter_m: order.flaws.disc.diameter_mm * 1e-3,
                crack_depth_m: order.flaws.crack.map(|c| c.depth_mm * 1e-3),
                target_fsh: rules.level.target_fsh_percent / 100.0,
                alarm_fsh: rules.alarm.height_fsh_percent / 100.0,
                skin_m: order.flaws.disc.skin_mm * 1e-3,
                persistence: rules.alarm.persistence.max(1),
            },
            agreeing: (rules.alarm.persistence as usize).clamp(1, BEST_BEAMS),
            noise_db: rules.check.signal_to_noise_db,
            bars: Arc::default(),
            watch: PlanWatch::default(),
        })
    }

    /// The same with the flat arrays elsewhere within their travel, at `distance_m` from the ring's centre.
    #[must_use]
    pub fn drawn(&self, distance_m: f64) -> Self {
        Self {
            probes: ring::drawn(self.ring, distance_m),
            stand: Stand { at_m: Some(distance_m), ..self.stand },
            nominal: self.nominal.clone(),
            bars: Arc::clone(&self.bars),
            ..*self
        }
    }

    /// The ordered disc, facing the beam.
    #[must_use]
    pub fn disc(&self) -> Flaw {
        Flaw::Disc { diameter_m: self.sensitivity.disc_diameter_m, tilt_rad: 0.0 }
    }

    /// The ordered crack, where cracks are ordered.
    #[must_use]
    pub fn crack(&self) -> Option<Flaw> {
        let depth_m = self.sensitivity.crack_depth_m?;
        Some(Flaw::Crack { depth_m, length_m: self.crack_length_m() })
    }

    /// Length along the bar of the ordered crack: the shortest flaw of the order, in m.
    #[must_use]
    pub fn crack_length_m(&self) -> f64 {
        self.order.flaws.shortest_mm * 1e-3
    }

    /// Step of the delays in s.
    #[must_use]
    pub fn delay_step_s(&self) -> f64 {
        self.station.electronics.delay_step_ns * 1e-9
    }
}

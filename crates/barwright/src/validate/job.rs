//! The demo's job in memory: its documents, and how its virtual station is levelled and checked.

use barwright_capture::Shots;
use barwright_evaluate::check::Checking;
use barwright_evaluate::level::Levelling;
use barwright_job::check::Check;
use barwright_job::level::Level;
use barwright_job::reference::ReferenceBar;
use barwright_job::{Hash, Order, Rules, Sealed, Station, Technique};
use barwright_twin::VirtualStation;

use crate::failure::Failure;

/// The documents of the demo's job: 42 mm round bars on line 2.
pub(super) struct Job {
    pub order: Order,
    pub station: Station,
    pub rules: Rules,
    pub technique: Sealed<Technique>,
    pub reference: Sealed<ReferenceBar>,
}

impl Job {
    /// Reads the documents, plans the technique and designs the reference bar.
    pub fn new() -> Result<Self, Failure> {
        let order = include_str!("../../../../examples/order-round-42.toml");
        let station = include_str!("../../../../examples/station-line-2.toml");
        let rules = include_str!("../../../../examples/rules-th-k2.toml");
        let order = Order::from_toml("order-round-42.toml", order)?;
        let station = Station::from_toml("station-line-2.toml", station)?;
        let rules = Rules::from_toml("rules-th-k2.toml", rules)?;
        let technique = barwright_plan::technique(&order, &station, &rules)?;
        let reference = barwright_plan::reference_bar(&technique)?;
        Ok(Self { order, station, rules, technique, reference })
    }

    /// Levels the station once, with given gains to start from.
    pub fn level(
        &self,
        station: &VirtualStation,
        gains: &[f64],
        loaded: Option<Hash>,
        passes: u16,
        occasion: &str,
    ) -> Result<Sealed<Level>, Failure> {
        let capture =
            station.reference_capture(&self.reference, gains, loaded, passes, occasion)?;
        let mut levelling = Levelling::new(
            &self.technique,
            &self.reference,
            &self.rules,
            &self.station.electronics,
            capture.header(),
        )?;
        capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(levelling.push(&shots)?) })?;
        Ok(levelling.finish(Hash::of(occasion.as_bytes()))?)
    }

    /// Levels the station as the demo does: from the technique's gains, then again with the gains found.
    /// The second level is in force.
    pub fn level_twice(
        &self,
        station: &VirtualStation,
        passes: u16,
    ) -> Result<Sealed<Level>, Failure> {
        let start: Vec<f64> = self.technique.body.beams.iter().map(|b| b.gain_db).collect();
        let first = self.level(station, &start, None, passes, "reference-1")?;
        let loaded = Some(first.hash.clone());
        self.level(station, &gains(&first), loaded, passes, "reference-2")
    }

    /// The dynamic check of a levelled station, with as many passes as the rules ask.
    pub fn check(
        &self,
        station: &VirtualStation,
        level: &Sealed<Level>,
    ) -> Result<Sealed<Check>, Failure> {
        self.check_as(station, level, "check-01")
    }

    /// The same under a name: checks of another name have other noise.
    pub fn check_as(
        &self,
        station: &VirtualStation,
        level: &Sealed<Level>,
        occasion: &str,
    ) -> Result<Sealed<Check>, Failure> {
        let passes = u16::try_from(self.rules.check.passes).unwrap_or(u16::MAX);
        let speed = self.technique.body.line_speed_m_s;
        let loaded = Some(level.hash.clone());
        let capture = station.check_capture(
            &self.reference,
            &gains(level),
            loaded,
            passes,
            speed,
            occasion,
        )?;
        let mut checking =
            Checking::new(&self.technique, level, &self.reference, &self.rules, capture.header())?;
        capture.run(&mut |shots: Shots| -> Result<(), Failure> { Ok(checking.push(&shots)?) })?;
        Ok(checking.finish(Hash::of(occasion.as_bytes()))?)
    }
}

/// Gains of a level in the order of the beams.
pub(super) fn gains(level: &Sealed<Level>) -> Vec<f64> {
    level.body.beams.iter().map(|b| b.gain_db).collect()
}

//! Measures: the few figures of a level or a check that trends are drawn from.
//!
//! They stand in the document and, as a copy, in its entry of the ledger, so that a trend over
//! hundreds of checks needs no document but the ledger. Values are rounded: what is measured is
//! coarser.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a series of measures says. Its list has one value for each beam, probe or reflector, or one
/// for the whole station.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// By beam, of a level: gain set, in dB re the technique's.
    BeamGain,
    /// By beam, of a level: height read, in dB re the height expected.
    BeamHeight,
    /// By beam: what the beam reads of the far wall at the technique's gain, in dB re full screen
    /// height, the middle over the capture. It follows the probe's sensitivity and is free of the gains
    /// that a level set.
    WallHeight,
    /// By beam: the same of the surface echo; absent where it is at full scale.
    SurfaceHeight,
    /// By beam: time by which the surface comes later than the technique says, in microseconds, the
    /// middle over the capture.
    SurfaceDelay,
    /// By reflector: mean height over the passes in which it was called, in dB re the level target.
    ReflectorHeight,
    /// By reflector: by how many dB all of its echoes may fall until the check fails for it (called no more in
    /// some pass, or too little over the noise); 0 and less where it failed.
    ReflectorReserve,
    /// Highest noise on the plain stretches, in dB re full screen height.
    Noise,
    /// Temperature of the water in °C, from the surface times if the water path is the technique's.
    WaterTemperature,
    /// Of a run of elements, of a level that explained it as weak: see [`ElementSensitivity`].
    ElementSensitivity,
    /// Calls on plain stretches, all passes together.
    FalseCalls,
    /// Reflectors called over reflectors passed, all passes together, 0 to 1.
    FoundShare,
}

impl Quantity {
    /// Unit, with what a dB is relative to.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::BeamGain => "dB re technique",
            Self::BeamHeight => "dB re expected",
            Self::WallHeight | Self::SurfaceHeight | Self::Noise => "dB re full screen",
            Self::SurfaceDelay => "µs",
            Self::ReflectorHeight => "dB re target",
            Self::ReflectorReserve => "dB",
            Self::ElementSensitivity => "dB re probe",
            Self::WaterTemperature => "°C",
            Self::FalseCalls => "calls",
            Self::FoundShare => "of 1",
        }
    }

    /// Step to which values are rounded, in its unit.
    #[must_use]
    pub fn step(self) -> f64 {
        match self {
            Self::SurfaceDelay | Self::FoundShare => 0.001,
            Self::FalseCalls => 1.0,
            _ => 0.01,
        }
    }
}

/// A reflector of the reference bar as trends need it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Marked {
    /// Its mark.
    pub name: String,
    /// Probes whose beams called it, by number from 0.
    pub probes: Vec<u32>,
}

/// A run of elements whose sensitivity a level told.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ElementSensitivity {
    /// Probe, from 0.
    pub probe: u32,
    /// First element of the run, from 0.
    pub first: u32,
    /// Last element of the run.
    pub last: u32,
    /// Sensitivity on firing and on receiving each, in dB re the probe's median (negative: weak).
    pub sensitivity_db: f64,
}

/// The measures of a level or a check.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measures {
    /// Probe of each beam, from 0; empty where no series is by beam.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub probes: Vec<u32>,
    /// The reflectors, in the order of their series.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reflectors: Vec<Marked>,
    /// The series; a value that was not measured is absent.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub series: BTreeMap<Quantity, Vec<Option<f64>>>,
    /// Elements that the level explained as weak.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub elements: Vec<ElementSensitivity>,
}

impl Measures {
    /// Whether nothing was measured, as in documents of earlier versions.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Keeps a series, rounded to the step of its quantity. Values that are not finite count as not
    /// measured, and a series without any value is left out.
    pub fn keep(&mut self, quantity: Quantity, values: impl IntoIterator<Item = Option<f64>>) {
        let values: Vec<Option<f64>> = values
            .into_iter()
            .map(|v| v.filter(|v| v.is_finite()).map(|v| rounded(v, quantity.step())))
            .collect();
        if values.iter().any(Option::is_some) {
            self.series.insert(quantity, values);
        }
    }

    /// Value of a series at a place, where it was measured.
    #[must_use]
    pub fn value(&self, quantity: Quantity, at: usize) -> Option<f64> {
        self.series.get(&quantity)?.get(at).copied().flatten()
    }

    /// A whole series; empty where it was not measured.
    #[must_use]
    pub fn of(&self, quantity: Quantity) -> &[Option<f64>] {
        self.series.get(&quantity).map_or(&[], Vec::as_slice)
    }
}

/// A value to a step of 1, 0.01 or 0.001; no negative nought, which would be another text.
#[must_use]
pub fn rounded(value: f64, step: f64) -> f64 {
    // A division by a whole number leaves the shortest decimal, a product by the step would not.
    let per = (1.0 / step).round();
    (value * per).round() / per + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form; the text is what the ledger keeps.
    #[test]
    fn measures_are_short_and_survive_the_round_trip() {
        let mut m = Measures::default();
        assert!(m.is_empty());
        m.keep(Quantity::WallHeight, [Some(-1.234_567), None, Some(-0.001), Some(f64::NAN)]);
        m.keep(Quantity::Noise, [None]);
        assert_eq!(m.value(Quantity::WallHeight, 0), Some(-1.23));
        assert_eq!(m.value(Quantity::WallHeight, 3), None);
        assert_eq!(m.value(Quantity::Noise, 0), None);
        let text = serde_json::to_string(&m).expect("plain data");
        assert_eq!(text, r#"{"series":{"wall_height":[-1.23,null,0.0,null]}}"#);
        assert_eq!(serde_json::from_str::<Measures>(&text).expect("its own text"), m);
        assert_eq!(serde_json::from_str::<Measures>("{}").expect("nothing"), Measures::default());
    }
}

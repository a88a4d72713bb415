//! A second look: what a full-matrix capture shows at a place of a bar or in a block, and how far it may be believed.

use barwright_wave::{Mode, Point, Surface};
use base64::prelude::{BASE64_STANDARD, Engine as _};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Finding, limits::Limits, seal::Document};

/// What a full-matrix capture shows. Its sources are `matrix` and, where an indication asked for it, `judgement`.
///
/// The frame is the array's: its middle is the origin, x counts along its elements, y away from its face. Where the surface is
/// round, places are told from the bar's axis too.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SecondLook {
    /// Name of the matrix.
    pub matrix: String,
    /// The indication that asked for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked_by: Option<AskedBy>,
    /// How it was recorded.
    pub recorded: Recorded,
    /// Velocities that times were turned into places with.
    pub velocities: Velocities,
    /// Through what sound entered the steel.
    pub entry: Entry,
    /// The pictures, one for each pair of modes.
    pub views: Vec<View>,
    /// What is to be known besides.
    pub findings: Vec<Finding>,
}

impl Document for SecondLook {
    const KIND: &'static str = "second look";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> crate::Result<()> {
        let l = Limits { document: name };
        for (i, view) in self.views.iter().enumerate() {
            let places = u64::from(view.grid.columns) * u64::from(view.grid.rows);
            let key = format!("body.views.{i}.grid.step_m");
            l.within(&key, view.grid.step_m * 1e3, 1e-3, 100.0, "mm")?;
            let levels = view.levels.0.len() as u64;
            if places == 0 || levels != places {
                let key = format!("body.views.{i}.levels");
                return Err(l.impossible(&key, levels, format!("one for each of {places} places")));
            }
        }
        Ok(())
    }
}

/// An indication of a judged bar.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct AskedBy {
    /// The bar.
    pub bar: String,
    /// Letter of the indication.
    pub letter: String,
}

/// The records as they came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Recorded {
    /// Elements of the array.
    pub elements: u32,
    /// Elements, counted from 0, whose records are too weak to be used.
    pub dead: Vec<u32>,
    /// Pairs completed from their other direction.
    pub completed_pairs: u32,
    /// Traces that reached full scale.
    pub clipped_traces: u32,
    /// Median relative difference of the two directions of a pair; absent where none was recorded both ways.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reciprocity: Option<f64>,
    /// Sampling rate in Hz.
    pub sample_rate_hz: f64,
    /// First and last time recorded, in s from firing.
    pub span_s: [f64; 2],
    /// Delay in s that was taken off every time: how much later than its firing the middle of the pulse leaves an element.
    pub delay_s: f64,
    /// Centre frequency of what was heard, in Hz.
    pub centre_hz: f64,
    /// Bandwidth of what was heard at -6 dB, over its centre.
    pub bandwidth_rel: f64,
}

/// Velocities in m/s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Velocities {
    /// In the water; absent for an array in contact.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_m_s: Option<f64>,
    /// Of longitudinal waves in the steel.
    pub longitudinal_m_s: f64,
    /// Of shear waves in the steel.
    pub shear_m_s: f64,
    /// Standard uncertainty of those in the steel, over themselves.
    pub steel_uncertainty_rel: f64,
    /// Standard uncertainty of that in the water, over itself.
    pub water_uncertainty_rel: f64,
}

/// Through what sound entered the steel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Entry {
    /// The array stood on it.
    Contact,
    /// A surface that was found from the records.
    Found {
        /// The surface.
        surface: Surface,
        /// Elements that heard it.
        elements: u32,
        /// Root mean square of what is left of their distances, in m.
        scatter_m: f64,
        /// Standard uncertainty of its distance from the array, in m.
        uncertainty_m: f64,
    },
}

/// Places in rows along x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Places {
    /// The place with the least x and y.
    pub corner: Point,
    /// Distance of neighbours in m.
    pub step_m: f64,
    /// Places along x.
    pub columns: u32,
    /// Places along y.
    pub rows: u32,
}

/// A picture by one pair of modes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct View {
    /// Mode on the way out, and on the way back.
    pub modes: [Mode; 2],
    /// The places that were looked at.
    pub grid: Places,
    /// Height of each place, row by row from the corner.
    pub levels: Levels,
    /// Greatest height; 1 is full scale in every pair.
    pub highest: f64,
    /// Median height of all places: what the picture shows where nothing stands out.
    pub floor: f64,
    /// Least distance in m of two points that would be told apart in the middle of the picture, along x and y.
    pub resolution_m: [f64; 2],
    /// How much less a point would show at the least favoured place of the picture than at the most favoured, in dB.
    pub sensitivity_range_db: f64,
    /// What stands out, highest first.
    pub spots: Vec<Spot>,
}

/// Heights of places under the greatest, one byte each, written in Base64: 0 where no sound came or more than 127 dB down, otherwise
/// 1 and two more for each dB below the greatest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Levels(pub Vec<u8>);

impl Levels {
    /// Levels of heights.
    #[must_use]
    pub fn of(heights: &[f32]) -> Self {
        let highest = heights.iter().copied().fold(0.0, f32::max);
        let level = |h: &f32| {
            let half_db = 40.0 * (highest / h).log10();
            if *h > 0.0 && half_db <= 254.0 { half_db.round() as u8 + 1 } else { 0 }
        };
        Self(heights.iter().map(level).collect())
    }

    /// Level of a place in dB re the greatest; none where no sound came, and for a place that is none.
    #[must_use]
    pub fn db(&self, place: usize) -> Option<f64> {
        self.0.get(place).filter(|v| **v > 0).map(|v| -0.5 * (f64::from(*v) - 1.0))
    }
}

impl Serialize for Levels {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&BASE64_STANDARD.encode(&self.0))
    }
}

impl<'de> Deserialize<'de> for Levels {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        BASE64_STANDARD.decode(text).map(Self).map_err(serde::de::Error::custom)
    }
}

impl JsonSchema for Levels {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Levels".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "contentEncoding": "base64",
            "description": "One byte a place: 0 where no sound came, otherwise 1 and two more for each dB below the greatest."
        })
    }
}

/// A place that stands out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Spot {
    /// Where it is highest.
    pub place: Point,
    /// Standard uncertainty of that along x and y, in m.
    pub place_uncertainty_m: [f64; 2],
    /// Depth under the surface in m; of a round bar, under its skin opposite the array, along the array's axis.
    pub depth_m: f64,
    /// Distance from the axis in m and angle in rad from the middle of the array, of a bar that is round.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub about_axis: Option<[f64; 2]>,
    /// Height; 1 is full scale in every pair.
    pub height: f64,
    /// Height over the picture's floor, in dB.
    pub over_floor_db: f64,
    /// How a point would show here against the most favoured place of the picture, in dB.
    pub sensitivity_db: f64,
    /// Extent along x and y within 6 dB, in m.
    pub extent_m: [f64; 2],
    /// What the extent of a point would be, in m.
    pub point_extent_m: [f64; 2],
    /// Size along x and y in m: the middle between that of an even face and that of a disc which would be drawn so wide; absent
    /// where it cannot be told from a point.
    pub size_m: [Option<f64>; 2],
    /// Standard uncertainty of the size, its unknown shape included; of a place without a size that of its extent. In m.
    pub size_uncertainty_m: [f64; 2],
    /// Share of the pairs whose record was at full scale when this place was heard.
    pub clipped_share: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: property. What is written is read back, and a level is good to a quarter of a decibel.
    #[test]
    fn levels_survive_and_are_good_to_a_quarter_of_a_decibel() {
        let heights = [1.0, 0.5, 0.001, 0.0, 1e-9, 0.73];
        let levels = Levels::of(&heights);
        let text = serde_json::to_string(&levels).expect("text");
        assert_eq!(serde_json::from_str::<Levels>(&text).expect("its own text"), levels);
        for (place, height) in heights.iter().enumerate() {
            let db = 20.0 * f64::from(*height).log10();
            match levels.db(place) {
                Some(level) => assert!((level - db).abs() < 0.251, "{level} {db}"),
                None => assert!(*height < 1e-6, "{height}"),
            }
        }
        assert!(Levels::of(&[0.0, 0.0]).0.iter().all(|v| *v == 0));
        assert!(serde_json::from_str::<Levels>("\"!\"").is_err());
    }
}

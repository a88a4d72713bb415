//! The station: what to inspect with. Written by people, in TOML.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{error::Result, limits::Limits, order::is_zero, read, seal::Hash};

/// Format number of a station.
pub const FORMAT: u32 = 1;

/// A station document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Station {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// Where it stands.
    pub station: Head,
    /// How sound gets into the steel.
    pub coupling: Coupling,
    /// How bars move.
    pub line: Line,
    /// The instrument.
    pub electronics: Electronics,
    /// The rings, each for a range of sizes.
    pub rings: Vec<Ring>,
}

/// Where a station stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Name of the station.
    pub name: String,
    /// Mill.
    pub mill: String,
    /// Line.
    pub line: String,
}

/// How sound gets into the steel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Coupling {
    /// Through water.
    Water(Water),
    /// The array lies on the steel.
    Contact(Contact),
}

/// The water of the station.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Water {
    /// Temperature in °C.
    pub temperature_c: f64,
    /// Deviation of the temperature, plus and minus, in K.
    pub tolerance_k: f64,
}

/// An array lying on the steel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Contact {
    /// Depth under the array that the firing hides, in mm.
    pub dead_zone_mm: f64,
}

/// How bars move.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Highest line speed in m/s.
    pub max_speed_m_s: f64,
    /// Largest distance of the bar's centre from the ring's, in mm.
    pub centring_mm: f64,
    /// Length at head and tail over which the bar is not guided or coupled well, in mm.
    pub unguided_end_mm: f64,
    /// Distance between the guides before and after the ring, in mm, over which a bar that is not
    /// straight bows; 0: its bow is part of `centring_mm`.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub guide_distance_mm: f64,
    /// Angle by which a square bar may be turned about its axis, plus and minus, in degrees.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub turn_deg: f64,
}

/// The instrument.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Electronics {
    /// Most elements in one aperture.
    pub aperture_elements: u32,
    /// Most apertures that can fire at the same moment.
    pub parallel_apertures: u32,
    /// Step of the delays in ns.
    pub delay_step_ns: f64,
    /// Lowest gain in dB (re unit transfer).
    pub gain_min_db: f64,
    /// Highest gain in dB (re unit transfer).
    pub gain_max_db: f64,
    /// Step of the gain in dB.
    pub gain_step_db: f64,
    /// Highest pulse repetition frequency in Hz.
    pub max_prf_hz: f64,
    /// Sampling rate in MHz.
    pub sample_rate_mhz: f64,
    /// Highest representable height, in percent of full screen height.
    pub headroom_fsh_percent: f64,
    /// Most elements that can act at the same moment, over all apertures; absent: as many as
    /// `aperture_elements` times `parallel_apertures`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channels: Option<u32>,
    /// Most data that can be carried away, in megabytes a second, two bytes a sample; absent: no
    /// limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data_rate_mb_s: Option<f64>,
}

/// Probes that stand around the bar for one range of sizes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Ring {
    /// Name of the ring.
    pub name: String,
    /// Smallest section size it serves, in mm.
    pub smallest_mm: f64,
    /// Largest section size it serves, in mm.
    pub largest_mm: f64,
    /// Number of probes, evenly spaced.
    pub probes: u32,
    /// Angle of the first probe's middle from +x, counter-clockwise, in degrees.
    pub first_probe_deg: f64,
    /// The probes' array.
    pub array: Array,
    /// Centre frequency in MHz.
    pub frequency_mhz: f64,
    /// Bandwidth at -6 dB, percent of the centre frequency.
    pub bandwidth_percent: f64,
    /// Sections it serves; empty: round ones for arcs, all for flat arrays.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sections: Vec<Shape>,
}

/// Shapes of section that a ring may serve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Round bars.
    Round,
    /// Square bars.
    Square,
    /// Flat blocks.
    Flat,
}

/// The array of a probe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Array {
    /// A concave arc about the ring's centre.
    Arc(ArcArray),
    /// A flat array.
    Flat(FlatArray),
}

/// A concave arc about the ring's centre.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ArcArray {
    /// Radius of the arc in mm.
    pub radius_mm: f64,
    /// Number of elements.
    pub elements: u32,
    /// Pitch along the arc in mm.
    pub pitch_mm: f64,
    /// Width of an element in mm.
    pub element_width_mm: f64,
    /// Length of an element along the bar in mm.
    pub element_length_mm: f64,
    /// Way in the water, in mm, at which a face curved along the bar focuses; absent for a straight
    /// face.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub axial_focus_mm: Option<f64>,
}

/// A flat array.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FlatArray {
    /// Distance of the array's face from the ring's centre in mm; 0 for an array in contact.
    pub distance_mm: f64,
    /// Way in mm by which the face can be drawn further back than `distance_mm`.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub travel_mm: f64,
    /// Number of elements.
    pub elements: u32,
    /// Pitch in mm.
    pub pitch_mm: f64,
    /// Width of an element in mm.
    pub element_width_mm: f64,
    /// Length of an element along the bar in mm.
    pub element_length_mm: f64,
    /// Way in the water, in mm, at which a face curved along the bar focuses; absent for a straight
    /// face.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub axial_focus_mm: Option<f64>,
}

impl Array {
    /// Number of elements, pitch, width and length, the last three in mm.
    #[must_use]
    pub fn elements(&self) -> (u32, f64, f64, f64) {
        match *self {
            Self::Arc(a) => (a.elements, a.pitch_mm, a.element_width_mm, a.element_length_mm),
            Self::Flat(a) => (a.elements, a.pitch_mm, a.element_width_mm, a.element_length_mm),
        }
    }

    /// Way in the water, in mm, at which the elements focus along the bar; absent if they do not.
    #[must_use]
    pub fn axial_focus_mm(&self) -> Option<f64> {
        match *self {
            Self::Arc(a) => a.axial_focus_mm,
            Self::Flat(a) => a.axial_focus_mm,
        }
    }
}

impl Ring {
    /// Whether the ring serves sections of a shape.
    #[must_use]
    pub fn serves(&self, shape: Shape) -> bool {
        match (self.sections.is_empty(), self.array) {
            (false, _) => self.sections.contains(&shape),
            (true, Array::Arc(_)) => shape == Shape::Round,
            (true, Array::Flat(_)) => true,
        }
    }
}

impl Station {
    /// Reads and checks a station.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, or a value that cannot be.
    pub fn from_toml(name: &str, text: &str) -> Result<Self> {
        let station: Self = read::toml(name, text)?;
        station.check(name).map_err(|e| read::at_line(e, text))?;
        Ok(station)
    }

    fn check(&self, document: &str) -> Result<()> {
        let l = Limits { document };
        l.format("station", self.format, FORMAT)?;
        l.named("station.name", &self.station.name)?;
        match self.coupling {
            Coupling::Water(w) => {
                l.within("coupling.water.temperature_c", w.temperature_c, 0.0, 95.0, "°C")?;
                l.within("coupling.water.tolerance_k", w.tolerance_k, 0.0, 30.0, "K")?;
            }
            Coupling::Contact(c) => {
                l.within("coupling.contact.dead_zone_mm", c.dead_zone_mm, 0.0, 100.0, "mm")?;
            }
        }
        l.within("line.max_speed_m_s", self.line.max_speed_m_s, 0.001, 10.0, "m/s")?;
        l.within("line.centring_mm", self.line.centring_mm, 0.0, 20.0, "mm")?;
        l.within("line.unguided_end_mm", self.line.unguided_end_mm, 0.0, 5000.0, "mm")?;
        l.within("line.guide_distance_mm", self.line.guide_distance_mm, 0.0, 10_000.0, "mm")?;
        l.within("line.turn_deg", self.line.turn_deg, 0.0, 10.0, "°")?;
        let e = &self.electronics;
        if let Some(channels) = e.channels
            && channels < e.aperture_elements
        {
            let (key, least) = ("electronics.channels", e.aperture_elements);
            return Err(l.impossible(key, channels, format!("one aperture needs {least}")));
        }
        if let Some(rate) = e.data_rate_mb_s {
            l.within("electronics.data_rate_mb_s", rate, 0.001, 1e6, "MB/s")?;
        }
        if e.aperture_elements == 0 {
            return Err(l.impossible(
                "electronics.aperture_elements",
                0,
                "at least one element must act",
            ));
        }
        if e.parallel_apertures == 0 {
            return Err(l.impossible(
                "electronics.parallel_apertures",
                0,
                "at least one aperture must fire",
            ));
        }
        l.within("electronics.delay_step_ns", e.delay_step_ns, 0.01, 100.0, "ns")?;
        l.within("electronics.gain_min_db", e.gain_min_db, -200.0, 200.0, "dB")?;
        l.within("electronics.gain_max_db", e.gain_max_db, e.gain_min_db, 200.0, "dB")?;
        l.within("electronics.gain_step_db", e.gain_step_db, 0.001, 6.0, "dB")?;
        l.within("electronics.max_prf_hz", e.max_prf_hz, 1.0, 1e6, "Hz")?;
        l.within("electronics.headroom_fsh_percent", e.headroom_fsh_percent, 100.0, 10_000.0, "%")?;
        if self.rings.is_empty() {
            return Err(l.impossible("rings", "empty", "a station needs at least one ring"));
        }
        for (i, ring) in self.rings.iter().enumerate() {
            let key = |name: &str| format!("rings[{i}].{name}");
            l.named(&key("name"), &ring.name)?;
            l.positive(&key("smallest_mm"), ring.smallest_mm, "mm")?;
            l.within(&key("largest_mm"), ring.largest_mm, ring.smallest_mm, 500.0, "mm")?;
            if ring.probes == 0 {
                return Err(l.impossible(&key("probes"), 0, "a ring needs at least one probe"));
            }
            l.within(&key("first_probe_deg"), ring.first_probe_deg, -360.0, 360.0, "°")?;
            l.within(&key("frequency_mhz"), ring.frequency_mhz, 0.1, 30.0, "MHz")?;
            l.within(&key("bandwidth_percent"), ring.bandwidth_percent, 10.0, 150.0, "%")?;
            l.within(
                "electronics.sample_rate_mhz",
                e.sample_rate_mhz,
                2.0 * ring.frequency_mhz * (1.0 + ring.bandwidth_percent / 200.0),
                1000.0,
                "MHz",
            )?;
            let (elements, pitch, width, length) = ring.array.elements();
            if elements < e.aperture_elements {
                return Err(l.impossible(
                    "electronics.aperture_elements",
                    e.aperture_elements,
                    format!("ring {} has probes of {elements} elements", ring.name),
                ));
            }
            l.positive(&key("array.pitch_mm"), pitch, "mm")?;
            l.within(&key("array.element_width_mm"), width, 0.01, pitch, "mm")?;
            l.positive(&key("array.element_length_mm"), length, "mm")?;
            if let Some(focus) = ring.array.axial_focus_mm() {
                let key = key("array.axial_focus_mm");
                l.within(&key, focus, 1.0, 10_000.0, "mm")?;
                if matches!(self.coupling, Coupling::Contact(_)) {
                    return Err(l.impossible(&key, focus, "a face in contact is straight"));
                }
            }
            match (ring.array, self.coupling) {
                (Array::Arc(a), _) => {
                    l.within(
                        &key("array.arc.radius_mm"),
                        a.radius_mm,
                        ring.largest_mm / 2.0,
                        1000.0,
                        "mm",
                    )?;
                    let around = f64::from(ring.probes) * f64::from(elements) * pitch;
                    l.within(
                        &key("array.arc.elements"),
                        around,
                        0.0,
                        2.0 * std::f64::consts::PI * a.radius_mm,
                        "mm of arc in all",
                    )?;
                }
                (Array::Flat(a), Coupling::Water(_)) => {
                    l.within(
                        &key("array.flat.distance_mm"),
                        a.distance_mm,
                        ring.largest_mm / 2.0,
                        1000.0,
                        "mm",
                    )?;
                    l.within(&key("array.flat.travel_mm"), a.travel_mm, 0.0, 1000.0, "mm")?;
                }
                (Array::Flat(a), Coupling::Contact(_)) => {
                    l.within(&key("array.flat.distance_mm"), a.distance_mm, 0.0, 0.0, "mm")?;
                    l.within(&key("array.flat.travel_mm"), a.travel_mm, 0.0, 0.0, "mm")?;
                }
            }
        }
        Ok(())
    }

    /// Hash of the meaning of the station.
    #[must_use]
    pub fn hash(&self) -> Hash {
        Hash::of_meaning(self)
    }
}

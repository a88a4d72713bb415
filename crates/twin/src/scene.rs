//! The scene: what is wrong with the bars and with the station. Written by people, in TOML.
//!
//! Lengths are in mm, angles in degrees from +x counter-clockwise, places along the bar from its
//! head end.

use barwright_job::{Hash, limits::Limits, read};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use crate::faults::{
    Bend, Bubbles, MovedProbe, StationFaults, WeakElement, WeakProbe, WrongProbes,
};

/// Format number of a scene.
pub const FORMAT: u32 = 1;

/// A scene document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Scene {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// Seed of everything random; the same seed gives the same bytes.
    pub seed: u64,
    /// What is wrong with the station.
    pub station: StationFaults,
    /// The bars, in the order in which they come.
    #[serde(default)]
    pub bars: Vec<SceneBar>,
}

/// A bar with what is in it and what goes wrong while it passes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SceneBar {
    /// Bar number within the lot.
    pub name: String,
    /// Its flaws.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub flaws: Vec<Flaw>,
    /// Stretches over which the water does not couple.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub coupling_losses: Vec<CouplingLoss>,
    /// Cycles that are not recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missed_cycles: Vec<MissedCycles>,
}

/// A flaw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Flaw {
    /// A flat inclusion in the volume.
    Disc(Disc),
    /// Open pipe along the bar's axis.
    CentrePipe(CentrePipe),
    /// A radial crack that is open to the surface.
    Crack(Crack),
}

/// A flat inclusion, round, that faces the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Disc {
    /// Diameter in mm.
    pub diameter_mm: f64,
    /// Distance from the bar's axis in mm.
    pub radius_mm: f64,
    /// Angle around the bar.
    pub angle_deg: f64,
    /// Place along the bar in mm.
    pub z_mm: f64,
    /// Turn of its normal out of the radius, within the section, counter-clockwise.
    #[serde(default)]
    pub tilt_deg: f64,
}

/// Open pipe along the bar's axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CentrePipe {
    /// Diameter in mm.
    pub diameter_mm: f64,
    /// Start along the bar in mm.
    pub from_mm: f64,
    /// End along the bar in mm.
    pub to_mm: f64,
}

/// A radial crack that is open to the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Crack {
    /// Depth in mm.
    pub depth_mm: f64,
    /// Length along the bar in mm.
    pub length_mm: f64,
    /// Angle around the bar.
    pub angle_deg: f64,
    /// Middle along the bar in mm.
    pub z_mm: f64,
}

/// A stretch over which the water does not couple: its shots carry noise only.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CouplingLoss {
    /// Start along the bar in mm.
    pub from_mm: f64,
    /// End along the bar in mm.
    pub to_mm: f64,
    /// Probe concerned, counted from 0; absent: all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub probe: Option<u32>,
}

/// Cycles of all beams that the instrument did not record.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MissedCycles {
    /// Place along the bar of the first one in mm.
    pub at_mm: f64,
    /// How many.
    pub cycles: u32,
}

impl Flaw {
    /// Stretch of the bar it takes up, in mm from the head end.
    #[must_use]
    pub fn stretch_mm(&self) -> [f64; 2] {
        match *self {
            Self::Disc(d) => [d.z_mm - d.diameter_mm / 2.0, d.z_mm + d.diameter_mm / 2.0],
            Self::CentrePipe(p) => [p.from_mm, p.to_mm],
            Self::Crack(c) => [c.z_mm - c.length_mm / 2.0, c.z_mm + c.length_mm / 2.0],
        }
    }
}

impl Scene {
    /// Reads and checks a scene.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, or a value that cannot be.
    pub fn from_toml(name: &str, text: &str) -> barwright_job::Result<Self> {
        let scene: Self = read::toml(name, text)?;
        scene.check(name)?;
        Ok(scene)
    }

    /// The text of this scene, as [`Self::from_toml`] reads it.
    #[must_use]
    pub fn to_toml(&self) -> String {
        toml::to_string(self).expect("a scene is plain data with string keys")
    }

    /// Hash of the meaning of the scene.
    #[must_use]
    pub fn hash(&self) -> Hash {
        Hash::of_meaning(self)
    }

    /// The bar of a name.
    #[must_use]
    pub fn bar(&self, name: &str) -> Option<&SceneBar> {
        self.bars.iter().find(|bar| bar.name == name)
    }

    fn check(&self, document: &str) -> barwright_job::Result<()> {
        let l = Limits { document };
        l.format("scene", self.format, FORMAT)?;
        self.station.check(&l)?;
        for (i, bar) in self.bars.iter().enumerate() {
            let key = format!("bars.{i}");
            l.named(&format!("{key}.name"), &bar.name)?;
            if self.bars[..i].iter().any(|other| other.name == bar.name) {
                return Err(l.impossible(
                    &format!("{key}.name"),
                    &bar.name,
                    "two bars of a lot cannot bear the same number",
                ));
            }
            bar.check(&l, &key)?;
        }
        Ok(())
    }
}

/// Longest bar, largest radius, in mm: wider than any order, so that a scene can be read without
/// one. What does not fit the bar at hand is refused when it is simulated.
const LONGEST_MM: f64 = 30_000.0;
const WIDEST_MM: f64 = 127.0;

impl SceneBar {
    fn check(&self, l: &Limits, bar: &str) -> barwright_job::Result<()> {
        for (i, flaw) in self.flaws.iter().enumerate() {
            let key = |name: &str| format!("{bar}.flaws.{i}.{name}");
            match *flaw {
                Flaw::Disc(d) => {
                    l.within(&key("disc.diameter_mm"), d.diameter_mm, 0.05, 20.0, "mm")?;
                    l.within(&key("disc.radius_mm"), d.radius_mm, 0.0, WIDEST_MM, "mm")?;
                    l.within(&key("disc.angle_deg"), d.angle_deg, -360.0, 360.0, "°")?;
                    l.within(&key("disc.z_mm"), d.z_mm, 0.0, LONGEST_MM, "mm")?;
                    l.within(&key("disc.tilt_deg"), d.tilt_deg, -90.0, 90.0, "°")?;
                }
                Flaw::CentrePipe(p) => {
                    l.within(&key("centre_pipe.diameter_mm"), p.diameter_mm, 0.05, 20.0, "mm")?;
                    l.within(&key("centre_pipe.from_mm"), p.from_mm, 0.0, LONGEST_MM, "mm")?;
                    l.within(&key("centre_pipe.to_mm"), p.to_mm, p.from_mm, LONGEST_MM, "mm")?;
                }
                Flaw::Crack(c) => {
                    l.within(&key("crack.depth_mm"), c.depth_mm, 0.05, 20.0, "mm")?;
                    l.within(&key("crack.length_mm"), c.length_mm, 0.1, LONGEST_MM, "mm")?;
                    l.within(&key("crack.angle_deg"), c.angle_deg, -360.0, 360.0, "°")?;
                    l.within(&key("crack.z_mm"), c.z_mm, 0.0, LONGEST_MM, "mm")?;
                }
            }
        }
        for (i, loss) in self.coupling_losses.iter().enumerate() {
            let key = |name: &str| format!("{bar}.coupling_losses.{i}.{name}");
            l.within(&key("from_mm"), loss.from_mm, 0.0, LONGEST_MM, "mm")?;
            l.within(&key("to_mm"), loss.to_mm, loss.from_mm, LONGEST_MM, "mm")?;
        }
        for (i, missed) in self.missed_cycles.iter().enumerate() {
            let key = format!("{bar}.missed_cycles.{i}.at_mm");
            l.within(&key, missed.at_mm, 0.0, LONGEST_MM, "mm")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::DocumentError;

    const TEXT: &str = r#"
format = 1
seed = 7

[station]
element_spread_db = 0.5
probe_spread_db = 1.0
noise_fsh_percent = 1.0
wobble_mm = 0.1

[[bars]]
name = "01"
flaws = [
  { disc = { diameter_mm = 1.0, radius_mm = 8.0, angle_deg = 30.0, z_mm = 900.0 } },
  { crack = { depth_mm = 0.5, length_mm = 20.0, angle_deg = -90.0, z_mm = 1500.0 } },
]
coupling_losses = [{ from_mm = 100.0, to_mm = 150.0, probe = 2 }]
"#;

    // Truth: property (round trip).
    #[test]
    fn a_scene_survives_the_round_trip() {
        let scene = Scene::from_toml("scene.toml", TEXT).expect("a scene");
        assert_eq!(scene.bars[0].flaws.len(), 2);
        let back = Scene::from_toml("again", &scene.to_toml()).expect("its own text");
        assert_eq!(back, scene);
    }

    // Truth: property. A scene written before there were other faults means none of them, and its
    // hash (which names it as a source) stays what it was.
    #[test]
    fn an_old_scene_has_no_new_faults() {
        let scene = Scene::from_toml("scene.toml", TEXT).expect("a scene");
        let text = scene.to_toml();
        for key in ["offset", "bend", "temperature", "water_path", "drift", "swapped", "bubbles"] {
            assert!(!text.contains(key), "{key} in {text}");
        }
        let full = include_str!("../../../examples/scene-levelling-faults.toml");
        let full = Scene::from_toml("example", full).expect("the example");
        assert_eq!(Scene::from_toml("again", &full.to_toml()).expect("its own text"), full);
        assert!(full.station.bend.is_some() && full.station.offset_mm != [0.0; 2]);
    }

    #[test]
    fn impossible_values_name_their_key() {
        let noise = "noise_fsh_percent = 1.0";
        for (from, to, key) in [
            (noise, "noise_fsh_percent = -1.0", "station.noise_fsh_percent"),
            (noise, "noise_fsh_percent = 1.0\noffset_mm = [0.1, nan]", "station.offset_mm.1"),
            (noise, "noise_fsh_percent = 1.0\nswapped_probes = [2, 2]", "station.swapped_probes"),
            (
                noise,
                "noise_fsh_percent = 1.0\nbend = { sag_mm = 9.0, direction_deg = 0.0 }",
                "station.bend.sag_mm",
            ),
            (
                noise,
                "noise_fsh_percent = 1.0\nmoved_probes = [{ probe = 1, by_mm = 50.0 }]",
                "station.moved_probes.0.by_mm",
            ),
            ("to_mm = 150.0", "to_mm = 50.0", "bars.0.coupling_losses.0.to_mm"),
            ("depth_mm = 0.5", "depth_mm = 0.0", "bars.0.flaws.1.crack.depth_mm"),
        ] {
            let e = Scene::from_toml("s", &TEXT.replace(from, to)).expect_err("impossible");
            assert!(matches!(&e, DocumentError::Impossible { key: k, .. } if k == key), "{e}");
        }
        let e =
            Scene::from_toml("s", &TEXT.replace("radius_mm", "radios_mm")).expect_err("unknown");
        assert!(e.hint().is_some_and(|h| h.contains("radius_mm")), "{e}");
        let twice = format!("{TEXT}\n[[bars]]\nname = \"01\"\n");
        assert!(Scene::from_toml("s", &twice).is_err());
    }
}

//! Acceptance rules: what is recorded, what is accepted, and how levels and checks are judged.
//! Written by people, in TOML.

use serde::{Deserialize, Serialize};

use crate::{error::Result, limits::Limits, read, seal::Hash};

/// Format number of acceptance rules.
pub const FORMAT: u32 = 1;

/// An acceptance-rule document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rules {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// Name, version and source.
    pub rules: Head,
    /// When an echo counts.
    pub alarm: Alarm,
    /// Flaws of the volume.
    pub volume: Volume,
    /// Cracks and other flaws of the surface.
    pub surface: SurfaceRule,
    /// What happens where the bar was not inspected.
    pub not_inspected: NotInspected,
    /// Levelling.
    pub level: LevelRule,
    /// The dynamic check.
    pub check: CheckRule,
}

/// Name, version and source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Name, as orders cite it.
    pub name: String,
    /// Version.
    pub version: String,
    /// Where the values come from.
    pub source: String,
}

/// When an echo counts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Alarm {
    /// Height from which an echo counts, percent of full screen height. The ordered flaw on a
    /// beam's axis reads the level target.
    pub height_fsh_percent: f64,
    /// Number of neighbouring shots (of one beam or of neighbouring beams) that must agree.
    pub persistence: u32,
}

/// Flaws of the volume.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Volume {
    /// Largest accepted equivalent disc of a single flaw, in mm.
    pub largest_disc_mm: f64,
    /// Longest accepted flaw along the bar, in mm.
    pub longest_mm: f64,
}

/// Cracks and other flaws of the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurfaceRule {
    /// Deepest accepted crack, in mm.
    pub deepest_mm: f64,
    /// Depth above which the bar is rejected whole, not cropped, in mm.
    pub reject_bar_mm: f64,
}

/// What happens where the bar was not inspected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NotInspected {
    /// Longest gap between two shots of one beam that still counts as inspected, in mm; 0 takes
    /// the technique's own pulse spacing plus a tenth.
    pub longest_gap_mm: f64,
    /// What to do with an uninspected stretch between the ends.
    pub action: GapAction,
}

/// What to do with an uninspected stretch between the ends of a bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GapAction {
    /// Hold the bar for another pass.
    Hold,
    /// Cut the stretch out.
    Crop,
}

/// Levelling.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LevelRule {
    /// Target height, percent of full screen height.
    pub target_fsh_percent: f64,
    /// Lowest accepted height, percent of full screen height.
    pub low_fsh_percent: f64,
    /// Highest accepted height, percent of full screen height.
    pub high_fsh_percent: f64,
}

/// The dynamic check.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CheckRule {
    /// Passes at line speed.
    pub passes: u32,
    /// Largest accepted spread of a reflector's height over the passes, in dB.
    pub spread_db: f64,
    /// Lowest accepted ratio of reflector height to noise, in dB.
    pub signal_to_noise_db: f64,
    /// Largest accepted error of a reflector's place along the bar, in mm.
    pub place_mm: f64,
    /// Largest accepted standard deviation of a height from pass to pass, not exceeded with 95 %
    /// confidence, in dB; absent: it is told, not judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repeatability_db: Option<f64>,
    /// Longest time between two checks, in hours.
    pub interval_h: f64,
}

impl Rules {
    /// Reads and checks acceptance rules.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, or a value that cannot be.
    pub fn from_toml(name: &str, text: &str) -> Result<Self> {
        let rules: Self = read::toml(name, text)?;
        rules.validate(name)?;
        Ok(rules)
    }

    fn validate(&self, document: &str) -> Result<()> {
        let l = Limits { document };
        l.format("set of acceptance rules", self.format, FORMAT)?;
        l.named("rules.name", &self.rules.name)?;
        l.named("rules.version", &self.rules.version)?;
        l.named("rules.source", &self.rules.source)?;
        l.within("alarm.height_fsh_percent", self.alarm.height_fsh_percent, 1.0, 100.0, "%")?;
        if self.alarm.persistence == 0 {
            return Err(l.impossible("alarm.persistence", 0, "at least one shot must agree"));
        }
        l.within("volume.largest_disc_mm", self.volume.largest_disc_mm, 0.1, 100.0, "mm")?;
        l.within("volume.longest_mm", self.volume.longest_mm, 0.1, 30_000.0, "mm")?;
        l.within("surface.deepest_mm", self.surface.deepest_mm, 0.01, 100.0, "mm")?;
        l.within(
            "surface.reject_bar_mm",
            self.surface.reject_bar_mm,
            self.surface.deepest_mm,
            100.0,
            "mm",
        )?;
        l.within(
            "not_inspected.longest_gap_mm",
            self.not_inspected.longest_gap_mm,
            0.0,
            1000.0,
            "mm",
        )?;
        let v = &self.level;
        l.within("level.target_fsh_percent", v.target_fsh_percent, 10.0, 100.0, "%")?;
        l.within("level.low_fsh_percent", v.low_fsh_percent, 1.0, v.target_fsh_percent, "%")?;
        l.within("level.high_fsh_percent", v.high_fsh_percent, v.target_fsh_percent, 100.0, "%")?;
        l.within(
            "alarm.height_fsh_percent",
            self.alarm.height_fsh_percent,
            1.0,
            v.target_fsh_percent,
            "% (not above the level target)",
        )?;
        let c = &self.check;
        if c.passes == 0 {
            return Err(l.impossible("check.passes", 0, "at least one pass is needed"));
        }
        l.within("check.spread_db", c.spread_db, 0.0, 40.0, "dB")?;
        l.within("check.signal_to_noise_db", c.signal_to_noise_db, 0.0, 80.0, "dB")?;
        l.within("check.place_mm", c.place_mm, 0.0, 1000.0, "mm")?;
        if let Some(db) = c.repeatability_db {
            l.within("check.repeatability_db", db, 0.01, 40.0, "dB")?;
        }
        l.within("check.interval_h", c.interval_h, 0.01, 168.0, "h")
    }

    /// Hash of the meaning of the rules.
    #[must_use]
    pub fn hash(&self) -> Hash {
        Hash::of_meaning(self)
    }
}

//! Acceptance rules: what is recorded, what is accepted, and how levels and checks are judged.
//! Written by people, in TOML.
//!
//! Format 1 has one limit for the volume and two for the surface; format 2 has zones with classes
//! instead ([`zones`]), and more that a standard may ask for. Judges read neither: they read
//! [`tables`], which both become. A document keeps its hash whichever it is.

pub mod tables;
pub mod zones;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{error::Result, limits::Limits, read, seal::Hash};
use zones::{Action, Zone};

/// Latest format number of acceptance rules.
pub const FORMAT: u32 = 2;

/// What stands in a template where a value is still to be entered.
pub const TO_BE_ENTERED: &str = "to be entered";

/// An acceptance-rule document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rules {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// Name, version and source.
    pub rules: Head,
    /// When an echo counts.
    pub alarm: Alarm,
    /// Flaws of the volume; format 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume: Option<Volume>,
    /// Cracks and other flaws of the surface; format 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface: Option<SurfaceRule>,
    /// Zones with their classes; format 2.
    #[serde(rename = "zone", default, skip_serializing_if = "Vec::is_empty")]
    pub zones: Vec<Zone>,
    /// Indications that are judged as one; format 2, absent: each by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grouping: Option<Grouping>,
    /// Length always cut off; format 2, absent: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<Ends>,
    /// Loss of the back wall; format 2, absent: not judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub back_wall: Option<BackWall>,
    /// Too many indications; format 2, absent: [`TooMany::default`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub too_many: Option<TooMany>,
    /// Height added before a flaw is judged; format 2, absent: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub guard: Option<Guard>,
    /// What happens where the bar was not inspected.
    pub not_inspected: NotInspected,
    /// Levelling.
    pub level: LevelRule,
    /// The dynamic check.
    pub check: CheckRule,
    /// What follows where a certification or calibration ended; absent: it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expiry: Option<ExpiryRule>,
}

/// Name, version and source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Alarm {
    /// Height from which an echo counts, percent of full screen height. The ordered flaw on a
    /// beam's axis reads the level target.
    pub height_fsh_percent: f64,
    /// Number of neighbouring shots (of one beam or of neighbouring beams) that must agree.
    pub persistence: u32,
}

/// Flaws of the volume.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Volume {
    /// Largest accepted equivalent disc of a single flaw, in mm.
    pub largest_disc_mm: f64,
    /// Longest accepted flaw along the bar, in mm.
    pub longest_mm: f64,
}

/// Cracks and other flaws of the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SurfaceRule {
    /// Deepest accepted crack, in mm.
    pub deepest_mm: f64,
    /// Depth above which the bar is rejected whole, not cropped, in mm.
    pub reject_bar_mm: f64,
}

/// Indications that are judged as one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Grouping {
    /// Flaws of one kind whose ends lie no further apart along the bar than this, in mm, are judged
    /// as one: as large as the largest and as long as all of them.
    pub within_mm: f64,
    /// Distance in the section up to which this holds, in mm.
    pub section_mm: f64,
}

/// Length that is cut off at the ends, whatever was seen there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Ends {
    /// At the head, in mm.
    pub head_mm: f64,
    /// At the tail, in mm.
    pub tail_mm: f64,
}

/// Loss of the back wall behind what is seen or not seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BackWall {
    /// Largest accepted loss, in dB below what is usual for the beam on this bar.
    pub most_loss_db: f64,
    /// Length along the bar over which a loss counts, in mm.
    pub over_mm: f64,
    /// What follows.
    pub action: Action,
}

/// More indications than a person can weigh.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TooMany {
    /// Most indications of a bar that are judged one by one.
    pub most: u32,
    /// What follows from more: hold or reject.
    pub action: Action,
}

impl Default for TooMany {
    fn default() -> Self {
        Self { most: 200, action: Action::Hold }
    }
}

/// A margin on the safe side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Guard {
    /// dB added to every echo height before its flaw is judged.
    pub height_db: f64,
}

/// What happens where the bar was not inspected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NotInspected {
    /// Longest gap between two shots of one beam that still counts as inspected, in mm; 0 takes
    /// the technique's own pulse spacing plus a tenth.
    pub longest_gap_mm: f64,
    /// What to do with an uninspected stretch between the ends.
    pub action: GapAction,
}

/// What to do with an uninspected stretch between the ends of a bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum GapAction {
    /// Hold the bar for another pass.
    Hold,
    /// Cut the stretch out.
    Crop,
}

/// Levelling.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
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
    /// Whether a check is also due when another operator takes over the line; absent: it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_operator_change: Option<bool>,
}

impl CheckRule {
    /// Whether a check is due when another operator takes over the line.
    #[must_use]
    pub fn at_operator_change(&self) -> bool {
        self.at_operator_change.unwrap_or(true)
    }
}

/// What follows where a certification or calibration ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExpiryRule {
    /// Of a person who levels, checks, judges or approves; absent: it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certification: Option<Ended>,
    /// Of equipment in use; absent: it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<Ended>,
}

/// What follows from something that ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ended {
    /// It is told beside the answer.
    #[default]
    Told,
    /// What rests on it is refused.
    Blocks,
}

impl Rules {
    /// What follows where a certification of a person ended.
    #[must_use]
    pub fn certification_ended(&self) -> Ended {
        self.expiry.and_then(|rule| rule.certification).unwrap_or_default()
    }

    /// What follows where a calibration of equipment ended.
    #[must_use]
    pub fn calibration_ended(&self) -> Ended {
        self.expiry.and_then(|rule| rule.calibration).unwrap_or_default()
    }

    /// Reads and checks acceptance rules.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, values of a template that were not entered, or
    /// a value that cannot be; each names its line.
    pub fn from_toml(name: &str, text: &str) -> Result<Self> {
        read::demand_filled(name, text, TO_BE_ENTERED)?;
        let rules: Self = read::toml(name, text)?;
        rules.validate(name).map_err(|e| read::at_line(e, text))?;
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
        if self.format == 1 {
            self.validate_plain(&l)?
        } else {
            self.validate_zones(&l)?
        }
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
        l.within("check.interval_h", c.interval_h, 0.01, 168.0, "h")?;
        if self.expiry.is_some_and(|rule| rule == ExpiryRule::default()) {
            let expected = "it says what follows from an ended `certification` or `calibration`";
            return Err(l.impossible("expiry", "empty", expected));
        }
        Ok(())
    }

    fn validate_plain(&self, l: &Limits<'_>) -> Result<()> {
        let (Some(v), Some(s)) = (&self.volume, &self.surface) else {
            let key = if self.volume.is_none() { "volume" } else { "surface" };
            return Err(l.impossible(key, "absent", "rules of format 1 have it"));
        };
        l.within("volume.largest_disc_mm", v.largest_disc_mm, 0.1, 100.0, "mm")?;
        l.within("volume.longest_mm", v.longest_mm, 0.1, 30_000.0, "mm")?;
        l.within("surface.deepest_mm", s.deepest_mm, 0.01, 100.0, "mm")?;
        l.within("surface.reject_bar_mm", s.reject_bar_mm, s.deepest_mm, 100.0, "mm")?;
        let later = [
            ("zone", !self.zones.is_empty()),
            ("grouping", self.grouping.is_some()),
            ("ends", self.ends.is_some()),
            ("back_wall", self.back_wall.is_some()),
            ("too_many", self.too_many.is_some()),
            ("guard", self.guard.is_some()),
        ];
        match later.iter().find(|(_, given)| *given) {
            Some((key, _)) => Err(l.impossible(key, "given", "it needs `format = 2`")),
            None => Ok(()),
        }
    }

    fn validate_zones(&self, l: &Limits<'_>) -> Result<()> {
        for (key, given) in [("volume", self.volume.is_some()), ("surface", self.surface.is_some())]
        {
            if given {
                let expected = "format 2 says this by zones: `[[zone]]` with `[[zone.class]]`";
                return Err(l.impossible(key, "given", expected));
            }
        }
        if self.zones.is_empty() {
            return Err(l.impossible("zone", "absent", "rules without a zone accept nothing"));
        }
        zones::check(l, &self.zones)?;
        if let Some(g) = self.grouping {
            l.within("grouping.within_mm", g.within_mm, 0.0, 1000.0, "mm")?;
            l.within("grouping.section_mm", g.section_mm, 0.0, 1000.0, "mm")?;
        }
        if let Some(e) = self.ends {
            l.within("ends.head_mm", e.head_mm, 0.0, 10_000.0, "mm")?;
            l.within("ends.tail_mm", e.tail_mm, 0.0, 10_000.0, "mm")?;
        }
        if let Some(b) = self.back_wall {
            l.within("back_wall.most_loss_db", b.most_loss_db, 0.5, 60.0, "dB")?;
            l.within("back_wall.over_mm", b.over_mm, 0.0, 30_000.0, "mm")?;
            if b.action == Action::Accept {
                let expected = "a loss that is accepted needs no rule";
                return Err(l.impossible("back_wall.action", "accept", expected));
            }
        }
        if let Some(t) = self.too_many {
            l.within("too_many.most", f64::from(t.most), 1.0, 10_000.0, "indications")?;
            if !matches!(t.action, Action::Hold | Action::Reject) {
                let expected = "more flaws than are weighed one by one: hold or reject";
                return Err(l.impossible("too_many.action", t.action.word(), expected));
            }
        }
        if let Some(g) = self.guard {
            l.within("guard.height_db", g.height_db, 0.0, 12.0, "dB")?;
        }
        Ok(())
    }

    /// Hash of the meaning of the rules.
    #[must_use]
    pub fn hash(&self) -> Hash {
        Hash::of_meaning(self)
    }
}

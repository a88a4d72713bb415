//! A campaign: many bars with flaws of one kind, drawn at random between limits, on a line that is never quite the same. What is found of
//! them says how likely a flaw is found.
//!
//! Every bar and every setting of the line depends on the seed and its own number only: a campaign can be stopped, gone on with, and
//! shared out, and a longer one begins with the shorter.

use barwright_job::{Hash, limits::Limits, read};
use rand::RngExt;
use rand_xoshiro::Xoshiro256PlusPlus;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

use crate::error::{Result, TwinError};
use crate::lots::APART_MM;
use crate::noise::generator;
use crate::scene::{CentrePipe, Crack, Disc, Flaw, SceneBar, StationFaults};

/// Format number of a campaign.
pub const FORMAT: u32 = 1;

/// A campaign document. Written by people, in TOML.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Campaign {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// Seed of everything random.
    pub seed: u64,
    /// What was looked for with what, as the report says it.
    pub subject: String,
    /// Bars.
    pub bars: u32,
    /// Length of a bar in mm.
    pub bar_length_mm: f64,
    /// Flaws in each bar, as far as there is room.
    pub flaws_per_bar: u32,
    /// How often each bar passes, on another setting of the line each time.
    #[serde(default = "once", skip_serializing_if = "is_once")]
    pub passes: u32,
    /// The flaws.
    pub flaw: FlawLimits,
    /// The line.
    pub line: LineLimits,
}

fn once() -> u32 {
    1
}

#[allow(clippy::trivially_copy_pass_by_ref)] // serde asks for a reference
fn is_once(passes: &u32) -> bool {
    *passes == 1
}

/// Kind of the flaws of a campaign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FlawKind {
    /// Flat inclusions; the size is the diameter.
    Disc,
    /// Cracks open to the surface; the size is the depth.
    Crack,
    /// Open pipe on the axis; the size is the diameter.
    CentrePipe,
}

/// Limits between which flaws are drawn: sizes evenly in their logarithm, places evenly by area, all else evenly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FlawLimits {
    /// Their kind.
    pub kind: FlawKind,
    /// Least and greatest size in mm.
    pub size_mm: [f64; 2],
    /// Least and greatest depth under the surface in mm, of discs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth_mm: Option<[f64; 2]>,
    /// Least and greatest turn of a disc's normal out of the radius, in degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt_deg: Option<[f64; 2]>,
    /// Least and greatest length along the bar in mm, of cracks and pipes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_mm: Option<[f64; 2]>,
}

/// Limits between which settings of the line are drawn. Each is levelled on the reference bar, centred and in water as the technique
/// says, before bars pass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LineLimits {
    /// Settings; bars are shared out among them in turn.
    pub settings: u32,
    /// Farthest that the bar's axis stands off the ring's, in mm, in any direction, evenly by area.
    pub off_centre_mm: f64,
    /// Least and greatest wander of the bar's axis along its length, in mm.
    pub wobble_mm: [f64; 2],
    /// Least and greatest electrical noise, rms in percent of full screen height.
    pub noise_fsh_percent: [f64; 2],
    /// Standard deviation of the elements' sensitivity before levelling, in dB.
    pub element_spread_db: f64,
    /// Standard deviation of the probes' sensitivity before levelling, in dB.
    pub probe_spread_db: f64,
    /// How much warmer than the technique says the water is, least and greatest, in K.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub warmer_k: Option<[f64; 2]>,
}

/// Places tried for a flaw along a bar before it is left out.
const TRIES: usize = 60;
/// Most bars, settings and flaws in a bar.
const MOST_BARS: u32 = 1_000_000;
const MOST_SETTINGS: u32 = 10_000;
const MOST_FLAWS: u32 = 200;

impl Campaign {
    /// Reads and checks a campaign.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, or a value that cannot be.
    pub fn from_toml(name: &str, text: &str) -> barwright_job::Result<Self> {
        let campaign: Self = read::toml(name, text)?;
        campaign.check(name)?;
        Ok(campaign)
    }

    /// Hash of its meaning.
    #[must_use]
    pub fn hash(&self) -> Hash {
        Hash::of_meaning(self)
    }

    fn check(&self, document: &str) -> barwright_job::Result<()> {
        let l = Limits { document };
        l.format("campaign", self.format, FORMAT)?;
        l.named("subject", &self.subject)?;
        let count = |key: &str, value: u32, most: u32| {
            l.within(key, f64::from(value), 1.0, f64::from(most), "")
        };
        count("bars", self.bars, MOST_BARS)?;
        count("flaws_per_bar", self.flaws_per_bar, MOST_FLAWS)?;
        count("line.settings", self.line.settings, MOST_SETTINGS)?;
        count("passes", self.passes, self.line.settings)?;
        l.within("bar_length_mm", self.bar_length_mm, 200.0, 30_000.0, "mm")?;
        let pair = |key: &str, [low, high]: [f64; 2], least: f64, most: f64, unit: &str| {
            l.within(&format!("{key}.0"), low, least, most, unit)?;
            l.within(&format!("{key}.1"), high, low, most, unit)
        };
        let f = &self.flaw;
        pair("flaw.size_mm", f.size_mm, 0.05, 20.0, "mm")?;
        let needs = |key: &str, given: Option<[f64; 2]>, wanted: bool, words: &str| match given {
            None if wanted => Err(l.impossible(key, "absent", words)),
            Some([a, b]) if !wanted => Err(l.impossible(key, format!("[{a}, {b}]"), words)),
            _ => Ok(()),
        };
        let (disc, long) = (f.kind == FlawKind::Disc, f.kind != FlawKind::Disc);
        needs("flaw.depth_mm", f.depth_mm, disc, "discs have a depth, other kinds have none")?;
        needs(
            "flaw.length_mm",
            f.length_mm,
            long,
            "cracks and pipes have a length, discs have none",
        )?;
        if !disc {
            needs("flaw.tilt_deg", f.tilt_deg, false, "only discs are turned")?;
        }
        if let Some(depth) = f.depth_mm {
            pair("flaw.depth_mm", depth, 0.5, 127.0, "mm")?;
        }
        if let Some(tilt) = f.tilt_deg {
            pair("flaw.tilt_deg", tilt, -60.0, 60.0, "°")?;
        }
        if let Some(length) = f.length_mm {
            pair("flaw.length_mm", length, 0.5, self.bar_length_mm, "mm")?;
        }
        let line = &self.line;
        l.within("line.off_centre_mm", line.off_centre_mm, 0.0, 20.0, "mm")?;
        pair("line.wobble_mm", line.wobble_mm, 0.0, 5.0, "mm")?;
        pair("line.noise_fsh_percent", line.noise_fsh_percent, 0.0, 50.0, "%")?;
        l.within("line.element_spread_db", line.element_spread_db, 0.0, 12.0, "dB")?;
        l.within("line.probe_spread_db", line.probe_spread_db, 0.0, 12.0, "dB")?;
        if let Some(warmer) = line.warmer_k {
            pair("line.warmer_k", warmer, -30.0, 30.0, "K")?;
        }
        Ok(())
    }

    /// The settings on which a bar passes, one for each pass; bars count from 0.
    pub fn settings_of(&self, bar: u32) -> impl Iterator<Item = u32> + use<> {
        let settings = self.line.settings;
        (0..self.passes).map(move |pass| (bar % settings + pass) % settings)
    }

    /// What is wrong with the line at a setting, and the seed of what else is random there.
    #[must_use]
    pub fn setting(&self, number: u32) -> (StationFaults, u64) {
        let mut random = generator(self.seed, &format!("campaign/setting {number}"));
        let line = &self.line;
        let off_mm = line.off_centre_mm * random.random_range(0.0f64..=1.0).sqrt();
        let (sin, cos) = random.random_range(0.0..TAU).sin_cos();
        let faults = StationFaults {
            element_spread_db: line.element_spread_db,
            probe_spread_db: line.probe_spread_db,
            noise_fsh_percent: between(&mut random, line.noise_fsh_percent),
            wobble_mm: between(&mut random, line.wobble_mm),
            temperature_k: line.warmer_k.map_or(0.0, |k| between(&mut random, k)),
            offset_mm: [off_mm * cos, off_mm * sin],
            ..StationFaults::default()
        };
        (faults, random.random())
    }

    /// A bar, counted from 0, of a radius in m. `end_m`: how far from its ends flaws keep.
    ///
    /// # Errors
    /// [`TwinError::OutOfRange`] for flaws that do not fit into the bar.
    pub fn bar(&self, number: u32, radius_m: f64, end_m: f64) -> Result<SceneBar> {
        let radius_mm = radius_m * 1e3;
        let deepest = match self.flaw.kind {
            FlawKind::Disc => self.flaw.depth_mm.map_or(0.0, |[_, deep]| deep),
            FlawKind::Crack => self.flaw.size_mm[1],
            FlawKind::CentrePipe => self.flaw.size_mm[1] / 2.0,
        };
        if deepest > radius_mm {
            return Err(TwinError::OutOfRange {
                what: "how deep flaws of the campaign lie".into(),
                value: deepest,
                unit: "mm",
                expected: format!("at most the bar's radius of {radius_mm:.1} mm"),
            });
        }
        let zone_mm = [end_m * 1e3, self.bar_length_mm - end_m * 1e3];
        if zone_mm[1] - zone_mm[0] < self.flaw.length_mm.map_or(0.0, |[_, long]| long) + 1.0 {
            return Err(TwinError::OutOfRange {
                what: "the length that is left between the ends of a bar".into(),
                value: zone_mm[1] - zone_mm[0],
                unit: "mm",
                expected: "longer than its flaws".into(),
            });
        }
        let mut random = generator(self.seed, &format!("campaign/bar {number}"));
        let mut flaws: Vec<Flaw> = Vec::new();
        for _ in 0..self.flaws_per_bar {
            let size_mm = {
                let [low, high] = self.flaw.size_mm;
                (low * (high / low).powf(random.random_range(0.0..=1.0))).clamp(low, high)
            };
            let long_mm = match self.flaw.length_mm {
                Some(limits) => between(&mut random, limits),
                None => size_mm,
            };
            let angle_deg = random.random_range(0.0..360.0);
            // Drawn whether it is used or not, so that a kind's other limits do not move the places.
            let (deep, turn) = (random.random_range(0.0..=1.0), random.random_range(0.0..=1.0));
            let Some(middle_mm) = room(&mut random, &flaws, zone_mm, long_mm) else { continue };
            flaws.push(match self.flaw.kind {
                FlawKind::Disc => {
                    let [shallow, far] = self.flaw.depth_mm.unwrap_or_default();
                    let [inner, outer] = [radius_mm - far, radius_mm - shallow];
                    let [a, b] = [inner * inner, outer * outer];
                    let [low, high] = self.flaw.tilt_deg.unwrap_or_default();
                    Flaw::Disc(Disc {
                        diameter_mm: size_mm,
                        radius_mm: (a + (b - a) * deep).sqrt(),
                        angle_deg,
                        z_mm: middle_mm,
                        tilt_deg: low + (high - low) * turn,
                    })
                }
                FlawKind::Crack => Flaw::Crack(Crack {
                    depth_mm: size_mm,
                    length_mm: long_mm,
                    angle_deg,
                    z_mm: middle_mm,
                }),
                FlawKind::CentrePipe => Flaw::CentrePipe(CentrePipe {
                    diameter_mm: size_mm,
                    from_mm: middle_mm - long_mm / 2.0,
                    to_mm: middle_mm + long_mm / 2.0,
                }),
            });
        }
        flaws.sort_by(|a, b| a.stretch_mm()[0].total_cmp(&b.stretch_mm()[0]));
        Ok(SceneBar {
            name: format!("{:07}", number + 1),
            flaws,
            coupling_losses: Vec::new(),
            missed_cycles: Vec::new(),
        })
    }
}

fn between(random: &mut Xoshiro256PlusPlus, [low, high]: [f64; 2]) -> f64 {
    low + (high - low) * random.random_range(0.0..=1.0)
}

/// Middle of a free stretch.
fn room(
    random: &mut Xoshiro256PlusPlus,
    flaws: &[Flaw],
    [from, to]: [f64; 2],
    long_mm: f64,
) -> Option<f64> {
    (0..TRIES).find_map(|_| {
        let middle = between(random, [from + long_mm / 2.0, to - long_mm / 2.0]);
        let [a, b] = [middle - long_mm / 2.0 - APART_MM, middle + long_mm / 2.0 + APART_MM];
        let free = flaws.iter().all(|f| {
            let [start, end] = f.stretch_mm();
            end < a || start > b
        });
        free.then_some(middle)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::DocumentError;

    const TEXT: &str = r#"
format = 1
seed = 5
subject = "Discs in bars of 60 mm"
bars = 40
bar_length_mm = 3000.0
flaws_per_bar = 8
passes = 2

[flaw]
kind = "disc"
size_mm = [0.4, 2.0]
depth_mm = [5.0, 28.0]
tilt_deg = [-5.0, 5.0]

[line]
settings = 5
off_centre_mm = 0.5
wobble_mm = [0.0, 0.1]
noise_fsh_percent = [0.5, 1.5]
element_spread_db = 0.5
probe_spread_db = 0.5
"#;

    fn campaign() -> Campaign {
        Campaign::from_toml("campaign.toml", TEXT).expect("a campaign")
    }

    // Truth: property. Limits are kept, flaws stand apart, sizes and areas are even: of n draws below a share p, within four
    // standard deviations.
    #[test]
    fn what_is_drawn_lies_between_the_limits_and_evenly() {
        let campaign = campaign();
        let (mut small, mut outer, mut all) = (0.0, 0.0, 0.0);
        for number in 0..300 {
            let bar = campaign.bar(number, 30e-3, 0.1).expect("a bar");
            assert!(bar.flaws.len() > 5, "{}", bar.flaws.len());
            for pair in bar.flaws.windows(2) {
                assert!(pair[1].stretch_mm()[0] - pair[0].stretch_mm()[1] >= APART_MM - 1e-9);
            }
            for flaw in &bar.flaws {
                let Flaw::Disc(d) = flaw else { panic!("{flaw:?}") };
                assert!(
                    (0.4..=2.0).contains(&d.diameter_mm) && (2.0..=25.0).contains(&d.radius_mm)
                );
                assert!(d.tilt_deg.abs() <= 5.0 && (100.0..=2900.0).contains(&d.z_mm));
                all += 1.0;
                small += f64::from(d.diameter_mm < (0.4f64 * 2.0).sqrt());
                outer += f64::from(d.radius_mm.powi(2) > (4.0 + 625.0) / 2.0);
            }
        }
        for share in [small / all, outer / all] {
            assert!((share - 0.5f64).abs() < 4.0 * (0.25f64 / all).sqrt(), "{share}");
        }
        for number in 0..5 {
            let (faults, _) = campaign.setting(number);
            assert!(faults.offset_mm[0].hypot(faults.offset_mm[1]) <= 0.5);
            assert!((0.5..=1.5).contains(&faults.noise_fsh_percent));
        }
    }

    // Truth: property. A bar depends on seed and number only; a bar passes on settings that differ.
    #[test]
    fn bars_and_settings_depend_on_their_number_only() {
        let campaign = campaign();
        let longer = Campaign { bars: 4000, ..campaign.clone() };
        for number in [0, 7, 39] {
            let bar = campaign.bar(number, 30e-3, 0.1).expect("a bar");
            assert_eq!(bar, longer.bar(number, 30e-3, 0.1).expect("a bar"));
            let settings: Vec<u32> = campaign.settings_of(number).collect();
            assert!(settings.len() == 2 && settings[0] != settings[1] && settings[1] < 5);
        }
        assert_eq!(campaign.setting(3), longer.setting(3));
        let other = Campaign { seed: 6, ..campaign.clone() };
        assert_ne!(
            campaign.bar(0, 30e-3, 0.1).expect("a bar"),
            other.bar(0, 30e-3, 0.1).expect("a bar")
        );
    }

    #[test]
    fn impossible_limits_name_their_key() {
        for (from, to, key) in [
            ("size_mm = [0.4, 2.0]", "size_mm = [2.0, 0.4]", "flaw.size_mm.1"),
            ("depth_mm = [5.0, 28.0]\n", "", "flaw.depth_mm"),
            ("kind = \"disc\"", "kind = \"crack\"", "flaw.depth_mm"),
            ("passes = 2", "passes = 6", "passes"),
            ("bars = 40", "bars = 0", "bars"),
            ("off_centre_mm = 0.5", "off_centre_mm = nan", "line.off_centre_mm"),
        ] {
            let text = TEXT.replace(from, to);
            let e = Campaign::from_toml("c", &text).expect_err("impossible");
            assert!(
                matches!(&e, DocumentError::Impossible { key: k, .. } if k == key),
                "{key}: {e}"
            );
        }
        let deep = Campaign::from_toml("c", &TEXT.replace("28.0", "40.0")).expect("a campaign");
        assert!(matches!(deep.bar(0, 30e-3, 0.1), Err(TwinError::OutOfRange { .. })));
    }
}

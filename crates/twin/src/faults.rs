//! What is wrong with a station: the part of a scene that levelling must explain.
//!
//! Every field but the first four may be left out and then means that nothing is wrong there.

use barwright_job::limits::Limits;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What is wrong with a station.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StationFaults {
    /// Standard deviation of the elements' sensitivity in dB; acts on firing and on receiving.
    pub element_spread_db: f64,
    /// Standard deviation of the probes' sensitivity in dB, likewise.
    pub probe_spread_db: f64,
    /// Electrical noise after all gains, rms in percent of full screen height.
    pub noise_fsh_percent: f64,
    /// Largest wander of the bar's centre along its length, in mm. It moves echoes in time only: how
    /// height and form change with it is left out (`offset_mm` and `bend` have all of it).
    pub wobble_mm: f64,
    /// Water warmer than the technique says, in K; negative: colder. Velocity and density follow the
    /// formulas for pure water; the delay laws stay those of the technique.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub temperature_k: f64,
    /// All probes farther out than the technique says, in mm, each along its own axis; negative:
    /// nearer.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub water_path_mm: f64,
    /// Drift of the probes in dB of echo height per minute since a capture began. Each probe has its
    /// own sign and a share between one half and the whole of it, both from the seed.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub drift_db_per_min: f64,
    /// Bar centre against the ring's, x and y in mm, fixed in space while bars turn and pass.
    #[serde(default, skip_serializing_if = "is_origin")]
    pub offset_mm: [f64; 2],
    /// Two probes whose plugs are exchanged: the laws of the one drive the elements of the other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub swapped_probes: Option<[u32; 2]>,
    /// Probes whose elements are connected in reverse order, by the place where they stand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reversed_probes: Vec<u32>,
    /// A reference bar that is bent. Bars of the order stay straight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bend: Option<Bend>,
    /// Probes that are not those of the technique.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wrong_probes: Option<WrongProbes>,
    /// Bubbles that drift past the probes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bubbles: Option<Bubbles>,
    /// Elements that are weaker than the spread explains.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub weak_elements: Vec<WeakElement>,
    /// Probes that are weaker than the spread explains.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub weak_probes: Vec<WeakProbe>,
    /// Probes that stand farther out or nearer than the others.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub moved_probes: Vec<MovedProbe>,
}

/// An element that has lost sensitivity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WeakElement {
    /// Probe, counted from 0, by the place where it stands.
    pub probe: u32,
    /// Element within the probe, counted from 0.
    pub element: u32,
    /// Loss in dB (positive), on firing and on receiving each.
    pub loss_db: f64,
}

/// A probe that has lost sensitivity: cable, plug or face.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WeakProbe {
    /// Probe, counted from 0, by the place where it stands.
    pub probe: u32,
    /// Loss of echo height in dB (positive): firing and receiving together.
    pub loss_db: f64,
}

/// A probe that stands farther out or nearer than it should.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MovedProbe {
    /// Probe, counted from 0.
    pub probe: u32,
    /// Way outwards along its axis in mm; negative: nearer.
    pub by_mm: f64,
}

/// A bent bar: its axis is an arc (a parabola) between supports at its ends and turns with it. Under
/// the ring it stands `4 s (1 - s)` of the sag off the line through the supports, `s` its place as a
/// share of its length. The slope of the axis is left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Bend {
    /// Sag at mid-length in mm.
    pub sag_mm: f64,
    /// Direction of the sag in the bar's frame, degrees from its mark.
    pub direction_deg: f64,
}

/// Probes of another make.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrongProbes {
    /// Pitch and width of the elements against the technique's in percent: 5 is wider by 5 %.
    pub pitch_percent: f64,
    /// Centre frequency against the technique's in percent.
    pub frequency_percent: f64,
}

/// Bubbles: for a while all echoes of a probe are low and one appears before the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Bubbles {
    /// How many pass in a second, all probes together, on average.
    pub per_second: f64,
    /// How long one stays before a probe, in ms, on average.
    pub duration_ms: f64,
    /// Largest loss of echo height in dB; each bubble takes between a quarter and all of it.
    pub loss_db: f64,
}

/// Farthest that anything may be moved, in mm: the record still holds what arrives.
const FARTHEST_MM: f64 = 5.0;

impl StationFaults {
    /// A station as one stands on any day: nothing is wrong, but no two elements or probes are alike, there
    /// is noise, and bars wander a little.
    #[must_use]
    pub fn ordinary() -> Self {
        Self {
            element_spread_db: 0.5,
            probe_spread_db: 1.0,
            noise_fsh_percent: 1.5,
            wobble_mm: 0.1,
            ..Self::default()
        }
    }

    pub(crate) fn check(&self, l: &Limits<'_>) -> barwright_job::Result<()> {
        let [x, y] = self.offset_mm;
        let far = FARTHEST_MM;
        for (key, value, least, most, unit) in [
            ("element_spread_db", self.element_spread_db, 0.0, 12.0, "dB"),
            ("probe_spread_db", self.probe_spread_db, 0.0, 12.0, "dB"),
            ("noise_fsh_percent", self.noise_fsh_percent, 0.0, 100.0, "% FSH"),
            ("wobble_mm", self.wobble_mm, 0.0, 2.0, "mm"),
            ("temperature_k", self.temperature_k, -30.0, 30.0, "K"),
            ("water_path_mm", self.water_path_mm, -far, far, "mm"),
            ("drift_db_per_min", self.drift_db_per_min, 0.0, 60.0, "dB/min"),
            ("offset_mm.0", x, -far, far, "mm"),
            ("offset_mm.1", y, -far, far, "mm"),
        ] {
            l.within(&format!("station.{key}"), value, least, most, unit)?;
        }
        if let Some(bend) = &self.bend {
            l.within("station.bend.sag_mm", bend.sag_mm, 0.0, 2.0, "mm")?;
            l.within("station.bend.direction_deg", bend.direction_deg, -360.0, 360.0, "°")?;
        }
        if let Some(wrong) = &self.wrong_probes {
            l.within("station.wrong_probes.pitch_percent", wrong.pitch_percent, -20.0, 20.0, "%")?;
            let key = "station.wrong_probes.frequency_percent";
            l.within(key, wrong.frequency_percent, -20.0, 20.0, "%")?;
        }
        if let Some(b) = &self.bubbles {
            l.within("station.bubbles.per_second", b.per_second, 0.0, 1000.0, "1/s")?;
            l.within("station.bubbles.duration_ms", b.duration_ms, 0.01, 10_000.0, "ms")?;
            l.within("station.bubbles.loss_db", b.loss_db, 0.0, 60.0, "dB")?;
        }
        for (i, weak) in self.weak_elements.iter().enumerate() {
            let key = format!("station.weak_elements.{i}.loss_db");
            l.within(&key, weak.loss_db, 0.0, 200.0, "dB")?;
        }
        for (i, weak) in self.weak_probes.iter().enumerate() {
            let key = format!("station.weak_probes.{i}.loss_db");
            l.within(&key, weak.loss_db, 0.0, 200.0, "dB")?;
        }
        for (i, moved) in self.moved_probes.iter().enumerate() {
            let key = format!("station.moved_probes.{i}.by_mm");
            l.within(&key, moved.by_mm, -far, far, "mm")?;
        }
        let listed = |probes: Vec<u32>, key: &str| -> barwright_job::Result<()> {
            match probes.iter().enumerate().find(|&(i, p)| probes[..i].contains(p)) {
                None => Ok(()),
                Some((_, probe)) => {
                    let key = format!("station.{key}");
                    Err(l.impossible(&key, format!("probe {probe} twice"), "each probe once"))
                }
            }
        };
        listed(self.weak_probes.iter().map(|w| w.probe).collect(), "weak_probes")?;
        listed(self.moved_probes.iter().map(|m| m.probe).collect(), "moved_probes")?;
        listed(self.reversed_probes.clone(), "reversed_probes")?;
        listed(self.swapped_probes.map_or(vec![], Vec::from), "swapped_probes")
    }

    /// Every probe that the faults name, with the key that names it.
    pub(crate) fn probes_named(&self) -> impl Iterator<Item = (&'static str, u32)> + '_ {
        let weak = self.weak_probes.iter().map(|w| ("weak", w.probe));
        let moved = self.moved_probes.iter().map(|m| ("moved", m.probe));
        let reversed = self.reversed_probes.iter().map(|&p| ("reversed", p));
        let swapped = self.swapped_probes.into_iter().flatten().map(|p| ("swapped", p));
        weak.chain(moved).chain(reversed).chain(swapped)
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference")]
fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

fn is_origin(value: &[f64; 2]) -> bool {
    *value == [0.0; 2]
}

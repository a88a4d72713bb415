//! The technique: everything an acquisition system must do, derived from order and station.
//!
//! Section coordinates: ring centre at the origin, x right and y up against travel, angles from +x
//! counter-clockwise. A flat section in contact has its face on y = 0 with the steel below.

use barwright_wave::{Element, Fluid, Mode, Point, Solid, Surface};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{error::Result, finding::Finding, limits::Limits, seal::Document};

/// A technique. Its sources are `order` and `station`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Technique {
    /// Name for people: order number, size and ring.
    pub name: String,
    /// Order number.
    pub order: String,
    /// Station name.
    pub station: String,
    /// Ring used.
    pub ring: String,
    /// Section of the bar.
    pub section: Section,
    /// Water and steel.
    pub media: Media,
    /// The probes of the ring with their elements.
    pub probes: Vec<Probe>,
    /// The probes' pulse.
    pub pulse: PulseSpec,
    /// What is recorded of each shot.
    pub record: Record,
    /// What a height means.
    pub sensitivity: Sensitivity,
    /// The beams, `beams[i].id == i`.
    pub beams: Vec<Beam>,
    /// Which beams fire when.
    pub schedule: Schedule,
    /// Line speed in m/s.
    pub line_speed_m_s: f64,
    /// Way of the bar between two shots of one beam, in metres.
    pub pulse_spacing_m: f64,
    /// Length at head and tail that is not inspected, in metres.
    pub unguided_end_m: f64,
    /// The rules the plan had to keep, with the figures, and whether each one binds.
    pub limits: Vec<PlanLimit>,
    /// Other techniques the search came upon, best first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub others: Vec<Other>,
    /// What a change of order or station would buy.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<Change>,
    /// What the planner noticed.
    pub findings: Vec<Finding>,
}

impl Document for Technique {
    const KIND: &'static str = "technique";
    const FORMAT: u32 = 1;

    fn check(&self, name: &str) -> Result<()> {
        let l = Limits { document: name };
        l.positive("record.sample_rate_hz", self.record.sample_rate_hz, "Hz")?;
        l.positive("record.full_scale_fsh", self.record.full_scale_fsh, "FSH")?;
        l.positive("line_speed_m_s", self.line_speed_m_s, "m/s")?;
        l.positive("schedule.period_s", self.schedule.period_s, "s")?;
        for (i, beam) in self.beams.iter().enumerate() {
            self.check_beam(&l, i, beam)?;
        }
        Ok(())
    }
}

impl Technique {
    /// An aperture lies inside its probe, a gate inside the record.
    fn check_beam(&self, l: &Limits<'_>, i: usize, beam: &Beam) -> Result<()> {
        let key = |name: &str| format!("beams[{i}].{name}");
        if beam.id as usize != i {
            return Err(l.impossible(
                &key("id"),
                beam.id,
                format!("beam {i} has its place as number"),
            ));
        }
        let Some(probe) = self.probes.get(beam.probe as usize) else {
            return Err(l.impossible(
                &key("probe"),
                beam.probe,
                format!("the technique has {} probes, counted from 0", self.probes.len()),
            ));
        };
        let last = u64::from(beam.first_element) + u64::from(beam.elements());
        if beam.elements() == 0 || last > probe.elements.len() as u64 {
            return Err(l.impossible(
                &key("first_element"),
                format!("{} with {} elements", beam.first_element, beam.elements()),
                format!("its probe has {} elements", probe.elements.len()),
            ));
        }
        if beam.receive_delays_s.len() != beam.transmit_delays_s.len() {
            return Err(l.impossible(
                &key("receive_delays_s"),
                format!("{} delays", beam.receive_delays_s.len()),
                format!("it transmits with {}", beam.transmit_delays_s.len()),
            ));
        }
        for (g, gate) in beam.gates.iter().enumerate() {
            let zero_s = if gate.kind == GateKind::Surface { 0.0 } else { beam.surface_time_s };
            let (from_s, to_s) = (zero_s + gate.start_s, zero_s + gate.end_s);
            let inside =
                from_s >= self.record.first_sample_s && to_s <= self.record.last_sample_s();
            if !(from_s < to_s && inside) {
                return Err(l.impossible(
                    &key(&format!("gates[{g}]")),
                    format!("{:.3} to {:.3} µs from firing", from_s * 1e6, to_s * 1e6),
                    format!(
                        "a gate has a length and lies inside the record, {:.3} to {:.3} µs",
                        self.record.first_sample_s * 1e6,
                        self.record.last_sample_s() * 1e6
                    ),
                ));
            }
        }
        Ok(())
    }
}

/// Shape and size of a section, in SI.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Section {
    /// A round bar about the origin.
    Round {
        /// Radius in metres.
        radius_m: f64,
    },
    /// A square bar about the origin.
    Square {
        /// Side in metres.
        side_m: f64,
        /// Corner radius in metres.
        corner_radius_m: f64,
    },
    /// A flat block under its face on y = 0.
    Flat {
        /// Thickness in metres.
        thickness_m: f64,
    },
}

impl Section {
    /// Radius, half side or half thickness, in metres.
    #[must_use]
    pub fn half_extent_m(&self) -> f64 {
        match *self {
            Self::Round { radius_m } => radius_m,
            Self::Square { side_m, .. } => side_m / 2.0,
            Self::Flat { thickness_m } => thickness_m / 2.0,
        }
    }

    /// Depth of a point under the nearest surface that sound enters, in metres; negative outside.
    /// The corner radius of a square is left out of account.
    #[must_use]
    pub fn depth_m(&self, p: Point) -> f64 {
        match *self {
            Self::Round { radius_m } => radius_m - p.radius(),
            Self::Square { side_m, .. } => side_m / 2.0 - p.x.abs().max(p.y.abs()),
            Self::Flat { thickness_m } => {
                let depth = -p.y;
                if depth <= thickness_m { depth } else { thickness_m - depth }
            }
        }
    }

    /// The surface through which sound enters a round or flat section.
    #[must_use]
    pub fn surface(&self) -> Option<Surface> {
        match *self {
            Self::Round { radius_m } => Some(Surface::Round { centre: Point::default(), radius_m }),
            Self::Square { .. } => None,
            Self::Flat { .. } => {
                Some(Surface::Flat { a: Point::new(1.0, 0.0), b: Point::new(-1.0, 0.0) })
            }
        }
    }
}

/// Water and steel of a technique.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Media {
    /// The water; absent for an array in contact.
    pub water: Option<Fluid>,
    /// The steel.
    pub steel: Solid,
    /// Attenuation of longitudinal waves at the pulse's centre frequency, Np per metre of path.
    pub attenuation_l_np_m: f64,
    /// Attenuation of shear waves at the pulse's centre frequency, Np per metre of path.
    pub attenuation_s_np_m: f64,
}

impl Media {
    /// Attenuation of a kind of wave, Np per metre of path.
    #[must_use]
    pub fn attenuation_np_m(&self, mode: Mode) -> f64 {
        match mode {
            Mode::L => self.attenuation_l_np_m,
            Mode::S => self.attenuation_s_np_m,
        }
    }
}

/// A probe with its elements in section coordinates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Probe {
    /// Elements, numbered as connected.
    pub elements: Vec<Element>,
    /// Way in the water, in m, at which the elements focus along the bar; absent if they do not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub axial_focus_m: Option<f64>,
}

/// A Gaussian pulse.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PulseSpec {
    /// Centre frequency in Hz.
    pub centre_hz: f64,
    /// Bandwidth at -6 dB relative to the centre frequency.
    pub bandwidth_rel: f64,
}

/// What is recorded of each shot; times count from firing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Time of the first sample in seconds.
    pub first_sample_s: f64,
    /// Sampling rate in Hz.
    pub sample_rate_hz: f64,
    /// Number of samples.
    pub samples: u32,
    /// Height that the largest sample value stands for, as a fraction of full screen height.
    pub full_scale_fsh: f64,
}

impl Record {
    /// Time of a sample position (fractions allowed), in seconds from firing.
    #[must_use]
    pub fn time_s(&self, position: f64) -> f64 {
        self.first_sample_s + position / self.sample_rate_hz
    }

    /// Sample position (with its fraction) of a time from firing.
    #[must_use]
    pub fn position(&self, time_s: f64) -> f64 {
        (time_s - self.first_sample_s) * self.sample_rate_hz
    }

    /// Time of the last sample, in seconds from firing.
    #[must_use]
    pub fn last_sample_s(&self) -> f64 {
        self.time_s(f64::from(self.samples.saturating_sub(1)))
    }
}

/// What a height means in this technique.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sensitivity {
    /// Diameter of the ordered disc in metres.
    pub disc_diameter_m: f64,
    /// Depth of the ordered crack in metres, where cracks are ordered.
    pub crack_depth_m: Option<f64>,
    /// Height that the ordered flaw reads on a beam's axis, as a fraction of full screen height.
    pub target_fsh: f64,
    /// Height from which an echo counts, as a fraction of full screen height.
    pub alarm_fsh: f64,
    /// Depth under the surface from which the disc class is asked for, in metres.
    pub skin_m: f64,
    /// How many shots, of one beam or several, must agree on a flaw.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub persistence: u32,
}

/// A technique that does not say needs one shot.
fn one() -> u32 {
    1
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference")]
fn is_one(value: &u32) -> bool {
    *value == 1
}

/// One beam: aperture, delay law, kind of wave and gates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Beam {
    /// Number of the beam, its place in the technique's list.
    pub id: u32,
    /// Probe, its place in the technique's list.
    pub probe: u32,
    /// First element of the aperture.
    pub first_element: u32,
    /// Kind of wave in the steel.
    pub mode: Mode,
    /// Transmit delays, one for each element of the aperture, in seconds.
    pub transmit_delays_s: Vec<f64>,
    /// Receive delays, one for each element of the aperture, in seconds.
    pub receive_delays_s: Vec<f64>,
    /// Gain in dB (re unit transfer) before levelling.
    pub gain_db: f64,
    /// Gain against time, added to `gain_db`; rises of time, held constant outside.
    pub gain_curve: Vec<GainPoint>,
    /// The beam whose surface echo this one follows; absent in contact, where time counts from
    /// firing.
    pub surface_beam: Option<u32>,
    /// Time of the surface along this beam (firing to surface and back, laws included), nominal,
    /// in seconds from firing. All `after_surface_s` of this beam count from here, shifted by as
    /// much as the followed surface echo differs from its own nominal time.
    pub surface_time_s: f64,
    /// Gates for echoes.
    pub gates: Vec<Gate>,
    /// The beam's axis in the steel.
    pub axis: Axis,
    /// Pulse-echo width along the bar at -6 dB, at the middle of the first gate, in metres.
    pub axial_width_m: f64,
    /// Height of the reflector this beam is made for, as the technique predicts it along the axis.
    pub response: Vec<Response>,
}

impl Beam {
    /// Number of elements in the aperture.
    #[must_use]
    pub fn elements(&self) -> u32 {
        u32::try_from(self.transmit_delays_s.len()).unwrap_or(u32::MAX)
    }

    /// Gain against depth at a time after the surface, in dB, to be added to the beam's gain.
    #[must_use]
    pub fn curve_db(&self, after_surface_s: f64) -> f64 {
        let points = &self.gain_curve;
        let next = points.partition_point(|p| p.after_surface_s < after_surface_s);
        match (next.checked_sub(1).and_then(|i| points.get(i)), points.get(next)) {
            (None, None) => 0.0,
            (Some(p), None) | (None, Some(p)) => p.gain_db,
            (Some(a), Some(b)) => {
                let span = b.after_surface_s - a.after_surface_s;
                let t = if span > 0.0 { (after_surface_s - a.after_surface_s) / span } else { 1.0 };
                a.gain_db + t * (b.gain_db - a.gain_db)
            }
        }
    }

    /// The gate of a kind, if the beam has one.
    #[must_use]
    pub fn gate(&self, kind: GateKind) -> Option<&Gate> {
        self.gates.iter().find(|g| g.kind == kind)
    }
}

/// A point of a gain curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GainPoint {
    /// Time after the surface in seconds.
    pub after_surface_s: f64,
    /// Gain in dB to be added.
    pub gain_db: f64,
}

/// What a gate looks for.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum GateKind {
    /// The surface echo; times count from firing.
    Surface,
    /// Flaws of the volume.
    Volume,
    /// Cracks at the surface, met by shear waves after half a skip.
    Crack,
    /// The back wall.
    BackWall,
}

/// A gate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Gate {
    /// What it looks for.
    pub kind: GateKind,
    /// Start in seconds: after the surface, except for the surface gate (from firing).
    pub start_s: f64,
    /// End in seconds, counted likewise.
    pub end_s: f64,
    /// Height from which an echo counts, as a fraction of full screen height.
    pub threshold_fsh: f64,
}

/// The axis of a beam in the steel, from which places are found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Axis {
    /// Where it enters the steel.
    pub entry: Point,
    /// Its direction there: angle from +x, counter-clockwise, in rad.
    pub direction_rad: f64,
    /// Velocity along it in m/s.
    pub velocity_m_s: f64,
    /// Length to the far wall in metres.
    pub reach_m: f64,
}

impl Axis {
    /// The point reached after a time there and back, on the straight axis (no skip).
    #[must_use]
    pub fn at(&self, after_surface_s: f64) -> Point {
        self.entry + Point::polar(self.velocity_m_s * after_surface_s / 2.0, self.direction_rad)
    }
}

/// What the technique predicts for its own reflector at one place of the axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Response {
    /// Time after the surface in seconds.
    pub after_surface_s: f64,
    /// Echo of the ordered flaw there, dB re unit transfer, before any gain.
    pub transfer_db: f64,
}

/// Which beams fire when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Schedule {
    /// Firings, in order.
    pub firings: Vec<Firing>,
    /// Time after which the order starts again, in seconds.
    pub period_s: f64,
    /// Shortest period that any order of these beams could have, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_period_s: Option<f64>,
}

/// Beams that fire at the same moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Firing {
    /// Start within the period, in seconds.
    pub start_s: f64,
    /// Beams by number.
    pub beams: Vec<u32>,
}

/// A rule the plan kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlanLimit {
    /// Name of the rule.
    pub rule: String,
    /// The figure of this plan with its unit, in words.
    pub figure: String,
    /// What the rule allows, in words.
    pub allowed: String,
    /// Where the rule comes from.
    pub source: String,
    /// Whether this rule keeps the line from being faster.
    pub binds: bool,
}

/// A technique that the search weighed and did not take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Other {
    /// Its layouts in words.
    pub words: String,
    /// Number of its beams.
    pub beams: u32,
    /// Its line speed in m/s; absent where it does not keep the rules at any speed.
    pub line_speed_m_s: Option<f64>,
    /// Why it was not taken.
    pub why_not: String,
}

/// What one change of order or station would buy.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// The change, in words.
    pub words: String,
    /// Line speed with it, in m/s; absent where no technique would keep the rules.
    pub line_speed_m_s: Option<f64>,
    /// What limits the speed then, or stops every technique.
    pub limit: String,
}

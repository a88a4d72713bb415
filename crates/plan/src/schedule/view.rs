//! What of a beam matters to the others: where it stands, what it sends, what disturbs it.

use std::f64::consts::PI;

use barwright_job::technique::{Beam, GateKind, Probe};
use barwright_wave::{Mode, interface};

use crate::bench::Bench;
use crate::echo::{db, turn};
use crate::response::Aperture;
use crate::ring;
use crate::square;

/// How far the surface echo stands over the ordered disc, in dB (common practice, no source; the
/// exact field of the 42 mm example gives 55 dB in two dimensions).
const SURFACE_OVER_DISC_DB: f64 = 60.0;

/// How far the surface echo of a shear beam stands over the ordered crack, in dB (estimate; the
/// exact field of the 42 mm example gives 39 dB in two dimensions).
const SURFACE_OVER_CRACK_DB: f64 = 42.0;

/// What disturbs a gate, or a piece of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// The gate's kind.
    pub kind: GateKind,
    /// Start in s from firing.
    pub start_s: f64,
    /// End in s from firing.
    pub end_s: f64,
    /// Transfer in dB (re unit transfer) that stays 6 dB under the gate's threshold.
    pub limit_db: f64,
}

/// A beam as the firing order sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// Number of the beam.
    pub id: u32,
    /// Its probe.
    pub probe: u32,
    /// First element of its aperture and the one after its last.
    pub elements: (u32, u32),
    /// Kind of wave.
    pub mode: Mode,
    /// Polar angle of its entry in rad.
    pub entry_rad: f64,
    /// Angle in the steel from the inward normal, counter-clockwise, in rad.
    pub slant_rad: f64,
    /// Polar angle from the aperture's middle to the entry in rad.
    pub lead_rad: f64,
    /// Width of the aperture on the surface in m.
    pub footprint_m: f64,
    /// Width of the aperture in m.
    pub width_m: f64,
    /// Distance of the aperture's middle from the section's centre in m.
    pub radius_m: f64,
    /// Length of an element along the bar in m.
    pub length_m: f64,
    /// Firing to surface and back in s.
    pub surface_s: f64,
    /// Velocity in the steel in m/s.
    pub velocity_m_s: f64,
    /// Length to the far wall in m.
    pub reach_m: f64,
    /// Transfer in dB of what two passages of the section bring back: the far wall (longitudinal),
    /// or a mirror at the end of the axis (shear).
    pub returned_db: f64,
    /// Transfer of the first surface echo in dB.
    pub surface_db: f64,
    /// Loss in dB of one passage and one reflection inside.
    pub leg_loss_db: f64,
    /// Loss in dB at the surface of what comes back through the water.
    pub water_loss_db: f64,
    /// The beam's gates, in pieces.
    pub windows: Vec<Window>,
}

impl View {
    /// The view of a beam; levels of a beam without gain curve or response are those of its gain.
    #[must_use]
    pub fn of(bench: &Bench<'_>, beam: &Beam) -> Self {
        let own = Aperture::of_beam(&bench.probes, beam).elements;
        let middle = ring::middle(own);
        let polar_rad = beam.axis.entry.angle();
        // Through a flat face all beams enter on its normal, wherever they stand before it.
        let normal_rad = square::firing::inward_rad(bench, beam).map(|inward| inward + PI);
        let entry_rad = normal_rad.unwrap_or(polar_rad);
        let slant_rad = turn(beam.axis.direction_rad - entry_rad - PI);
        let first = beam.first_element;
        let (hit_db, kept_db) = reflections_db(bench, beam, slant_rad);
        let attenuation = bench.nominal.media.attenuation_np_m(beam.mode) * beam.axis.reach_m;
        let flaw_db = beam.response.last().map_or(-beam.gain_db, |r| r.transfer_db);
        let target_db = db(bench.sensitivity.target_fsh);
        let (returned_db, surface_over) = match beam.mode {
            // The gain curve ends with the gain that brings the far wall to the target.
            Mode::L => (
                beam.gain_curve
                    .last()
                    .map_or(flaw_db, |p| target_db - beam.gain_db - p.gain_db)
                    .max(flaw_db),
                SURFACE_OVER_DISC_DB,
            ),
            Mode::S => (flaw_db + mirror_over_crack_db(bench, beam), SURFACE_OVER_CRACK_DB),
        };
        Self {
            id: beam.id,
            probe: beam.probe,
            elements: (first, first + beam.elements()),
            mode: beam.mode,
            entry_rad,
            slant_rad,
            lead_rad: normal_rad.map_or_else(|| turn(polar_rad - middle.angle()), |_| 0.0),
            footprint_m: footprint_m(&bench.probes, beam),
            width_m: width_m(&bench.probes, beam),
            radius_m: middle.radius(),
            length_m: own.first().map_or(0.0, |e| e.length_m),
            surface_s: beam.surface_time_s,
            velocity_m_s: beam.axis.velocity_m_s,
            reach_m: beam.axis.reach_m,
            returned_db,
            surface_db: flaw_db + surface_over,
            leg_loss_db: hit_db - db((-attenuation).exp()),
            water_loss_db: kept_db,
            windows: windows(beam),
        }
    }

    /// Everything but place and number, rounded: equal for beams that a turn of the ring maps onto
    /// each other. Steps: 1e-6 dB, 1e-12 s, 1e-9 m, 1e-9 rad, 1e-6 m/s.
    #[must_use]
    pub fn turned(&self) -> Vec<i64> {
        let step = |value: f64, size: f64| (value / size).round() as i64;
        let mut all = vec![
            i64::from(self.mode == Mode::S),
            step(self.slant_rad, 1e-9),
            step(self.lead_rad, 1e-9),
            step(self.footprint_m, 1e-9),
            step(self.width_m, 1e-9),
            step(self.radius_m, 1e-9),
            step(self.length_m, 1e-9),
            step(self.surface_s, 1e-12),
            step(self.velocity_m_s, 1e-6),
            step(self.reach_m, 1e-9),
            step(self.returned_db, 1e-6),
            step(self.surface_db, 1e-6),
            step(self.leg_loss_db, 1e-6),
            step(self.water_loss_db, 1e-6),
        ];
        for w in &self.windows {
            all.push(w.kind as i64);
            all.extend([step(w.start_s, 1e-12), step(w.end_s, 1e-12), step(w.limit_db, 1e-6)]);
        }
        all
    }

    /// Whether both beams use an element in common.
    #[must_use]
    pub fn shares_elements(&self, other: &Self) -> bool {
        self.probe == other.probe
            && self.elements.0 < other.elements.1
            && other.elements.0 < self.elements.1
    }
}

/// Loss in dB of one reflection at the inner side of the surface, and of one at its outer side.
///
/// Longitudinal waves meet it straight on. Shear waves beyond the angle at which longitudinal waves
/// can leave lose only what goes into the water, which by reciprocity is the share of energy that
/// came in.
fn reflections_db(bench: &Bench<'_>, beam: &Beam, slant_rad: f64) -> (f64, f64) {
    let Some(water) = bench.nominal.media.water else {
        return (0.0, 0.0);
    };
    let sine = slant_rad.sin() * water.velocity_m_s / beam.axis.velocity_m_s;
    let steel = &bench.nominal.media.steel;
    interface::plane_wave(&water, steel, sine.clamp(-1.0, 1.0).asin()).map_or((0.0, 0.0), |p| {
        let outer = -db(p.reflected.norm());
        match beam.mode {
            Mode::L => (outer, outer),
            Mode::S => (-0.5 * db((1.0 - p.energy[2]).max(0.0)), outer),
        }
    })
}

/// How far a mirror at the end of a shear beam's axis would stand over the ordered crack, in dB: in
/// each direction the half-width of the first Fresnel zone, sqrt(λ s/2), over the crack's, where
/// the crack is the smaller. The crack and its image in the surface face the beam with √2 times its
/// depth at 45 degrees.
///
/// Source: the distance law of a disc and a wall, π D²/(2 λ s) (Krautkraemer, *Ultrasonic Testing
/// of Materials*, 4th ed. 1990, ch. 5), taken direction by direction.
fn mirror_over_crack_db(bench: &Bench<'_>, beam: &Beam) -> f64 {
    let lambda = beam.axis.velocity_m_s / bench.pulse.centre_hz;
    let zone = (lambda * beam.axis.reach_m / 2.0).sqrt();
    let over = |size: f64| db((zone / size.max(1e-6)).max(1.0));
    over(bench.sensitivity.crack_depth_m.unwrap_or(0.0) * 2f64.sqrt())
        + over(bench.crack_length_m())
}

/// The gates, cut where the gain curve has its points, each piece with its own highest gain: late
/// echoes are weakest when they meet the start of a gate, where the gain is low.
fn windows(beam: &Beam) -> Vec<Window> {
    let mut windows = Vec::new();
    for g in &beam.gates {
        let zero = if g.kind == GateKind::Surface { 0.0 } else { beam.surface_time_s };
        let (start_s, end_s) = (zero + g.start_s, zero + g.end_s);
        let gain = |t: f64| beam.curve_db(t - beam.surface_time_s);
        let limit =
            |curve_db: f64| db(g.threshold_fsh) - super::IN_HAND_DB - beam.gain_db - curve_db;
        if g.kind == GateKind::BackWall {
            // The curve falls steeply at its start; the wall stands in the middle.
            let limit_db = limit(gain((start_s + end_s) / 2.0));
            windows.push(Window { kind: g.kind, start_s, end_s, limit_db });
            continue;
        }
        let mut cuts: Vec<f64> = beam
            .gain_curve
            .iter()
            .map(|p| beam.surface_time_s + p.after_surface_s)
            .filter(|t| *t > start_s && *t < end_s)
            .chain([start_s, end_s])
            .collect();
        cuts.sort_by(f64::total_cmp);
        windows.extend(cuts.windows(2).map(|cut| Window {
            kind: g.kind,
            start_s: cut[0],
            end_s: cut[1],
            limit_db: limit(gain(cut[0]).max(gain(cut[1]))),
        }));
    }
    windows
}

fn width_m(probes: &[Probe], beam: &Beam) -> f64 {
    let own = Aperture::of_beam(probes, beam).elements;
    match (own.first(), own.last()) {
        (Some(a), Some(b)) => a.centre.distance(b.centre) + a.width_m,
        _ => 0.0,
    }
}

/// Width of an aperture as it falls on the surface, in m.
fn footprint_m(probes: &[Probe], beam: &Beam) -> f64 {
    let span = width_m(probes, beam);
    let own = Aperture::of_beam(probes, beam).elements;
    let from = ring::middle(own).radius();
    // A flat array casts its own width.
    let arc = own.windows(2).any(|w| w[0].facing_rad != w[1].facing_rad);
    if arc && from > 0.0 && beam.surface_beam.is_some() {
        (span * beam.axis.entry.radius() / from).min(span)
    } else {
        span
    }
}

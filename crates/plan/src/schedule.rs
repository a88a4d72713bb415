//! Which beams fire when, and how long each firing is listened to.
//!
//! Rules (common practice, no source, unless said otherwise):
//! - Beams of one firing belong to different probes, are of one kind and sense, and are no more
//!   than the electronics' parallel apertures.
//! - Cross-talk is excluded: opposite probes never fire together (the through-transmitted wave
//!   arrives within the other's gate); other pairs only where [`cross_talk_db`] stays below the
//!   allowed level.
//! - The next firing waits for the end of the record and for the electronics' highest repetition
//!   frequency.
//! - Echoes of the far wall reverberate on the line of a probe and its opposite: when a beam of that
//!   line fires again, they have died away to the allowed level.
//! - Shear beams of one sense fire after one another: what runs round the bar runs away from
//!   them. Longitudinal firings stand between the two senses.

use std::f64::consts::PI;

use barwright_job::technique::{Beam, Firing, GateKind, Probe, Record, Schedule, Section};
use barwright_wave::{Mode, interface};

use crate::beams;
use crate::bench::Bench;
use crate::echo::{db, turn};
use crate::response::Aperture;
use crate::ring;
use crate::square;

/// A schedule with the figures of the rules it kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Timed {
    /// The schedule.
    pub schedule: Schedule,
    /// Time between two firings in s.
    pub interval_s: f64,
    /// Time to the end of the record in s.
    pub listen_s: f64,
    /// Shortest interval the electronics allow in s.
    pub shortest_s: f64,
    /// Strongest far-wall reverberation in a gate, dB re the ordered flaw on the axis; absent in
    /// contact.
    pub reverberation_db: Option<f64>,
    /// Strongest cross-talk between beams that fire together, dB re the ordered flaw.
    pub cross_talk_db: f64,
    /// Level allowed for both, dB re the ordered flaw.
    pub allowed_db: f64,
    /// Longitudinal beams that fire together.
    pub together_l: usize,
    /// Shear beams that fire together.
    pub together_s: usize,
}

/// Level in dB re the ordered flaw that reverberation and cross-talk may have: 6 dB under the alarm
/// (common practice, no source).
#[must_use]
pub fn allowed_db(bench: &Bench<'_>) -> f64 {
    db(bench.sensitivity.alarm_fsh) - db(bench.sensitivity.target_fsh) - 6.0
}

/// Makes the schedule.
#[must_use]
pub fn make(bench: &Bench<'_>, all: &[Beam], record: &Record) -> Timed {
    let allowed = allowed_db(bench);
    let listen_s = record.last_sample_s();
    let shortest_s = 1.0 / bench.station.electronics.max_prf_hz;
    let sense = |b: &Beam| {
        let normal = square::firing::inward_rad(bench, b).unwrap_or(b.axis.entry.angle() + PI);
        turn(b.axis.direction_rad - normal) > 0.0
    };
    let l: Vec<&Beam> = all.iter().filter(|b| b.mode == Mode::L).collect();
    let left: Vec<&Beam> = all.iter().filter(|b| b.mode == Mode::S && sense(b)).collect();
    let right: Vec<&Beam> = all.iter().filter(|b| b.mode == Mode::S && !sense(b)).collect();

    let (l_firings, l_together, l_talk) = kind(bench, &l, allowed);
    let (left_firings, s_together, left_talk) = kind(bench, &left, allowed);
    let (right_firings, _, right_talk) = kind(bench, &right, allowed);
    let half = l_firings.len() / 2;
    let mut order = left_firings;
    order.extend_from_slice(&l_firings[..half]);
    order.extend(right_firings);
    order.extend_from_slice(&l_firings[half..]);
    if matches!(bench.nominal.section, Section::Square { .. }) {
        let (straight, aside) = order.into_iter().partition(|firing: &Vec<u32>| {
            firing.iter().any(|id| all.get(*id as usize).is_some_and(|b| b.mode == Mode::L))
        });
        order = square::firing::between(straight, aside);
    }

    let mut interval_s = shortest_s.max(listen_s);
    let mut reverberation = reverberation_db(bench, all, &order, interval_s);
    // Each step waits a little longer; 200 steps are 2 ms, by then any steel is quiet.
    for _ in 0..200 {
        if reverberation.is_none_or(|r| r <= allowed) {
            break;
        }
        interval_s += 10e-6;
        reverberation = reverberation_db(bench, all, &order, interval_s);
    }
    let firings: Vec<Firing> = order
        .into_iter()
        .enumerate()
        .map(|(i, beams)| Firing { start_s: i as f64 * interval_s, beams })
        .collect();
    Timed {
        interval_s,
        listen_s,
        shortest_s,
        reverberation_db: reverberation,
        cross_talk_db: l_talk.max(left_talk).max(right_talk),
        allowed_db: allowed,
        together_l: l_together,
        together_s: s_together,
        schedule: Schedule {
            period_s: firings.len() as f64 * interval_s,
            least_period_s: None,
            firings,
        },
    }
}

/// Firings of the beams of one kind, how many fire together, and their strongest cross-talk.
fn kind(bench: &Bench<'_>, own: &[&Beam], allowed: f64) -> (Vec<Vec<u32>>, usize, f64) {
    let probes = bench.probes.len();
    let by_probe: Vec<Vec<&Beam>> = (0..probes)
        .map(|p| own.iter().copied().filter(|b| b.probe as usize == p).collect())
        .collect();
    let most = by_probe.iter().map(Vec::len).max().unwrap_or(0);
    if most == 0 {
        return (Vec::new(), 0, f64::NEG_INFINITY);
    }
    let worst = |p: usize, q: usize| {
        by_probe[p]
            .iter()
            .zip(&by_probe[q])
            .map(|(a, b)| cross_talk_db(bench, a, b).max(cross_talk_db(bench, b, a)))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    // Every second probe first: those stand further apart.
    let sequence = (0..probes).step_by(2).chain((1..probes).step_by(2));
    let limit = bench.station.electronics.parallel_apertures as usize;
    let mut sets: Vec<Vec<usize>> = Vec::new();
    let mut talk = f64::NEG_INFINITY;
    for p in sequence {
        let fits = sets
            .iter_mut()
            .find(|set| set.len() < limit && set.iter().all(|q| worst(p, *q) <= allowed));
        match fits {
            Some(set) => {
                talk = set.iter().map(|q| worst(p, *q)).fold(talk, f64::max);
                set.push(p);
            }
            None => sets.push(vec![p]),
        }
    }
    sets.sort();
    let together = sets.iter().map(Vec::len).max().unwrap_or(0);
    let stride = stride(most);
    let firings = (0..most)
        .flat_map(|round| {
            let by_probe = &by_probe;
            let count = sets.len();
            sets.iter().enumerate().map(move |(k, set)| {
                // The second half of the sets, which holds the opposite probes, is half a probe on.
                let ahead = if 2 * k >= count { most / 2 } else { 0 };
                let index = (round * stride + ahead) % most;
                set.iter()
                    .filter_map(|p| by_probe[*p].get(index).map(|b| b.id))
                    .collect::<Vec<u32>>()
            })
        })
        .filter(|f| !f.is_empty())
        .collect();
    (firings, together, talk)
}

/// Step through `n` places that visits all and lands far from the last one each time.
fn stride(n: usize) -> usize {
    let shares = |a: usize, b: usize| (2..=a).any(|d| a.is_multiple_of(d) && b.is_multiple_of(d));
    let wanted = (n as f64 * 0.38).round().max(1.0) as usize;
    (wanted..n.max(wanted + 1)).find(|s| !shares(*s, n)).unwrap_or(1)
}

/// Level of what beam `a` sends into the gate of beam `b` of another probe when both fire together,
/// dB re the ordered flaw; minus infinity where nothing can arrive in the gate.
///
/// Longitudinal: the direct chord between the two entries, each aperture's line pattern taken at its
/// envelope 1/(π u), u = footprint · sin(angle to the axis) / λ, relative to straight transmission,
/// which stands over the disc as the far wall does. Shear: the axis itself, which meets the rim
/// again and again; it counts where it leaves towards the other probe within the gate.
#[must_use]
pub fn cross_talk_db(bench: &Bench<'_>, a: &Beam, b: &Beam) -> f64 {
    if opposite(bench.probes.len(), a.probe as usize, b.probe as usize) {
        return f64::INFINITY;
    }
    if !square::firing::may_fire_together(bench, a, b) {
        return f64::INFINITY;
    }
    let Some(gate) = b.gates.iter().find(|g| matches!(g.kind, GateKind::Volume | GateKind::Crack))
    else {
        return f64::NEG_INFINITY;
    };
    let margin = bench.nominal.pulse.duration_s(40.0) / 2.0;
    let within = |t: f64| (gate.start_s - margin..=gate.end_s + margin).contains(&t);
    match a.mode {
        Mode::L => {
            let chord = b.axis.entry - a.axis.entry;
            let way = chord.radius();
            let t = way / a.axis.velocity_m_s;
            if !within(t) {
                return f64::NEG_INFINITY;
            }
            let lambda = a.axis.velocity_m_s / bench.pulse.centre_hz;
            let loss = |beam: &Beam, towards: f64| {
                let angle = turn(towards - beam.axis.direction_rad);
                pattern_db(footprint_m(&bench.probes, beam), angle, lambda)
            };
            wall_over_disc_db(bench, a) + loss(a, chord.angle()) + loss(b, chord.angle() + PI)
        }
        Mode::S => {
            let radius = bench.nominal.section.half_extent_m();
            let step = turn(beams::end(a).angle() - a.axis.entry.angle());
            let lead = turn(a.axis.entry.angle() - middle_angle(&bench.probes, a));
            let leg_s = a.axis.reach_m / a.axis.velocity_m_s;
            // Half the width of an aperture and of the beam that leaves, seen from the centre.
            let near = footprint_m(&bench.probes, b) / radius + 5f64.to_radians();
            let heard = (1..=8).any(|k| {
                let k = f64::from(k);
                let lands = a.axis.entry.angle() + k * step + lead;
                within(k * leg_s) && turn(lands - middle_angle(&bench.probes, b)).abs() <= near
            });
            if heard { f64::INFINITY } else { f64::NEG_INFINITY }
        }
    }
}

fn opposite(probes: usize, p: usize, q: usize) -> bool {
    probes.is_multiple_of(2) && (p + probes / 2) % probes == q
}

fn middle_angle(probes: &[Probe], beam: &Beam) -> f64 {
    ring::middle(Aperture::of_beam(probes, beam).elements).angle()
}

/// Width of an aperture as it falls on the surface, in m.
fn footprint_m(probes: &[Probe], beam: &Beam) -> f64 {
    let own = Aperture::of_beam(probes, beam).elements;
    let (Some(a), Some(b)) = (own.first(), own.last()) else {
        return 0.0;
    };
    let from = ring::middle(own).radius();
    let span = a.centre.distance(b.centre) + a.width_m;
    // A flat array before a flat face casts its own width.
    let parallel = a.facing_rad == b.facing_rad;
    if from > 0.0 && !parallel && beam.surface_beam.is_some() {
        span * beam.axis.entry.radius() / from
    } else {
        span
    }
}

/// Envelope of a line source's pattern, dB re its axis.
fn pattern_db(width_m: f64, angle_rad: f64, wavelength_m: f64) -> f64 {
    if angle_rad.cos() <= 0.0 {
        return f64::NEG_INFINITY;
    }
    let u = PI * width_m * angle_rad.sin().abs() / wavelength_m;
    if u <= 1.0 { 0.0 } else { -db(u) }
}

/// How far the far wall stands over the ordered disc before it, in dB.
fn wall_over_disc_db(bench: &Bench<'_>, beam: &Beam) -> f64 {
    let target = db(bench.sensitivity.target_fsh);
    let wall = beam.gain_curve.last().map_or(0.0, |p| target - beam.gain_db - p.gain_db);
    beam.response.last().map_or(0.0, |r| wall - r.transfer_db)
}

/// Strongest far-wall reverberation that meets a later firing on the same line, dB re the ordered
/// disc. Each round trip loses by reflection at both walls and attenuation; spreading along the bar
/// by 10 log10 of the number of trips; the turn between the two axes by the aperture's pattern.
fn reverberation_db(
    bench: &Bench<'_>,
    all: &[Beam],
    order: &[Vec<u32>],
    interval_s: f64,
) -> Option<f64> {
    let water = bench.nominal.media.water?;
    let steel = &bench.nominal.media.steel;
    let reflected = interface::plane_wave(&water, steel, 0.0).ok()?.reflected.norm();
    let lambda = steel.longitudinal_m_s / bench.pulse.centre_hz;
    let beam = |id: u32| all.get(id as usize).filter(|b| b.mode == Mode::L);
    let n = order.len();
    let mut worst: Option<f64> = None;
    for (i, firing) in order.iter().enumerate() {
        for a in firing.iter().filter_map(|id| beam(*id)) {
            let trip = 2.0 * a.axis.reach_m / a.axis.velocity_m_s;
            let attenuation =
                -db((-2.0 * a.axis.reach_m * bench.nominal.media.attenuation_l_np_m).exp());
            let loss = attenuation - 2.0 * db(reflected);
            for later in 1..n {
                let trips = (later as f64 * interval_s / trip).floor();
                // Below this nothing on the line matters any more.
                let straight = wall_over_disc_db(bench, a)
                    - (trips - 1.0).max(0.0) * loss
                    - 10.0 * trips.max(1.0).log10();
                if straight < allowed_db(bench) - 40.0 {
                    break;
                }
                for b in order[(i + later) % n].iter().filter_map(|id| beam(*id)) {
                    let same = a.probe == b.probe
                        || opposite(bench.probes.len(), a.probe as usize, b.probe as usize);
                    if !same {
                        continue;
                    }
                    let between = turn(2.0 * (a.axis.direction_rad - b.axis.direction_rad)) / 2.0;
                    let aside = square::firing::aside_db(bench, a, b, trips);
                    let level = straight
                        + aside
                        + pattern_db(footprint_m(&bench.probes, b), between, lambda);
                    worst = Some(worst.map_or(level, |w| w.max(level)));
                }
            }
        }
    }
    worst
}

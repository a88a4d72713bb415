//! Which beams of two techniques are the same beam, and what differs between the two.

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

use barwright_job::technique::{Beam, Gate, GateKind, Technique};
use barwright_wave::Mode;
use serde::Serialize;

/// How far the entry of a beam may have moved, in metres, and its direction have turned, in rad, for
/// it to be called the same beam when its aperture is another: less than a beam's width, and less
/// than lies between two shear beams of one aperture.
const SAME_ENTRY_M: f64 = 0.002;
const SAME_DIRECTION_RAD: f64 = 0.1;

/// A beam by what it is, not by its number.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Named {
    pub beam: u32,
    pub probe: u32,
    pub mode: Mode,
    pub first_element: u32,
    pub elements: u32,
    pub direction_deg: f64,
}

impl Named {
    pub fn of(b: &Beam) -> Self {
        Self {
            beam: b.id,
            probe: b.probe,
            mode: b.mode,
            first_element: b.first_element,
            elements: b.elements(),
            direction_deg: b.axis.direction_rad.to_degrees(),
        }
    }
}

/// The largest change of a delay.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DelayChange {
    pub largest_ns: f64,
    /// `transmit` or `receive`.
    pub law: &'static str,
    /// Element of the probe, counted from 0.
    pub element: u64,
}

/// What became of a gate. Changes are second less first; path is in the medium of the gate.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "change")]
pub enum GateChange {
    Added {
        kind: GateKind,
        start_us: f64,
        end_us: f64,
    },
    Removed {
        kind: GateKind,
        start_us: f64,
        end_us: f64,
    },
    Moved {
        kind: GateKind,
        start_us: f64,
        end_us: f64,
        start_mm: f64,
        end_mm: f64,
        threshold_fsh_percent: f64,
    },
}

/// What differs between the two forms of one beam; changes are second less first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BeamChange {
    pub first: Named,
    pub second: Named,
    pub aperture: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub delays: Option<DelayChange>,
    pub gain_db: f64,
    /// Largest change of the gain curve.
    pub curve_db: f64,
    pub surface_us: f64,
    /// Whether it follows another beam's surface echo.
    pub follows_another: bool,
    pub gates: Vec<GateChange>,
    pub entry_mm: f64,
    pub direction_deg: f64,
    pub velocity_m_s: f64,
    pub reach_mm: f64,
    pub axial_width_mm: f64,
    /// Largest change of the predicted echo of its own reflector.
    pub response_db: f64,
}

/// Places in the first and in the second list.
type Places = (Vec<usize>, Vec<usize>);

/// Pairs of places in the two lists of beams, in the order of the first list.
pub fn pairs(a: &[Beam], b: &[Beam]) -> Vec<(usize, usize)> {
    let mut groups: BTreeMap<(u32, Mode, u32, u32), Places> = BTreeMap::new();
    let key = |b: &Beam| (b.probe, b.mode, b.first_element, b.elements());
    for (i, beam) in a.iter().enumerate() {
        groups.entry(key(beam)).or_default().0.push(i);
    }
    for (j, beam) in b.iter().enumerate() {
        groups.entry(key(beam)).or_default().1.push(j);
    }
    let mut found = Vec::new();
    for (of_a, of_b) in groups.values() {
        nearest(a, b, (of_a, of_b), |_, _| true, &mut found);
    }
    // What is left may be the same beam with another aperture.
    let mut left: BTreeMap<(u32, Mode), Places> = BTreeMap::new();
    for (i, beam) in a.iter().enumerate() {
        if !found.iter().any(|p| p.0 == i) {
            left.entry((beam.probe, beam.mode)).or_default().0.push(i);
        }
    }
    for (j, beam) in b.iter().enumerate() {
        if !found.iter().any(|p| p.1 == j) {
            left.entry((beam.probe, beam.mode)).or_default().1.push(j);
        }
    }
    for (of_a, of_b) in left.values() {
        let near = |x: &Beam, y: &Beam| {
            x.axis.entry.distance(y.axis.entry) <= SAME_ENTRY_M
                && turn(x, y).abs() <= SAME_DIRECTION_RAD
        };
        nearest(a, b, (of_a, of_b), near, &mut found);
    }
    found.sort_unstable();
    found
}

/// Pairs the beams of two groups, those first that lie nearest to each other.
fn nearest(
    a: &[Beam],
    b: &[Beam],
    (of_a, of_b): (&[usize], &[usize]),
    may: impl Fn(&Beam, &Beam) -> bool,
    found: &mut Vec<(usize, usize)>,
) {
    let mut candidates: Vec<(f64, usize, usize)> = of_a
        .iter()
        .flat_map(|i| of_b.iter().map(move |j| (*i, *j)))
        .filter(|(i, j)| may(&a[*i], &b[*j]))
        // An entry weighs as much as the turn that moves it by the reach of the beam.
        .map(|(i, j)| {
            let (x, y) = (&a[i], &b[j]);
            let reach = x.axis.reach_m.max(1e-3);
            (turn(x, y).abs() + x.axis.entry.distance(y.axis.entry) / reach, i, j)
        })
        .collect();
    candidates.sort_by(|x, y| x.0.total_cmp(&y.0).then((x.1, x.2).cmp(&(y.1, y.2))));
    let (mut used_a, mut used_b) = (vec![], vec![]);
    for (_, i, j) in candidates {
        if !used_a.contains(&i) && !used_b.contains(&j) {
            used_a.push(i);
            used_b.push(j);
            found.push((i, j));
        }
    }
}

/// Turn from one beam's direction to the other's, in (-π, π].
fn turn(a: &Beam, b: &Beam) -> f64 {
    let t = (b.axis.direction_rad - a.axis.direction_rad).rem_euclid(TAU);
    if t > PI { t - TAU } else { t }
}

/// What differs between two forms of a beam; `None` if nothing but its number. `followed` says
/// whether both follow the same beam's surface echo.
pub fn change(
    (ta, a): (&Technique, &Beam),
    (tb, b): (&Technique, &Beam),
    followed: bool,
) -> Option<BeamChange> {
    // Every field is named, so that a new one cannot be forgotten here.
    let Beam {
        id: _,
        probe: _,
        mode: _,
        first_element,
        transmit_delays_s,
        receive_delays_s,
        gain_db,
        gain_curve,
        surface_beam: _,
        surface_time_s,
        gates,
        axis,
        axial_width_m,
        response,
    } = a;
    let aperture = *first_element != b.first_element || a.elements() != b.elements();
    let same = !aperture
        && followed
        && *transmit_delays_s == b.transmit_delays_s
        && *receive_delays_s == b.receive_delays_s
        && *gain_db == b.gain_db
        && *gain_curve == b.gain_curve
        && *surface_time_s == b.surface_time_s
        && *gates == b.gates
        && *axis == b.axis
        && *axial_width_m == b.axial_width_m
        && *response == b.response;
    if same {
        return None;
    }
    Some(BeamChange {
        first: Named::of(a),
        second: Named::of(b),
        aperture,
        delays: if aperture { None } else { delays(a, b) },
        gain_db: b.gain_db - gain_db,
        curve_db: gain_curve
            .iter()
            .chain(&b.gain_curve)
            .map(|p| b.curve_db(p.after_surface_s) - a.curve_db(p.after_surface_s))
            .fold(0.0, largest),
        surface_us: (b.surface_time_s - surface_time_s) * 1e6,
        follows_another: !followed,
        gates: gate_changes((ta, a), (tb, b)),
        entry_mm: axis.entry.distance(b.axis.entry) * 1e3,
        direction_deg: turn(a, b).to_degrees(),
        velocity_m_s: b.axis.velocity_m_s - axis.velocity_m_s,
        reach_mm: (b.axis.reach_m - axis.reach_m) * 1e3,
        axial_width_mm: (b.axial_width_m - axial_width_m) * 1e3,
        response_db: response
            .iter()
            .zip(&b.response)
            .map(|(x, y)| y.transfer_db - x.transfer_db)
            .fold(0.0, largest),
    })
}

/// The value of larger size, with its sign.
pub fn largest(a: f64, b: f64) -> f64 {
    if b.abs() > a.abs() { b } else { a }
}

fn delays(a: &Beam, b: &Beam) -> Option<DelayChange> {
    let laws = [
        ("transmit", &a.transmit_delays_s, &b.transmit_delays_s),
        ("receive", &a.receive_delays_s, &b.receive_delays_s),
    ];
    let mut found: Option<DelayChange> = None;
    for (law, x, y) in laws {
        for (i, (x, y)) in x.iter().zip(y).enumerate().filter(|(_, (x, y))| x != y) {
            let largest_ns = (y - x) * 1e9;
            if found.as_ref().is_none_or(|f| largest_ns.abs() > f.largest_ns.abs()) {
                let element = u64::from(a.first_element) + i as u64;
                found = Some(DelayChange { largest_ns, law, element });
            }
        }
    }
    found
}

/// The `k`-th gate of a kind is compared with the `k`-th of the other.
fn gate_changes((ta, a): (&Technique, &Beam), (tb, b): (&Technique, &Beam)) -> Vec<GateChange> {
    let mut out = Vec::new();
    for kind in [GateKind::Surface, GateKind::Volume, GateKind::Crack, GateKind::BackWall] {
        let of = |beam: &Beam| -> Vec<Gate> {
            beam.gates.iter().filter(|g| g.kind == kind).copied().collect()
        };
        let (x, y) = (of(a), of(b));
        for k in 0..x.len().max(y.len()) {
            match (x.get(k), y.get(k)) {
                (Some(g), Some(h)) if g != h => {
                    let half = (half_velocity(ta, a, kind), half_velocity(tb, b, kind));
                    let path = |t: f64, u: f64| (u * half.1 - t * half.0) * 1e3;
                    out.push(GateChange::Moved {
                        kind,
                        start_us: (h.start_s - g.start_s) * 1e6,
                        end_us: (h.end_s - g.end_s) * 1e6,
                        start_mm: path(g.start_s, h.start_s),
                        end_mm: path(g.end_s, h.end_s),
                        threshold_fsh_percent: (h.threshold_fsh - g.threshold_fsh) * 100.0,
                    });
                }
                (Some(g), None) => out.push(GateChange::Removed {
                    kind,
                    start_us: g.start_s * 1e6,
                    end_us: g.end_s * 1e6,
                }),
                (None, Some(h)) => out.push(GateChange::Added {
                    kind,
                    start_us: h.start_s * 1e6,
                    end_us: h.end_s * 1e6,
                }),
                _ => {}
            }
        }
    }
    out
}

/// Half the velocity in the medium that a gate looks into: water before the surface, else steel.
fn half_velocity(t: &Technique, beam: &Beam, kind: GateKind) -> f64 {
    let velocity = match (kind, t.media.water) {
        (GateKind::Surface, Some(water)) => water.velocity_m_s,
        _ => beam.axis.velocity_m_s,
    };
    velocity / 2.0
}

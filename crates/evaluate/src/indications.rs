//! Indications: echoes of neighbouring shots and beams that belong to one reflector.
//!
//! # Algorithm
//! 1. Echoes at or over the alarm are taken from the highest down. One that lies within reach of
//!    higher ones (along the bar and in the section) joins the nearest; where it connects two
//!    groups, these become one unless the echo has dropped by more than 6 dB between them.
//! 2. Groups of fewer shots than the rules' persistence are not confirmed.
//!
//! What a group is, how large and where, is in `measure`.

use std::collections::BTreeMap;

use barwright_job::{
    Rules, Technique,
    proof::FlawClass,
    screened::{Echo, EchoMark},
    technique::GateKind,
};
use barwright_wave::Point;

use crate::{
    accounting::class_of,
    place::{link_m, place_of},
};

/// Drop between two peaks that keeps them apart, as a ratio of heights (6 dB).
pub(crate) const APART: f64 = 0.5;

/// Echoes that belong to one reflector.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Flaw class whose gate saw them.
    pub class: FlawClass,
    /// Places in the list of echoes, the highest first.
    pub members: Vec<usize>,
}

/// Groups of echoes, confirmed or not.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Grouped {
    /// Groups that meet the persistence, along the bar.
    pub confirmed: Vec<Group>,
    /// Groups that do not.
    pub single: Vec<Group>,
}

/// One echo over the alarm with its place.
struct Spot {
    echo: usize,
    z_m: f64,
    place: Point,
    height: f64,
}

/// Height from which an echo of a gate counts, as a fraction of full screen height: the lower one
/// of the technique's threshold and the rules' alarm.
#[must_use]
pub fn alarm_fsh(rules: &Rules, threshold_fsh: f64) -> f64 {
    threshold_fsh.min(rules.alarm.height_fsh_percent / 100.0)
}

/// Groups the echoes over the alarm. Echoes marked as lost coupling do not count: their stretch is
/// not inspected.
#[must_use]
pub fn group(technique: &Technique, rules: &Rules, echoes: &[Echo]) -> Grouped {
    let mut out = Grouped::default();
    for kind in [GateKind::Volume, GateKind::Crack] {
        let Some(class) = class_of(kind) else {
            continue;
        };
        let spots = spots(technique, rules, echoes, kind);
        let reach = (1.5 * technique.pulse_spacing_m, link_m(technique, kind));
        for members in watershed(&spots, reach) {
            let members: Vec<usize> = members.into_iter().map(|i| spots[i].echo).collect();
            let confirmed = members.len() as u64 >= u64::from(rules.alarm.persistence);
            let list = if confirmed { &mut out.confirmed } else { &mut out.single };
            list.push(Group { class, members });
        }
    }
    let first_z = |g: &Group| g.members.iter().map(|&m| echoes[m].z_m).fold(f64::MAX, f64::min);
    out.confirmed.sort_by(|a, b| first_z(a).total_cmp(&first_z(b)).then(a.class.cmp(&b.class)));
    out
}

/// Echoes of one kind of gate over the alarm, along the bar.
fn spots(technique: &Technique, rules: &Rules, echoes: &[Echo], kind: GateKind) -> Vec<Spot> {
    let mut spots: Vec<Spot> = echoes
        .iter()
        .enumerate()
        .filter_map(|(i, e)| {
            let beam = technique.beams.get(e.beam as usize)?;
            let gate = beam.gates.get(e.gate as usize)?;
            let height = f64::from(e.height_fsh);
            let counts = gate.kind == kind
                && e.mark != EchoMark::CouplingLost
                && height >= alarm_fsh(rules, gate.threshold_fsh);
            counts.then(|| Spot {
                echo: i,
                z_m: e.z_m,
                place: place_of(technique, kind, e),
                height,
            })
        })
        .collect();
    spots.sort_by(|a, b| a.z_m.total_cmp(&b.z_m).then(a.echo.cmp(&b.echo)));
    spots
}

/// Groups of spots (ordered along the bar); each group lists its highest spot first.
fn watershed(spots: &[Spot], (reach_z, reach_section): (f64, f64)) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..spots.len()).collect();
    order.sort_by(|&a, &b| spots[b].height.total_cmp(&spots[a].height).then(a.cmp(&b)));
    let mut parent: Vec<Option<usize>> = vec![None; spots.len()];
    for &i in &order {
        let here = &spots[i];
        let low = spots.partition_point(|s| s.z_m < here.z_m - reach_z);
        let mut nearest: Option<(f64, usize)> = None;
        let mut met: Vec<usize> = Vec::new();
        for (j, s) in spots.iter().enumerate().skip(low) {
            if s.z_m > here.z_m + reach_z {
                break;
            }
            if parent[j].is_none() {
                continue;
            }
            let across = s.place.distance(here.place) / reach_section;
            if across > 1.0 {
                continue;
            }
            let distance = across.hypot((s.z_m - here.z_m) / reach_z);
            let root = root(&parent, j);
            if !met.contains(&root) {
                met.push(root);
            }
            if nearest.is_none_or(|n| distance < n.0) {
                nearest = Some((distance, root));
            }
        }
        parent[i] = Some(nearest.map_or(i, |n| n.1));
        // The highest group first: a root is its group's highest spot.
        met.sort_by(|&a, &b| spots[b].height.total_cmp(&spots[a].height).then(a.cmp(&b)));
        for k in 1..met.len() {
            let lower = met[k];
            if here.height >= APART * spots[lower].height {
                let higher = root(&parent, met[0]);
                if higher != lower {
                    parent[lower] = Some(higher);
                }
            }
        }
    }
    let mut groups: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for &i in &order {
        groups.entry(root(&parent, i)).or_default().push(i);
    }
    groups.into_values().collect()
}

fn root(parent: &[Option<usize>], mut i: usize) -> usize {
    while let Some(up) = parent[i].filter(|&up| up != i) {
        i = up;
    }
    i
}

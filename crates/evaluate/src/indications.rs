//! Indications: echoes of neighbouring shots and beams that belong to one reflector.
//!
//! # Algorithm
//! 1. Echoes at or over the alarm are taken from the highest down. One that lies within reach of
//!    higher ones (along the bar and in the section) joins the nearest; where it connects two
//!    groups, these become one unless the echo has dropped by more than 6 dB between them.
//! 2. Groups of fewer shots than the rules' persistence are not confirmed.
//! 3. Place: mean of the places of the echoes within 6 dB of the highest, weighted by the square
//!    of their heights. Length: 6 dB drop, corrected for the beam. Size: from the highest echo.

use std::{
    collections::{BTreeMap, BTreeSet},
    f64::consts::{FRAC_PI_4, TAU},
};

use barwright_job::{
    Rules, Technique,
    judgement::Indication,
    proof::FlawClass,
    rules::zones::Extent,
    screened::{Echo, EchoMark},
    technique::{Beam, GateKind, Section},
};
use barwright_wave::{Mode, Point};

use crate::{
    accounting::class_of,
    kind,
    place::{link_m, looks, place, wavelength_m},
    reading::db,
    size,
    sizing::Sizing,
};

/// Times the beam's width up to which a flaw may still be a point that shots far apart blur.
const LONGER: f64 = 4.0;
/// Length along the bar over which a flaw's echoes under the alarm are looked for, in m.
const LONG_M: f64 = 0.05;
/// Drop between two peaks that keeps them apart, as a ratio of heights (6 dB).
const APART: f64 = 0.5;

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

/// An indication with the margin that a cut must keep from it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measured {
    pub indication: Indication,
    pub margin_m: f64,
    /// Its echoes, by their places in the list.
    pub members: Vec<usize>,
}

/// Heights of each beam and gate along the bar, for the 6 dB drop.
pub(crate) struct Profiles<'a> {
    echoes: &'a [Echo],
    lists: BTreeMap<(u32, u8), Vec<usize>>,
}

impl<'a> Profiles<'a> {
    pub fn new(echoes: &'a [Echo]) -> Self {
        let mut lists: BTreeMap<(u32, u8), Vec<usize>> = BTreeMap::new();
        for (i, e) in echoes.iter().enumerate() {
            lists.entry((e.beam, e.gate)).or_default().push(i);
        }
        for list in lists.values_mut() {
            list.sort_by(|&a, &b| echoes[a].z_m.total_cmp(&echoes[b].z_m));
        }
        Self { echoes, lists }
    }

    /// The group's echoes and, for a flaw of the volume that is not long, those under the alarm but of at
    /// least a height that come from about its place.
    fn about(
        &self,
        technique: &Technique,
        rules: &Rules,
        group: &Group,
        kind: GateKind,
        place: Point,
        least_fsh: f64,
    ) -> Vec<&'a Echo> {
        let members: Vec<&Echo> = group.members.iter().map(|&m| &self.echoes[m]).collect();
        let reach = 1.5 * technique.pulse_spacing_m;
        let low = members.iter().map(|e| e.z_m).fold(f64::MAX, f64::min) - reach;
        let high = members.iter().map(|e| e.z_m).fold(f64::MIN, f64::max) + reach;
        let mut all = members;
        if kind != GateKind::Volume || high - low > LONG_M {
            return all;
        }
        let link = link_m(technique, kind);
        for (&(beam, gate), list) in &self.lists {
            let gate = technique.beams.get(beam as usize).and_then(|b| b.gates.get(gate as usize));
            let Some(gate) = gate.filter(|g| g.kind == kind) else {
                continue;
            };
            let alarm = alarm_fsh(rules, gate.threshold_fsh);
            let first = list.partition_point(|&i| self.echoes[i].z_m < low);
            let here = list[first..].iter().map(|&i| &self.echoes[i]);
            all.extend(here.take_while(|e| e.z_m <= high).filter(|e| {
                let height = f64::from(e.height_fsh);
                e.mark == EchoMark::Sound
                    && (least_fsh..alarm).contains(&height)
                    && place_of(technique, kind, e).distance(place) <= link
            }));
        }
        all
    }

    /// Heights of one beam's gate over a stretch and one shot beyond it on either side. Echoes
    /// over the alarm that belong to other groups count as silence.
    fn heights(
        &self,
        key: (u32, u8),
        stretch: (f64, f64),
        own: &[usize],
        alarm: f64,
    ) -> Vec<(f64, f64)> {
        let Some(list) = self.lists.get(&key) else {
            return Vec::new();
        };
        let first = list.partition_point(|&i| self.echoes[i].z_m < stretch.0);
        let last = list.partition_point(|&i| self.echoes[i].z_m <= stretch.1);
        list[first.saturating_sub(2)..(last + 2).min(list.len())]
            .iter()
            .map(|&i| {
                let h = f64::from(self.echoes[i].height_fsh);
                let foreign = h >= alarm && own.binary_search(&i).is_err();
                (self.echoes[i].z_m, if foreign { 0.0 } else { h })
            })
            .collect()
    }
}

/// Times the noise from which an echo under the alarm may tell of a flaw that others are sure of.
const QUIET: f64 = 3.0;

/// Place, length, size and kind of a confirmed group. `noise_fsh` enters the uncertainty; the
/// letter is left empty.
pub(crate) fn measure(
    technique: &Technique,
    rules: &Rules,
    profiles: &Profiles<'_>,
    group: &Group,
    noise_fsh: f64,
    sizing: Option<&Sizing<'_>>,
) -> Option<Measured> {
    let echoes = profiles.echoes;
    let strongest = &echoes[*group.members.first()?];
    let peak = f64::from(strongest.height_fsh);
    let beam = &technique.beams[strongest.beam as usize];
    let gate = &beam.gates[strongest.gate as usize];
    let near: Vec<&Echo> = group
        .members
        .iter()
        .map(|&m| &echoes[m])
        .filter(|e| f64::from(e.height_fsh) >= APART * peak)
        .collect();
    let (place, _) = mean_place(technique, gate.kind, &near);
    // Beams at their edge read a small flaw under the alarm: they tell its place and size all the same.
    let all = profiles.about(technique, rules, group, gate.kind, place, QUIET * noise_fsh);
    let high: Vec<&Echo> =
        all.iter().copied().filter(|e| f64::from(e.height_fsh) >= APART * peak).collect();
    let (place, spread) = mean_place(technique, gate.kind, &high);
    let mut beams: Vec<u32> = group.members.iter().map(|&m| echoes[m].beam).collect();
    beams.sort_unstable();
    beams.dedup();
    let mut near_beams: Vec<u32> = near.iter().map(|e| e.beam).collect();
    near_beams.sort_unstable();
    near_beams.dedup();
    let across = link_m(technique, gate.kind) / 12f64.sqrt();
    let n = near_beams.len() as f64;
    let place_uncertainty_m = ((spread * spread + across * across) / n
        + (wavelength_m(technique, beam) / 4.0).powi(2))
    .sqrt();
    let alarm = alarm_fsh(rules, gate.threshold_fsh);
    let width_of = |beam: &Beam| {
        sizing.and_then(|s| s.width_m(beam, strongest, place)).unwrap_or(beam.axial_width_m)
    };
    let width = width_of(beam);
    let seen = seen_by(profiles, group, &near_beams, alarm);
    // Each beam by its own width at the flaw: one that looks from afar is narrower along the bar.
    let (from, to) = seen
        .into_iter()
        .map(|(beam, from, to)| {
            let length = size::length_m(to - from, width_of(&technique.beams[beam as usize]));
            (0.5 * (from + to - length), 0.5 * (from + to + length))
        })
        .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
        .unwrap_or((strongest.z_m, strongest.z_m));
    let clipped = near.iter().any(|e| e.mark == EchoMark::Clipped);
    // Echoes that agree with a point are one's, though shots far apart make it seem longer. A clipped
    // flaw has lost its height.
    let point = sizing
        .filter(|_| group.class == FlawClass::Disc && !clipped && to - from <= LONGER * width)
        .and_then(|s| s.as_point(all.iter().copied(), place, 0.5 * (from + to)));
    let sized = point.filter(|p| p.agrees || to - from <= width);
    let (from, to) = match point.filter(|p| p.agrees) {
        Some(p) => (p.middle_m, p.middle_m),
        None => (from, to),
    };
    let length = to - from;
    let depth_m = match group.class {
        FlawClass::Crack => 0.0,
        FlawClass::Disc => technique.section.depth_m(place).max(0.0),
    };
    let on_axis = !matches!(technique.section, Section::Flat { .. })
        && place.radius() <= (2.0 * place_uncertainty_m).max(wavelength_m(technique, beam));
    let extent = if length > width { Extent::Extended } else { Extent::Point };
    let kind = kind::tell(&kind::Traits {
        class: group.class,
        long: length > 3.0 * width,
        extent,
        on_axis,
        one_sided_db: one_sided_db(technique, group, echoes),
        directions: directions(technique, gate.kind, &near),
        before_surface_m: before_surface_m(technique, gate.kind, &near),
        before_uncertainty_m: wavelength_m(technique, beam) / 4.0,
    });
    let mut modes: Vec<Mode> = beams.iter().map(|&b| technique.beams[b as usize].mode).collect();
    modes.sort_unstable();
    modes.dedup();
    let height = match group.class {
        FlawClass::Disc => sized.map_or(peak, |s| s.height_fsh),
        FlawClass::Crack => {
            peak * sizing.map_or(1.0, |s| s.of_length(beam, strongest, place, length))
        }
    };
    Some(Measured {
        margin_m: width / 2.0 + technique.pulse_spacing_m,
        members: group.members.clone(),
        indication: Indication {
            letter: String::new(),
            class: group.class,
            kind: kind.words,
            place,
            place_uncertainty_m,
            depth_m,
            from_m: from,
            to_m: to,
            height_fsh: peak,
            clipped,
            size_m: size::equivalent_m(group.class, &technique.sensitivity, height),
            size_uncertainty_db: size::uncertainty_db(
                rules,
                peak,
                noise_fsh,
                sized.map(|s| s.scatter_db),
            ),
            sized_by: sized.map(|s| s.echoes as u32),
            beams,
            echoes: group.members.len() as u32,
            extent: Some(extent),
            length_uncertainty_m: Some(size::length_uncertainty_m(
                technique.pulse_spacing_m,
                width,
            )),
            across_m: Some(across_m(technique, gate.kind, &near)),
            modes,
            kind_reasons: kind.reasons,
            ghost: None,
        },
    })
}

/// Where an echo comes from, in the bar's frame.
fn place_of(technique: &Technique, kind: GateKind, e: &Echo) -> Point {
    let (beam, turn_rad) = (&technique.beams[e.beam as usize], f64::from(e.turn_rad));
    place(&technique.section, beam, kind, e.after_surface_s, turn_rad)
}

/// Largest distance between the places of echoes, in metres, from those farthest along x, y and the
/// diagonals: within 8 % of the true one.
fn across_m(technique: &Technique, kind: GateKind, near: &[&Echo]) -> f64 {
    let places: Vec<Point> = near.iter().map(|e| place_of(technique, kind, e)).collect();
    (0..4)
        .map(|k| {
            let (sin, cos) = (f64::from(k) * FRAC_PI_4).sin_cos();
            let along = places.iter().map(|p| p.x * cos + p.y * sin);
            along.clone().fold(f64::MIN, f64::max) - along.fold(f64::MAX, f64::min)
        })
        .fold(0.0, f64::max)
}

/// Twelfths of the circumference from which a flaw was seen, and those from which beams of its kind
/// look at all.
fn directions(technique: &Technique, kind: GateKind, near: &[&Echo]) -> (usize, usize) {
    let twelfth = |angle: f64| (angle.rem_euclid(TAU) / TAU * 12.0) as u8 % 12;
    let entry = |b: &Beam, turn: f64| twelfth(b.axis.entry.angle() - turn);
    // A bar that turns under the ring shows all its sides to any beam.
    let turn = near.first().map_or(0.0, |e| f64::from(e.turn_rad));
    let of = |b: &Beam| b.gate(kind).is_some();
    let there: BTreeSet<u8> =
        technique.beams.iter().filter(|b| of(b)).map(|b| entry(b, turn)).collect();
    let seen: BTreeSet<u8> = near
        .iter()
        .map(|e| entry(&technique.beams[e.beam as usize], f64::from(e.turn_rad)))
        .collect();
    (seen.len(), there.len().max(seen.len()))
}

/// By how much the echoes of a surface flaw come from before the surface on their beams' axes, in
/// metres of way, as a mean weighted by the square of the height; absent for others.
fn before_surface_m(technique: &Technique, kind: GateKind, near: &[&Echo]) -> Option<f64> {
    if kind != GateKind::Crack {
        return None;
    }
    let (mut sum, mut total) = (0.0, 0.0);
    for e in near {
        let axis = &technique.beams[e.beam as usize].axis;
        let weight = f64::from(e.height_fsh).powi(2);
        sum += weight * (axis.reach_m - axis.velocity_m_s * e.after_surface_s / 2.0);
        total += weight;
    }
    (total > 0.0).then(|| sum / total)
}

/// Mean place weighted by the square of the height, and the weighted scatter about it, in metres.
fn mean_place(technique: &Technique, kind: GateKind, near: &[&Echo]) -> (Point, f64) {
    let spots: Vec<(Point, f64)> = near
        .iter()
        .map(|e| (place_of(technique, kind, e), f64::from(e.height_fsh).powi(2)))
        .collect();
    let total: f64 = spots.iter().map(|s| s.1).sum();
    let sum = spots.iter().fold(Point::default(), |sum, (p, w)| sum + *p * *w);
    let mut mean = sum * (1.0 / total.max(f64::MIN_POSITIVE));
    if let (GateKind::Crack, Section::Round { radius_m }) = (kind, technique.section) {
        // A mean of points on a circle lies inside it; the crack is at the surface.
        mean = Point::polar(radius_m, mean.angle());
    }
    let square: f64 = spots.iter().map(|(p, w)| w * p.distance(mean).powi(2)).sum();
    (mean, (square / total.max(f64::MIN_POSITIVE)).sqrt())
}

/// Start and end along the bar by 6 dB drop, as each beam sees it.
fn seen_by(
    profiles: &Profiles<'_>,
    group: &Group,
    beams: &[u32],
    alarm: f64,
) -> Vec<(u32, f64, f64)> {
    let echoes = profiles.echoes;
    let mut own = group.members.clone();
    own.sort_unstable();
    let mut seen = Vec::new();
    for &beam in beams {
        let of_beam = || group.members.iter().map(|&m| &echoes[m]).filter(|e| e.beam == beam);
        let Some(gate) = of_beam().map(|e| e.gate).next() else {
            continue;
        };
        let low = of_beam().map(|e| e.z_m).fold(f64::MAX, f64::min);
        let high = of_beam().map(|e| e.z_m).fold(f64::MIN, f64::max);
        let heights = profiles.heights((beam, gate), (low, high), &own, alarm);
        if let Some((from, to)) = size::drop_ends_m(&heights, alarm) {
            seen.push((beam, from, to));
        }
    }
    seen
}

/// Largest height seen one way round over the other way, in dB; infinite where only one saw it.
fn one_sided_db(technique: &Technique, group: &Group, echoes: &[Echo]) -> f64 {
    let largest = |way: i8| {
        group
            .members
            .iter()
            .map(|&m| &echoes[m])
            .filter(|e| looks(&technique.section, &technique.beams[e.beam as usize]) == way)
            .map(|e| f64::from(e.height_fsh))
            .fold(0.0, f64::max)
    };
    let (a, b) = (largest(1), largest(-1));
    if a == 0.0 && b == 0.0 { 0.0 } else { db(a / b) }
}

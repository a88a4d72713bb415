//! What an indication is: its place, length, size and likely kind, each with its uncertainty.
//!
//! - Place: mean of the places of the echoes within 6 dB of the highest, weighted by the square of their
//!   heights.
//! - Length: 6 dB drop as each beam sees it, corrected for that beam's width at the flaw; none where all
//!   echoes agree with a point.
//! - Size: from all echoes of a point of the volume, from the highest one of others.

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
    indications::{APART, Group, alarm_fsh},
    kind,
    observations::{across_m, before_surface_m, directions, one_sided_db},
    place::{link_m, place_of, wavelength_m},
    profiles::Profiles,
    size,
    sizing::Sizing,
};

/// Times the beam's width up to which a flaw may still be a point that shots far apart blur.
const LONGER: f64 = 4.0;
/// Times the noise from which an echo under the alarm may tell of a flaw that others are sure of.
const QUIET: f64 = 3.0;

/// An indication with the margin that a cut must keep from it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measured {
    pub indication: Indication,
    pub margin_m: f64,
    /// Its echoes, by their places in the list.
    pub members: Vec<usize>,
}

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

//! Which apertures look through the faces of a square.

use barwright_job::{
    order::SectionSpec,
    technique::{Beam, Section},
};
use barwright_wave::Mode;
use rayon::prelude::*;

use crate::beams;
use crate::bench::Bench;
use crate::error::Result;
use crate::gates;
use crate::laws::{Focus, Sketch};
use crate::layout::Layout;
use crate::square::{face, laws};

/// How far beyond the middle of the face beside a shear beam is laid, over half the side: the beams
/// of both neighbours meet there, and a bar that stands off centre must not open a gap.
const BEYOND_MIDDLE: f64 = 1.08;

/// The beams of a layout, probe by probe; shear beams first counter-clockwise, then clockwise.
///
/// # Errors
/// Those of the laws.
pub fn sketches(bench: &Bench<'_>, layout: &Layout) -> Result<Vec<Sketch>> {
    let mut all = Vec::new();
    let (count, elements) = (layout.count, bench.probes.first().map_or(0, |p| p.elements.len()));
    let firsts = match layout.mode {
        Mode::L => straight(bench, layout),
        Mode::S => aside(bench, layout)?,
    };
    let senses: &[f64] = if layout.mode == Mode::L { &[0.0] } else { &[1.0, -1.0] };
    for sense in senses {
        for probe in 0..bench.probes.len() {
            for first in &firsts {
                all.push(match layout.mode {
                    Mode::L => laws::longitudinal(bench, probe, *first, count, layout.depths)?,
                    Mode::S => {
                        // The other sense is the mirror image.
                        let first = if *sense > 0.0 { *first } else { elements - count - first };
                        laws::shear(bench, probe, first, count, sense * layout.refraction_rad)?
                    }
                });
            }
        }
    }
    Ok(all)
}

/// First elements of straight apertures: evenly over the open part of the face, both ends included.
fn straight(bench: &Bench<'_>, layout: &Layout) -> Vec<usize> {
    let SectionSpec::Square(square) = bench.order.section else { return Vec::new() };
    let open = face::open_half_m(bench.order, bench.station, &square);
    let (elements, pitch) = array(bench);
    let half = (elements as f64 - 1.0) / 2.0;
    // Elements whose whole pitch lies before the open face.
    let reach = (open / pitch - 0.5).floor().min(half);
    if reach < 0.0 {
        return Vec::new();
    }
    let low = (half - reach).ceil() as usize;
    let high = (half + reach).floor() as usize;
    spread(low, high, layout)
}

/// First elements of apertures of the sense that runs towards higher numbers: from the one whose
/// footprint just lies on the open face, so that its axis lands nearest to the corner, to the one whose
/// axis lands beyond the middle of the face beside.
fn aside(bench: &Bench<'_>, layout: &Layout) -> Result<Vec<usize>> {
    let (SectionSpec::Square(square), Section::Square { side_m, .. }, Some(water)) =
        (bench.order.section, bench.nominal.section, bench.nominal.media.water)
    else {
        return Ok(Vec::new());
    };
    let (elements, pitch) = array(bench);
    let steel = bench.nominal.media.steel.shear_m_s;
    let beta = layout.refraction_rad;
    let alpha = laws::incidence_rad(beta, water.velocity_m_s, steel)?;
    let first = bench.probes.first().and_then(|p| p.elements.first());
    let water_path = first.map_or(0.0, |e| {
        -barwright_wave::path::depth_m(
            &bench.nominal.surface_before(std::slice::from_ref(e)),
            e.centre,
        )
    });
    let half_m = side_m / 2.0;
    let width = layout.count as f64 * pitch;
    let open = face::open_half_m(bench.order, bench.station, &square);
    // Entries of the axes along the face from its middle.
    let last_entry = open - width / 2.0;
    let first_entry = half_m - BEYOND_MIDDLE * half_m * beta.tan();
    let back = water_path * alpha.tan();
    let half = (elements as f64 - 1.0) / 2.0;
    let index = |entry: f64| (entry - back - width / 2.0 + pitch / 2.0) / pitch + half;
    let low = index(first_entry).floor().max(0.0) as usize;
    let high = (index(last_entry).floor().max(0.0) as usize + layout.count).min(elements) - 1;
    if index(last_entry) < 0.0 {
        return Ok(Vec::new());
    }
    Ok(spread(low, high, layout))
}

/// First elements of apertures from element `low` to `high`, as evenly as whole elements allow and no
/// further apart than the layout's step.
fn spread(low: usize, high: usize, layout: &Layout) -> Vec<usize> {
    if layout.count == 0 || layout.step == 0 || high + 1 < low + layout.count {
        return Vec::new();
    }
    let room = high + 1 - low - layout.count;
    let gaps = room.div_ceil(layout.step);
    // Whole numbers, mirrored about the middle so that both ends of a face are alike.
    let mut firsts: Vec<usize> = (0..=gaps)
        .map(|i| {
            let mirrored = 2 * i > gaps;
            let j = if mirrored { gaps - i } else { i };
            let off = (j * room).checked_div(gaps).unwrap_or(room / 2);
            if mirrored { low + room - off } else { low + off }
        })
        .collect();
    firsts.dedup();
    firsts
}

fn array(bench: &Bench<'_>) -> (usize, f64) {
    let (elements, pitch_mm, _, _) = bench.ring.array.elements();
    (elements as usize, pitch_mm * 1e-3)
}

/// Beams of sketches, numbered from `first_id`, in their order.
///
/// Four probes and two senses are images of each other by quarter turns and a mirror: gates, gains and
/// times are computed for the first of each image and copied.
///
/// # Errors
/// The first refusal of gates or gains.
pub fn build(bench: &Bench<'_>, sketches: &[Sketch], first_id: usize) -> Result<Vec<Beam>> {
    let elements = bench.probes.first().map_or(0, |p| p.elements.len());
    // Number of the aperture as seen by the sense that runs towards higher numbers; straight apertures
    // either side of the middle are a mirror image, too.
    let image = |s: &Sketch| {
        let mirrored = elements.saturating_sub(s.count + s.first);
        match s.mode {
            Mode::L => s.first.min(mirrored),
            Mode::S if s.refraction_rad < 0.0 => mirrored,
            Mode::S => s.first,
        }
    };
    let mut firsts: Vec<(usize, &Sketch)> = Vec::new();
    for sketch in sketches {
        let key = image(sketch);
        if !firsts.iter().any(|(k, s)| *k == key && s.mode == sketch.mode) {
            firsts.push((key, sketch));
        }
    }
    let originals: Vec<(usize, Mode, Beam)> = firsts
        .par_iter()
        .map(|(key, sketch)| {
            let aperture = beams::aperture(&bench.probes, sketch);
            let surface_s = gates::surface_time_s(bench, sketch, &aperture)?;
            Ok((*key, sketch.mode, beams::one_by_rays(bench, sketch, 0, surface_s)?))
        })
        .collect::<Result<_>>()?;
    Ok(sketches
        .iter()
        .enumerate()
        .filter_map(|(i, sketch)| {
            let key = image(sketch);
            let (_, _, beam) = originals.iter().find(|o| o.0 == key && o.1 == sketch.mode)?;
            Some(Beam {
                id: (first_id + i) as u32,
                probe: sketch.probe as u32,
                first_element: sketch.first as u32,
                transmit_delays_s: sketch.transmit_s.clone(),
                receive_delays_s: sketch.receive_s.clone(),
                axis: sketch.axis,
                ..beam.clone()
            })
        })
        .collect())
}

/// The layouts that the search tries: apertures of three eighths to all of the electronics' elements in
/// steps of an eighth to three eighths of an aperture; longitudinal beams unfocused, focused at a third and two
/// thirds of the side, and sent to a third and heard from two thirds; shear beams at 45, 42 and 48 degrees.
#[must_use]
pub fn candidates(bench: &Bench<'_>, mode: Mode) -> Vec<Layout> {
    let most = bench.station.electronics.aperture_elements as usize;
    let (near, far) = (1.0 / 3.0, 2.0 / 3.0);
    let aims: Vec<(f64, Option<(f64, f64)>)> = match mode {
        Mode::L => [(f64::INFINITY, f64::INFINITY), (near, near), (far, far), (near, far)]
            .map(|depths| (0.0, Some(depths)))
            .to_vec(),
        Mode::S => [45.0, 42.0, 48.0].map(|a| (f64::to_radians(a), None)).to_vec(),
    };
    let mut all: Vec<Layout> = Vec::new();
    for (refraction_rad, depths) in aims {
        for eighth in [3, 4, 6, 8] {
            let count = most * eighth / 8;
            for eighths in [1, 2, 3] {
                let step = count * eighths / 8;
                let layout =
                    Layout { mode, count, step, refraction_rad, focus: Focus::default(), depths };
                if count > 0 && step > 0 && !all.contains(&layout) {
                    all.push(layout);
                }
            }
        }
    }
    all
}

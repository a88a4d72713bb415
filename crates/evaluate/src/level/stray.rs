//! Echoes that are not where they should be: out of their window, or another reflector's.

use barwright_job::{level::Found, reference::ReferenceBar};

use super::{heights::BeamRead, track::Track};

/// Turn from the window's middle up to which an echo counts as near by, in windows.
const NEAR_WINDOWS: f64 = 3.0;
/// An echo beside the window is this much higher than what is in it (3 dB).
const HIGHER: f64 = 1.4;
/// An echo beside the time window stands this far above what is there when the reflector is
/// elsewhere (6 dB).
const OVER_ELSEWHERE: f64 = 2.0;
/// Lowest share of the expected height for an echo found elsewhere; lower ones are side lobes and
/// clutter (12 dB).
const LEAST_SHARE: f64 = 0.25;
/// Turn or time within which an echo is another reflector's, as a share of that one's window.
const SAME_PLACE: f64 = 0.5;

/// An echo that is not where it should be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stray {
    /// Expected echo by number.
    pub expected: usize,
    /// Where it was found.
    pub found: Found,
    /// The reflector to which it belongs, where it stands at that one's place.
    pub neighbour: Option<u32>,
}

/// The stray echo of a beam, from the first of its expected echoes that has one. Beams that read all
/// their echoes have none.
pub(super) fn find(
    reference: &ReferenceBar,
    own: &[usize],
    tracks: &[Track],
    read: &BeamRead,
) -> Option<Stray> {
    own.iter().find_map(|&number| {
        let missing = read.echoes.iter().any(|&(n, d)| n == number && d.is_none());
        let track = &tracks[number];
        let stray = by_turn(reference, number, track, read, missing)
            .or_else(|| missing.then(|| by_time(reference, number, track, read)).flatten());
        let other = missing.then(|| elsewhere(reference, own, number, track)).flatten();
        match (stray, other) {
            (Some(s), None) => Some(named(reference, own, s)),
            (_, Some(other)) => Some(other),
            (None, None) => None,
        }
    })
}

/// An echo in the time window whose peak lies beside the turn window.
fn by_turn(
    reference: &ReferenceBar,
    number: usize,
    track: &Track,
    read: &BeamRead,
    missing: bool,
) -> Option<Stray> {
    let e = &reference.expected[number];
    let capture = read.capture;
    let step = reference.motion.get(e.motion as usize).map_or(0.0, |m| m.turn_step_rad);
    let best = track.near(0.0, NEAR_WINDOWS * e.turn_window_rad, capture)?;
    if best.inside || best.clipped {
        return None;
    }
    let inside = track
        .points
        .iter()
        .filter(|p| p.inside && p.capture == capture)
        .max_by(|a, b| a.height_fsh.total_cmp(&b.height_fsh))?;
    // What is in the window has a peak of its own unless it stands at the window's edge.
    let at_edge = f64::from(inside.offset_rad).abs() > e.turn_window_rad - 1.5 * step.abs();
    let height = f64::from(best.height_fsh);
    let higher = height > HIGHER * f64::from(inside.height_fsh);
    let counts = height > track.floor_fsh(capture) && height > LEAST_SHARE * e.height_fsh;
    ((missing || at_edge) && higher && counts).then(|| Stray {
        expected: number,
        found: Found {
            turn_off_rad: f64::from(best.offset_rad),
            time_off_s: f64::from(best.time_off_s),
            height_fsh: height,
        },
        neighbour: None,
    })
}

/// An echo at the right turn, before or behind the time window.
fn by_time(
    reference: &ReferenceBar,
    number: usize,
    track: &Track,
    read: &BeamRead,
) -> Option<Stray> {
    let e = &reference.expected[number];
    let (height, time, turn, _) =
        track.wide.iter().filter(|w| w.3).max_by(|a, b| a.0.total_cmp(&b.0)).copied()?;
    let mut other: Vec<f64> = track.wide.iter().filter(|w| !w.3).map(|w| f64::from(w.0)).collect();
    let elsewhere = crate::reading::quantile(&mut other, 0.95);
    let height = f64::from(height);
    let own = track.floor_fsh(read.capture);
    (height > OVER_ELSEWHERE * elsewhere && height > LEAST_SHARE * e.height_fsh && height > own)
        .then(|| Stray {
            expected: number,
            found: Found {
                turn_off_rad: f64::from(turn),
                time_off_s: f64::from(time),
                height_fsh: height,
            },
            neighbour: None,
        })
}

/// The echo of another of this beam's reflectors, shown in this one's motion.
fn elsewhere(
    reference: &ReferenceBar,
    own: &[usize],
    number: usize,
    track: &Track,
) -> Option<Stray> {
    let e = &reference.expected[number];
    own.iter().filter(|&&other| other != number).find_map(|&other| {
        let o = &reference.expected[other];
        let heights = track.others.get(&other)?;
        let height = heights.iter().copied().fold(0.0, f32::max);
        let height = f64::from(height);
        (height > 2.0 * LEAST_SHARE * o.height_fsh && o.reflector != e.reflector).then(|| Stray {
            expected: number,
            found: Found {
                turn_off_rad: crate::reading::wrapped(o.turn_rad - e.turn_rad),
                time_off_s: o.after_surface_s - e.after_surface_s,
                height_fsh: height,
            },
            neighbour: Some(o.reflector),
        })
    })
}

/// The same stray echo, with the neighbour's number where it stands at that one's turn and time.
fn named(reference: &ReferenceBar, own: &[usize], stray: Stray) -> Stray {
    let e = &reference.expected[stray.expected];
    let neighbour = own.iter().map(|&n| &reference.expected[n]).find(|o| {
        let turn = o.turn_rad - e.turn_rad - stray.found.turn_off_rad;
        let time = o.after_surface_s - e.after_surface_s - stray.found.time_off_s;
        o.reflector != e.reflector
            && o.motion == e.motion
            && crate::reading::wrapped(turn).abs() < SAME_PLACE * o.turn_window_rad
            && time.abs() < SAME_PLACE * o.time_window_s
    });
    Stray { neighbour: neighbour.map(|o| o.reflector), ..stray }
}

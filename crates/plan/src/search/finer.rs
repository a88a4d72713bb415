//! Finer steps about the layouts that came nearest: other depths of focus, other angles.

use std::cmp::Reverse;

use barwright_wave::Mode;

use crate::laws::Focus;
use crate::layout::Layout;
use crate::search::Weighed;

/// How far a finer look goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    /// Step of the focus as a share of the radius; through a flat face, of the side.
    share: f64,
    /// Step of the refraction angle in degrees.
    angle_deg: f64,
    /// Apertures with their steps that are looked at, those that came nearest first.
    apertures: usize,
}

/// The finer looks, one after another: half the coarse step, then a quarter of it.
pub(crate) const STEPS: [Step; 2] = [
    Step { share: 0.2, angle_deg: 1.5, apertures: 4 },
    Step { share: 0.1, angle_deg: 0.75, apertures: 2 },
];

/// The same through the faces of a square, where every try costs more.
pub(crate) const FACES: [Step; 1] = [Step { share: 0.2, angle_deg: 1.5, apertures: 2 }];

/// Deepest and shallowest focus, as a share of the radius from the centre: nearer to a surface the laws
/// focus where nothing is asked.
const REACH: f64 = 0.8;

/// Layouts about those that came nearest, of every aperture and step that `worth` still lets be tried; none
/// that was weighed before.
pub(crate) fn about(
    weighed: &[Weighed],
    step: Step,
    worth: &dyn Fn(&Layout) -> bool,
) -> Vec<Layout> {
    // The nearest of each aperture and step.
    let mut nearest: Vec<&Weighed> = Vec::new();
    for w in weighed.iter().filter(|w| w.nearness.is_finite() && worth(&w.layout)) {
        let alike =
            |n: &&mut &Weighed| (n.layout.count, n.layout.step) == (w.layout.count, w.layout.step);
        match nearest.iter_mut().find(alike) {
            Some(n) if n.nearness < w.nearness => *n = w,
            Some(_) => {}
            None => nearest.push(w),
        }
    }
    nearest.sort_by(|a, b| {
        b.nearness.total_cmp(&a.nearness).then(Reverse(a.beams).cmp(&Reverse(b.beams)).reverse())
    });
    let mut all: Vec<Layout> = Vec::new();
    for near in nearest.into_iter().take(step.apertures) {
        for layout in neighbours(&near.layout, step) {
            if !all.contains(&layout) && weighed.iter().all(|w| w.layout != layout) {
                all.push(layout);
            }
        }
    }
    all
}

/// Layouts one step away: both laws, or one of them, deeper and shallower; or another angle.
fn neighbours(layout: &Layout, step: Step) -> Vec<Layout> {
    if layout.mode == Mode::S {
        let turned = |sign: f64| {
            let angle_deg = layout.refraction_rad.to_degrees() + sign * step.angle_deg;
            Layout { refraction_rad: whole(angle_deg, 0.25).to_radians(), ..*layout }
        };
        return vec![turned(-1.0), turned(1.0)];
    }
    let moves = [(-1.0, -1.0), (1.0, 1.0), (-1.0, 0.0), (0.0, 1.0), (1.0, 0.0), (0.0, -1.0)];
    moves
        .into_iter()
        .filter_map(|(sent, heard)| match layout.depths {
            None => {
                let focus = Focus {
                    transmit: whole(layout.focus.transmit + sent * step.share, 0.05),
                    receive: whole(layout.focus.receive + heard * step.share, 0.05),
                };
                let within = focus.transmit.abs().max(focus.receive.abs()) <= REACH;
                within.then_some(Layout { focus, ..*layout })
            }
            Some((transmit, receive)) => {
                let transmit = whole(transmit + sent * step.share, 0.05);
                let receive = whole(receive + heard * step.share, 0.05);
                let within = transmit.min(receive) >= 0.1 && transmit.max(receive).is_finite();
                within.then_some(Layout { depths: Some((transmit, receive)), ..*layout })
            }
        })
        .collect()
}

/// A figure in whole steps, so that ways that lead to one layout meet.
fn whole(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}

#[cfg(test)]
mod tests {
    use super::*;

    fn weighed(layout: Layout, nearness: f64) -> Weighed {
        Weighed {
            layout,
            beams: 10,
            spacing_m: None,
            speed_m_s: 1.0,
            rule: String::new(),
            covered: 0.9,
            nearness,
        }
    }

    fn layout(transmit: f64, receive: f64) -> Layout {
        Layout {
            mode: Mode::L,
            count: 16,
            step: 8,
            refraction_rad: 0.0,
            depths: None,
            focus: Focus { transmit, receive },
        }
    }

    // Truth: property. Finer layouts lie one step about the nearest, never beyond the reach, and none twice or
    // again; what is not worth it is not looked at.
    #[test]
    fn finer_layouts_are_new_and_near() {
        let known = [weighed(layout(0.0, 0.0), -0.2), weighed(layout(-0.4, -0.4), 0.5)];
        let step = STEPS[0];
        let all = about(&known, step, &|_| true);
        assert_eq!(all.len(), 6);
        for (i, l) in all.iter().enumerate() {
            let (sent, heard) = (l.focus.transmit + 0.4, l.focus.receive + 0.4);
            // 1e-12: rounding of whole steps.
            assert!(sent.abs() <= step.share + 1e-12 && heard.abs() <= step.share + 1e-12);
            assert!(!all[..i].contains(l) && known.iter().all(|w| w.layout != *l));
        }
        assert!(about(&known, step, &|_| false).is_empty());
        let edge = [weighed(layout(0.8, 0.8), 0.5)];
        assert!(about(&edge, step, &|_| true).iter().all(|l| l.focus.transmit <= REACH + 1e-12));
        // Through a face, what has no focus has no neighbours.
        let open = Layout { depths: Some((f64::INFINITY, f64::INFINITY)), ..layout(0.0, 0.0) };
        assert!(about(&[weighed(open, 0.5)], step, &|_| true).is_empty());
    }
}

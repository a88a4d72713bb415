//! What is doubtful about records: dead and clipped ones, channels in another order, another origin of time.

use barwright_job::second_look::{Spot as Told, View};
use barwright_job::{Finding, Topic};
use barwright_wave::{path::depth_m, pulse::Pulse};

use super::{
    Records, Traces,
    origin::{origin_by_surface, reversed_reciprocity},
    study::Bench,
};

/// Difference of the two directions of pairs from which the order of channels is in doubt.
const DISAGREE: f64 = 0.5;
/// How far from a wall's depth it is looked for, over that depth.
const NEAR_WALL: f64 = 0.15;

/// What the records themselves say.
pub(super) fn noticed(traces: &Traces<'_>, records: &Records, pulse: &Pulse) -> Vec<Finding> {
    let n = &records.noticed;
    let mut findings = Vec::new();
    if !n.dead.is_empty() {
        let named: Vec<String> = n.dead.iter().map(|e| (e + 1).to_string()).collect();
        findings.push(Finding::new(
            Topic::Missing,
            format!(
                "{} of {} elements are dead and left out: {} (counted from 1)",
                n.dead.len(),
                traces.elements,
                named.join(", ")
            ),
        ));
    }
    if n.completed > 0 {
        findings.push(Finding::new(
            Topic::Assumed,
            format!(
                "{} pairs were recorded one way only; the other way is taken as the same",
                n.completed
            ),
        ));
    }
    if let Some([from, to]) = n.clipped_s {
        findings.push(Finding::new(
            Topic::Clipped,
            format!(
                "{} of {} traces were at full scale, between {:.2} and {:.2} µs",
                n.clipped,
                traces.elements * traces.elements,
                from * 1e6,
                to * 1e6
            ),
        ));
    }
    match n.reciprocity {
        None => findings.push(Finding::new(
            Topic::Assumed,
            "no pair was recorded both ways: the order of the channels cannot be checked",
        )),
        Some(apart) if apart > DISAGREE => {
            let reversed = reversed_reciprocity(traces);
            let words = if reversed < apart / 2.0 {
                format!(
                    "; counted from the other end the receiving channels differ by {:.0} %: one side is recorded in reverse order",
                    reversed * 100.0
                )
            } else {
                ": channels in another order, or gains that differ".to_owned()
            };
            findings.push(Finding::new(
                Topic::Validity,
                format!(
                    "the two directions of a pair differ by {:.0} % where they should agree{words}",
                    apart * 100.0
                ),
            ));
        }
        Some(_) => {}
    }
    let off = pulse.centre_hz / traces.centre_hz - 1.0;
    if off.abs() > 0.3 {
        findings.push(Finding::new(
            Topic::Validity,
            format!(
                "{:.2} MHz is heard where the array is said to have {:.2} MHz: rate or array may be another",
                pulse.centre_hz / 1e6,
                traces.centre_hz / 1e6
            ),
        ));
    }
    findings
}

impl Bench<'_> {
    /// Whether time counts from where it is said to: by the echoes of the surface between elements far apart, or by where a wall
    /// of known depth is drawn.
    pub(super) fn origin(&self, views: &[View]) -> Finding {
        let f = self.pulse.centre_hz;
        let Some(found) = self.found else { return self.by_wall(views) };
        let (delay_s, water) = (self.setup.delay_s, self.setup.water.velocity_m_s);
        let origin =
            origin_by_surface(self.records, self.points, &found.surface, water, delay_s, f);
        let Some(origin) = origin else {
            return Finding::new(
                Topic::Assumed,
                "the surface is not heard between different elements: the origin of time cannot be checked",
            );
        };
        let way = self.points.iter().map(|p| depth_m(&found.surface, *p).abs());
        let there_and_back_s = 2.0 * way.fold(f64::INFINITY, f64::min) / water;
        let rel = 100.0 * (origin.later_s / there_and_back_s).abs();
        let (late_us, give_us) = (origin.later_s * 1e6, origin.uncertainty_s * 1e6);
        if origin.later_s.abs() <= (0.5 / f).max(2.0 * origin.uncertainty_s) {
            let words = format!(
                "the origin of time agrees with the echoes of the surface between all elements: {late_us:+.2} µs (± {give_us:.2})"
            );
            return Finding::new(Topic::Assumed, words);
        }
        let word = if late_us > 0.0 { "late" } else { "early" };
        Finding::new(
            Topic::Validity,
            format!(
                "the surface is heard {:.2} µs (± {give_us:.2}) {word} by all elements alike: the origin of time or the delay of the pulse is off by that, or the velocity of the water by {rel:.1} %",
                late_us.abs()
            ),
        )
    }

    fn by_wall(&self, views: &[View]) -> Finding {
        let straight = |v: &&View| v.modes[0] == v.modes[1];
        let (Some(wall_m), Some(view)) = (self.setup.wall_m, views.iter().find(straight)) else {
            return Finding::new(
                Topic::Assumed,
                "no surface in water and no wall of known depth: the origin of time cannot be checked",
            );
        };
        let near = |s: &&Told| (s.depth_m / wall_m - 1.0).abs() < NEAR_WALL;
        let Some(spot) = view.spots.iter().find(near) else {
            return Finding::new(
                Topic::Missing,
                format!(
                    "nothing stands out about the wall at {:.1} mm: the origin of time cannot be checked",
                    wall_m * 1e3
                ),
            );
        };
        let (off_mm, give_mm) = ((spot.depth_m - wall_m) * 1e3, spot.place_uncertainty_m[1] * 1e3);
        let velocity = self.setup.steel.velocity_m_s(view.modes[0]);
        let wave_mm = velocity / self.pulse.centre_hz * 1e3;
        if off_mm.abs() <= wave_mm.max(2.0 * give_mm) {
            return Finding::new(
                Topic::Assumed,
                format!(
                    "the wall at {:.1} mm is drawn {off_mm:+.2} mm (± {give_mm:.2}) off: within a wavelength, so that origin of time and velocity agree with it",
                    wall_m * 1e3
                ),
            );
        }
        Finding::new(
            Topic::Validity,
            format!(
                "the wall at {:.1} mm is drawn {off_mm:+.2} mm (± {give_mm:.2}) off: the origin of time or the delay of the pulse is off by {:.2} µs, or the velocity by {:.1} %",
                wall_m * 1e3,
                (2e3 * off_mm / velocity).abs(),
                (100.0 * off_mm / (wall_m * 1e3)).abs()
            ),
        )
    }
}

//! Where and when each shot is taken.

use barwright_capture::shots::ShotPlace;
use barwright_job::reference::ReferenceBar;
use barwright_job::technique::Schedule;

use crate::scene::SceneBar;

/// One run of cycles at even steps of place and turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Run {
    /// Motion or pass as the shots say it.
    pub pass: u16,
    /// Time of the first cycle since the capture began, in seconds.
    pub start_s: f64,
    /// Cycles of all beams.
    pub cycles: u64,
    /// Time between the starts of two cycles in seconds.
    pub cycle_s: f64,
    /// Place along the bar at the start in metres.
    pub z_m: f64,
    /// Speed along the bar in m/s.
    pub speed_m_s: f64,
    /// Turning speed in rad/s.
    pub turn_rad_s: f64,
}

impl Run {
    /// Shots of one cycle: those of the schedule, in the order of their firing.
    pub(crate) fn cycle<'a>(
        &'a self,
        schedule: &'a Schedule,
        cycle: u64,
    ) -> impl Iterator<Item = ShotPlace> + 'a {
        let begin = cycle as f64 * self.cycle_s;
        schedule.firings.iter().flat_map(move |firing| {
            let since = begin + firing.start_s;
            firing.beams.iter().map(move |&beam| ShotPlace {
                pass: self.pass,
                beam,
                time_s: self.start_s + since,
                z_m: self.z_m + self.speed_m_s * since,
                turn_rad: (self.turn_rad_s * since) as f32,
            })
        })
    }

    /// Place along the bar halfway through a cycle, in metres.
    pub(crate) fn cycle_z_m(&self, cycle: u64) -> f64 {
        self.z_m + self.speed_m_s * (cycle as f64 + 0.5) * self.cycle_s
    }
}

/// Pause between two motions or passes, in seconds: time to move the bar.
const PAUSE_S: f64 = 1.0;

/// The motion list of a reference bar, run through `passes` times; shots say the motion.
pub(crate) fn reference_runs(bar: &ReferenceBar, schedule: &Schedule, passes: u16) -> Vec<Run> {
    let mut start_s = 0.0;
    let mut runs = Vec::new();
    for (number, motion) in (0..passes).flat_map(|_| bar.motion.iter().enumerate()) {
        let turns = motion.turn_step_rad > 0.0 && motion.turn_rad > 0.0;
        let steps =
            if turns { (motion.turn_rad / motion.turn_step_rad).round().max(1.0) } else { 0.0 };
        // A motion too fast for the schedule is slowed down: the step counts, not the duration.
        let cycle_s = (motion.duration_s / (steps + 1.0)).max(schedule.period_s);
        let cycles = steps as u64 + 1;
        runs.push(Run {
            pass: u16::try_from(number).unwrap_or(u16::MAX),
            start_s,
            cycles,
            cycle_s,
            z_m: motion.z_m,
            speed_m_s: 0.0,
            turn_rad_s: if turns { motion.turn_step_rad / cycle_s } else { 0.0 },
        });
        start_s += cycles as f64 * cycle_s + PAUSE_S;
    }
    runs
}

/// Passes of a bar under the ring from head to tail.
pub(crate) fn passes(length_m: f64, speed_m_s: f64, schedule: &Schedule, passes: u16) -> Vec<Run> {
    let duration_s = length_m / speed_m_s;
    // A cycle that begins beyond the tail sees no steel.
    let cycles = (duration_s / schedule.period_s).floor() as u64;
    (0..passes)
        .map(|pass| Run {
            pass,
            start_s: f64::from(pass) * (duration_s + PAUSE_S),
            cycles,
            cycle_s: schedule.period_s,
            z_m: 0.0,
            speed_m_s,
            turn_rad_s: 0.0,
        })
        .collect()
}

/// Whether a cycle is one of those that the instrument missed.
pub(crate) fn missed(bar: &SceneBar, run: &Run, cycle: u64) -> bool {
    bar.missed_cycles.iter().any(|missed| {
        let spacing = run.speed_m_s * run.cycle_s;
        if spacing <= 0.0 {
            return false;
        }
        let first = ((missed.at_mm / 1e3 - run.z_m) / spacing).ceil().max(0.0) as u64;
        (first..first + u64::from(missed.cycles)).contains(&cycle)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::MissedCycles;
    use barwright_job::technique::Firing;

    fn schedule() -> Schedule {
        let firing = |start_s, beams: &[u32]| Firing { start_s, beams: beams.to_vec() };
        Schedule {
            firings: vec![firing(0.0, &[0, 1]), firing(1e-3, &[2])],
            period_s: 5e-3,
            least_period_s: None,
        }
    }

    // Truth: closed form.
    #[test]
    fn shots_follow_the_bar_in_time_order() {
        let runs = passes(3.0, 1.2, &schedule(), 2);
        assert_eq!(runs.len(), 2);
        assert_eq!(runs[0].cycles, 500);
        let shots: Vec<ShotPlace> = runs
            .iter()
            .flat_map(|r| (0..r.cycles).flat_map(|c| r.cycle(&SCHEDULE.0, c).collect::<Vec<_>>()))
            .collect();
        assert_eq!(shots.len(), 2 * 500 * 3);
        assert!(shots.windows(2).all(|w| w[0].time_s <= w[1].time_s));
        // Third shot: one millisecond at 1.2 m/s.
        assert!((shots[2].z_m - 1.2e-3).abs() < 1e-12);
        assert!(shots.iter().all(|s| s.z_m <= 3.0));
    }

    static SCHEDULE: std::sync::LazyLock<(Schedule,)> = std::sync::LazyLock::new(|| (schedule(),));

    #[test]
    fn missed_cycles_are_counted_from_their_place() {
        let bar = SceneBar {
            name: "1".into(),
            flaws: vec![],
            coupling_losses: vec![],
            missed_cycles: vec![MissedCycles { at_mm: 60.0, cycles: 3 }],
        };
        let run = passes(3.0, 1.2, &schedule(), 1)[0];
        let gone: Vec<u64> = (0..run.cycles).filter(|&c| missed(&bar, &run, c)).collect();
        // 6 mm between cycles: the one at 60 mm is number 10.
        assert_eq!(gone, vec![10, 11, 12]);
    }
}

//! Two clocks: the virtual line's, which is the same in every run, and a stopwatch for the report.

use std::time::Instant;

/// The time of day on the virtual line, so that a second run with the same seed writes the same
/// bytes.
#[derive(Debug, Clone, Copy)]
pub struct LineClock {
    now_us: i64,
}

impl LineClock {
    /// Monday 12 January 2026, 06:00 UTC: the beginning of an invented early shift.
    pub fn start() -> Self {
        Self { now_us: 1_768_197_600_000_000 }
    }

    /// Microseconds since 1970-01-01 UTC.
    pub fn now_us(&self) -> i64 {
        self.now_us
    }

    /// Lets time pass on the line.
    pub fn pass_s(&mut self, seconds: f64) {
        self.now_us += (seconds * 1e6) as i64;
    }
}

/// Real seconds spent in each step, by name, in the order the steps first began.
#[derive(Debug, Default)]
pub struct Stopwatch {
    times: Vec<(&'static str, f64)>,
    running: Option<(&'static str, Instant)>,
}

impl Stopwatch {
    /// Ends the step under way and begins another.
    pub fn begin(&mut self, step: &'static str) {
        self.end();
        self.running = Some((step, Instant::now()));
    }

    /// Ends the step under way.
    pub fn end(&mut self) {
        let Some((step, start)) = self.running.take() else { return };
        let seconds = start.elapsed().as_secs_f64();
        match self.times.iter_mut().find(|(name, _)| *name == step) {
            Some((_, total)) => *total += seconds,
            None => self.times.push((step, seconds)),
        }
    }

    /// The steps with their seconds.
    pub fn times(&self) -> Vec<(&'static str, f64)> {
        self.times.clone()
    }
}

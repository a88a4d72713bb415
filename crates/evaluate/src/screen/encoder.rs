//! Whether places along the bar can be believed: jumps, reversals and standstills of the encoder,
//! and clocks that run backwards.

use barwright_capture::ShotLine;
use barwright_job::{Finding, Technique, Topic};

/// Way beyond what the line speed allows that is still taken for the encoder's own steps, in metres.
const STEP_M: f64 = 2e-3;
/// Times the line speed above which a place has jumped: a bar cannot be that fast.
const IMPOSSIBLE: f64 = 3.0;
/// Time without way after which the bar stands still, in seconds.
const STILL_S: f64 = 1.0;
/// Most occurrences told one by one.
const MOST_TOLD: usize = 20;

/// Watches place and time from shot to shot.
#[derive(Debug, Clone)]
pub(crate) struct EncoderWatch {
    speed_m_s: f64,
    last: Option<(f64, f64)>,
    /// Furthest place so far.
    furthest_m: f64,
    /// Furthest place and lowest place of the reversal under way.
    back: Option<(f64, f64)>,
    /// Where and when the bar was last seen to move.
    moved: (f64, f64),
    findings: Vec<Finding>,
    untold: usize,
}

impl EncoderWatch {
    pub fn new(technique: &Technique) -> Self {
        Self {
            speed_m_s: technique.line_speed_m_s,
            last: None,
            furthest_m: f64::NEG_INFINITY,
            back: None,
            moved: (f64::NEG_INFINITY, 0.0),
            findings: Vec::new(),
            untold: 0,
        }
    }

    /// Looks at the next shot.
    pub fn see(&mut self, line: &ShotLine) {
        let (z_m, time_s) = (line.z_m, line.time_s);
        if let Some((last_m, last_s)) = self.last {
            let passed_s = time_s - last_s;
            if passed_s < 0.0 {
                self.tell(
                    format!(
                        "the clock ran back by {:.3} ms at {:.0} mm; shots are taken in the order in which they came",
                        -passed_s * 1e3,
                        z_m * 1e3
                    ),
                    z_m,
                    z_m,
                );
            }
            let way_m = (z_m - last_m).abs();
            if way_m > IMPOSSIBLE * self.speed_m_s * passed_s.max(0.0) + STEP_M {
                self.tell(
                    format!(
                        "the place jumped from {:.1} to {:.1} mm within {:.3} ms",
                        last_m * 1e3,
                        z_m * 1e3,
                        passed_s * 1e3
                    ),
                    last_m,
                    z_m,
                );
            }
        }
        if (z_m - self.moved.0).abs() > STEP_M {
            let stood_s = time_s - self.moved.1;
            if self.moved.0.is_finite() && stood_s > STILL_S {
                self.tell(
                    format!(
                        "the bar stood still for {stood_s:.1} s at {:.0} mm",
                        self.moved.0 * 1e3
                    ),
                    self.moved.0,
                    self.moved.0,
                );
            }
            self.moved = (z_m, time_s);
        }
        if z_m < self.furthest_m - STEP_M {
            let (from_m, low_m) = self.back.unwrap_or((self.furthest_m, z_m));
            self.back = Some((from_m, low_m.min(z_m)));
        } else if z_m >= self.furthest_m {
            self.end_reversal();
            self.furthest_m = z_m;
        }
        self.last = Some((z_m, time_s));
    }

    fn end_reversal(&mut self) {
        if let Some((from_m, low_m)) = self.back.take() {
            self.tell(
                format!("the bar ran back from {:.0} to {:.0} mm", from_m * 1e3, low_m * 1e3),
                low_m,
                from_m,
            );
        }
    }

    fn tell(&mut self, message: String, from_m: f64, to_m: f64) {
        if self.findings.len() < MOST_TOLD {
            self.findings.push(
                Finding::new(Topic::Encoder, message).stretch(from_m.min(to_m), from_m.max(to_m)),
            );
        } else {
            self.untold += 1;
        }
    }

    /// What was noticed.
    pub fn findings(mut self) -> Vec<Finding> {
        self.end_reversal();
        if self.untold > 0 {
            self.findings.push(Finding::new(
                Topic::Encoder,
                format!("and {} more faults of place or clock", self.untold),
            ));
        }
        self.findings
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(path: &[(f64, f64)]) -> Vec<String> {
        let mut watch = EncoderWatch {
            speed_m_s: 1.0,
            last: None,
            furthest_m: f64::NEG_INFINITY,
            back: None,
            moved: (f64::NEG_INFINITY, 0.0),
            findings: Vec::new(),
            untold: 0,
        };
        for (shot, &(time_s, z_m)) in (0..).zip(path) {
            watch.see(&ShotLine {
                shot,
                beam: 0,
                pass: 0,
                time_s,
                z_m,
                turn_rad: 0.0,
                coupled: true,
                surface_shot: None,
                hidden: false,
                gates: 0,
            });
        }
        watch.findings().into_iter().map(|f| f.message).collect()
    }

    fn steady(from: f64, n: u32) -> Vec<(f64, f64)> {
        (0..n).map(|k| (from + f64::from(k) * 1e-3, from + f64::from(k) * 1e-3)).collect()
    }

    // Truth: the paths say it.
    #[test]
    fn steady_motion_is_silent_and_each_fault_is_named() {
        assert_eq!(watch(&steady(0.0, 500)), Vec::<String>::new());
        let mut jump = steady(0.0, 100);
        jump.push((0.1, 0.3));
        assert_eq!(watch(&jump), ["the place jumped from 99.0 to 300.0 mm within 1.000 ms"]);
        let mut back = steady(0.0, 101);
        back.extend((1..=20).map(|k| (0.1 + f64::from(k) * 1e-3, 0.1 - f64::from(k) * 1e-3)));
        back.extend((1..=50).map(|k| (0.12 + f64::from(k) * 1e-3, 0.08 + f64::from(k) * 1e-3)));
        assert_eq!(watch(&back), ["the bar ran back from 100 to 80 mm"]);
        let mut stop = steady(0.0, 101);
        stop.extend((0..30).map(|k| (0.2 + f64::from(k) * 0.1, 0.1)));
        stop.extend((1..9).map(|k| (3.1 + f64::from(k) * 1e-3, 0.1 + f64::from(k) * 1e-3)));
        let told = watch(&stop);
        assert_eq!(told.len(), 1);
        assert!(told[0].starts_with("the bar stood still for 3.0 s at"), "{told:?}");
        let clock = watch(&[(0.0, 0.0), (0.001, 0.001), (0.0005, 0.0015)]);
        assert!(clock[0].starts_with("the clock ran back by 0.500 ms"), "{clock:?}");
    }
}

//! What was seen of one expected echo, over the whole turn of the bar.

use std::collections::BTreeMap;

use crate::reading::median;

/// An echo counts when it stands this far above what the same window holds elsewhere (6 dB).
const OVER_CLUTTER: f64 = 2.0;
/// Lowest height that counts as an echo, as a fraction of full screen height.
const LOWEST_ECHO_FSH: f64 = 0.01;
/// Shots of another run or this far apart in turn do not belong to one visit, in steps.
const VISIT_GAP_STEPS: f64 = 3.5;

/// One reading of an expected time window.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    /// Turn of the bar minus the expected one, in rad, in (-π, π].
    pub offset_rad: f32,
    /// Largest height in the time window, at the capture's gain.
    pub height_fsh: f32,
    /// Time of that peak minus the expected one, in seconds.
    pub time_off_s: f32,
    /// Largest height in the window but for the peak's own pulse.
    pub second_fsh: f32,
    /// Whether the turn is inside the turn window.
    pub inside: bool,
    /// Whether the window held samples at full scale.
    pub clipped: bool,
    /// Run of even turning to which the shot belongs.
    pub run: u16,
    /// Capture, counted from 0.
    pub capture: u8,
    /// Time since its capture began, in seconds.
    pub time_s: f32,
    /// Whether the water spoilt the shot.
    pub spoilt: bool,
}

/// What one shot shows of one expected echo.
#[derive(Debug, Clone)]
pub(crate) struct Look {
    /// Expected echo by number.
    pub expected: usize,
    /// The reading.
    pub point: Point,
    /// Largest height before and behind the window, with its time from the expected one.
    pub wide: Option<(f32, f32)>,
    /// Heights where this beam's other expected echoes would show at this turn.
    pub others: Vec<(usize, f32)>,
}

/// One reading of a beam's own surface echo.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SurfacePoint {
    /// Capture, counted from 0.
    pub capture: u8,
    /// Motion by number.
    pub motion: u16,
    /// Turn of the bar in rad.
    pub turn_rad: f32,
    /// Time since its capture began, in seconds.
    pub time_s: f64,
    /// Measured minus nominal surface time in seconds.
    pub shift_s: f64,
    /// Largest height in the surface gate.
    pub height_fsh: f32,
    /// Largest height before the surface echo's flank; nought where the record begins later.
    pub before_fsh: f32,
    /// Whether the surface echo stood at or above its threshold.
    pub coupled: bool,
}

/// Shots that are averaged before their medians are taken: a bubble stays for fewer than a few such
/// blocks.
const BLOCK: usize = 16;

/// Mean trace of some shots.
#[derive(Debug, Clone, Default)]
struct Mean {
    samples: Vec<f32>,
    count: usize,
    first_clipped: Option<usize>,
    /// Times of the first and the last shot.
    span_s: (f64, f64),
    /// Turns of the first and the last shot in rad.
    span_rad: (f64, f64),
}

/// Traces of one beam in one motion, up to its surface.
#[derive(Debug, Clone, Default)]
pub(crate) struct Form {
    /// Means of whole blocks.
    blocks: Vec<Mean>,
    /// Sum of the shots after them.
    open: Mean,
}

impl Form {
    /// Adds the first samples of a trace; `full` is the height of the largest sample value.
    pub fn add(&mut self, samples: &[i16], full_fsh: f64, time_s: f64, turn_rad: f64) {
        let open = &mut self.open;
        // A block of two runs has no one turn.
        if open.count > 0 && turn_rad < open.span_rad.1 - 1e-6 && !self.blocks.is_empty() {
            *open = Mean::default();
        }
        open.samples.resize(samples.len(), 0.0);
        if open.count == 0 {
            open.span_s.0 = time_s;
            open.span_rad.0 = turn_rad;
        }
        open.span_s.1 = time_s;
        open.span_rad.1 = turn_rad;
        open.count += 1;
        let unit = (full_fsh / f64::from(i16::MAX)) as f32;
        let until = open.first_clipped.unwrap_or(samples.len());
        for (i, (sum, &x)) in open.samples.iter_mut().zip(samples).enumerate() {
            *sum += f32::from(x) * unit;
            if i < until && x.unsigned_abs() >= i16::MAX.unsigned_abs() - 1 {
                open.first_clipped = Some(open.first_clipped.map_or(i, |f| f.min(i)));
            }
        }
        if open.count == BLOCK {
            let mut whole = std::mem::take(open);
            whole.samples.iter_mut().for_each(|x| *x /= BLOCK as f32);
            self.blocks.push(whole);
        }
    }

    /// The median of the blocks, times a factor; of a few shots their mean. Blocks with shots that
    /// the water spoilt are left out where others are left.
    pub fn middle(&self, factor: f64, spoilt: impl Fn((f64, f64)) -> bool) -> Trace {
        let few = self.open.count.max(1) as f32;
        let rest = Mean {
            samples: self.open.samples.iter().map(|x| x / few).collect(),
            ..self.open.clone()
        };
        let sound: Vec<&Mean> = self.blocks.iter().filter(|b| !spoilt(b.span_s)).collect();
        let used = match (self.blocks.is_empty(), sound.is_empty()) {
            (true, _) => vec![&rest],
            (_, true) => self.blocks.iter().collect(),
            _ => sound,
        };
        let scaled = |x: f32| f64::from(x) * factor;
        let samples = (0..used[0].samples.len())
            .map(|i| {
                let mut all: Vec<f64> =
                    used.iter().filter_map(|b| b.samples.get(i)).map(|&x| scaled(x)).collect();
                median(&mut all)
            })
            .collect();
        let parts = used.iter().map(|b| Part {
            turn_rad: 0.5 * (b.span_rad.0 + b.span_rad.1),
            samples: b.samples.iter().map(|&x| scaled(x)).collect(),
            first_clipped: b.first_clipped,
        });
        Trace {
            samples,
            parts: parts.collect(),
            first_clipped: used.iter().filter_map(|b| b.first_clipped).min(),
        }
    }
}

/// Mean trace of shots at nearly one turn.
#[derive(Debug, Clone, Default)]
pub(crate) struct Part {
    /// Turn of the bar in rad.
    pub turn_rad: f64,
    /// Samples in height.
    pub samples: Vec<f64>,
    /// First sample that was clipped in any of its shots.
    pub first_clipped: Option<usize>,
}

/// What a beam sees up to its surface, from the start of the record.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trace {
    /// Samples in height: the median of the parts.
    pub samples: Vec<f64>,
    /// Parts of the turn, of which a bar that circles makes different ones.
    pub parts: Vec<Part>,
    /// First sample that was clipped in any shot.
    pub first_clipped: Option<usize>,
}

impl Trace {
    /// The samples, where there are some and none ever was clipped.
    pub fn whole(&self) -> Option<&[f64]> {
        (!self.samples.is_empty() && self.first_clipped.is_none()).then_some(&self.samples)
    }
}

/// Everything seen of one expected echo.
#[derive(Debug, Clone, Default)]
pub(crate) struct Track {
    /// One reading for each shot of the motion, in order.
    pub points: Vec<Point>,
    /// Beside the time window: height, time off, turn off, whether inside the turn window.
    pub wide: Vec<(f32, f32, f32, bool)>,
    /// Heights seen where other expected echoes of this beam would show, by their number.
    pub others: BTreeMap<usize, Vec<f32>>,
}

impl Track {
    pub fn add(&mut self, look: &Look) {
        let p = look.point;
        self.points.push(p);
        self.wide.extend(look.wide.map(|(height, time)| (height, time, p.offset_rad, p.inside)));
        for &(number, height) in &look.others {
            self.others.entry(number).or_default().push(height);
        }
    }

    /// Height from which an echo counts, for the gain of a capture.
    pub fn floor_fsh(&self, capture: u8) -> f64 {
        let mut elsewhere: Vec<f64> = self
            .points
            .iter()
            .filter(|p| !p.inside && p.capture == capture)
            .map(|p| f64::from(p.height_fsh))
            .collect();
        (OVER_CLUTTER * median(&mut elsewhere)).max(LOWEST_ECHO_FSH)
    }

    /// Visits that went through a window of turn offsets from side to side; where there is none,
    /// those there are (a motion that begins or ends inside the window).
    pub fn visits(&self, window_rad: f64, step_rad: f64) -> Vec<&[Point]> {
        let within = |p: &Point| f64::from(p.offset_rad).abs() <= window_rad || p.inside;
        let far = (VISIT_GAP_STEPS * step_rad.abs()).max(1e-9) as f32;
        let mut out: Vec<&[Point]> = Vec::new();
        let mut start = None;
        for i in 0..=self.points.len() {
            let here = self.points.get(i).filter(|p| within(p));
            let joined = match (here, i.checked_sub(1).and_then(|j| self.points.get(j))) {
                (Some(p), Some(q)) => {
                    p.run == q.run
                        && p.capture == q.capture
                        && (step_rad == 0.0 || (p.offset_rad - q.offset_rad).abs() <= far)
                }
                _ => false,
            };
            if let Some(from) = start
                && !joined
            {
                out.push(&self.points[from..i]);
                start = None;
            }
            if here.is_some() && start.is_none() {
                start = Some(i);
            }
        }
        let edge = (window_rad - 1.5 * step_rad.abs()).max(0.0);
        let reaches =
            |v: &[Point], side: f64| v.iter().any(|p| f64::from(p.offset_rad) * side >= edge);
        let whole: Vec<&[Point]> =
            out.iter().copied().filter(|v| reaches(v, -1.0) && reaches(v, 1.0)).collect();
        if whole.is_empty() { out } else { whole }
    }

    /// Largest height among turns near an offset from the expected one, at one capture's gain.
    pub fn near(&self, offset_rad: f64, reach_rad: f64, capture: u8) -> Option<Point> {
        self.points
            .iter()
            .filter(|p| p.capture == capture)
            .filter(|p| {
                crate::reading::wrapped(f64::from(p.offset_rad) - offset_rad).abs() <= reach_rad
            })
            .max_by(|a, b| a.height_fsh.total_cmp(&b.height_fsh))
            .copied()
    }
}

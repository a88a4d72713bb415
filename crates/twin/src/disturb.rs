//! What changes while a capture is taken: drift of the probes, and bubbles that pass.

use barwright_wave::pulse::Pulse;
use rand::RngExt;
use rand_distr::{Distribution, Exp1};

use crate::faults::{Bubbles, StationFaults};
use crate::noise::{generator, seed_for};

/// Height of a bubble's own echo below the bare surface's, in dB: least and most.
const ECHO_DB: [f64; 2] = [6.0, 24.0];
/// Most bubbles of a capture: an hour of the densest stream.
const MOST: usize = 4_000_000;
/// Standard deviations of a pulse after which nothing is drawn.
pub(crate) const PULSE_SIGMAS: f64 = 4.0;

/// What changes during a capture.
pub(crate) struct Disturbance {
    /// Drift of each probe in dB of echo height per second.
    drift_db_s: Vec<f64>,
    /// In order of their start.
    bubbles: Vec<Bubble>,
    /// Longest stay.
    longest_s: f64,
    key: u64,
}

#[derive(Debug, Clone, Copy)]
struct Bubble {
    start_s: f64,
    end_s: f64,
    probe: usize,
    loss_db: f64,
    number: u64,
}

/// An echo that comes before the surface's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stray {
    /// Where between the start of the record and the surface, 0 to 1.
    pub share: f64,
    /// Its height against the bare surface's.
    pub height: f64,
}

impl Disturbance {
    /// The drift of a station's probes and the bubbles of one capture; `None` if there are neither.
    pub(crate) fn new(
        faults: &StationFaults,
        probes: usize,
        seed: u64,
        capture: &str,
        duration_s: f64,
    ) -> Option<Self> {
        if faults.drift_db_per_min == 0.0 && faults.bubbles.is_none() {
            return None;
        }
        let drift_db_s =
            drift_db_per_min(faults, probes, seed).into_iter().map(|d| d / 60.0).collect();
        let purpose = format!("bubbles/{capture}");
        let bubbles = faults
            .bubbles
            .map_or(vec![], |b| passing(&b, probes, &mut generator(seed, &purpose), duration_s));
        let longest_s = bubbles.iter().map(|b| b.end_s - b.start_s).fold(0.0, f64::max);
        Some(Self { drift_db_s, bubbles, longest_s, key: seed_for(seed, &purpose) })
    }

    /// Factor of all echoes of a probe at a time since the capture began.
    pub(crate) fn factor(&self, probe: usize, time_s: f64) -> f32 {
        let drift_db = self.drift_db_s.get(probe).map_or(0.0, |db| db * time_s);
        let loss_db: f64 = self.before(probe, time_s).map(|b| b.loss_db).sum();
        10f64.powf((drift_db - loss_db) / 20.0) as f32
    }

    /// Echoes of the bubbles themselves in a shot of a beam.
    pub(crate) fn strays(
        &self,
        probe: usize,
        beam: usize,
        time_s: f64,
    ) -> impl Iterator<Item = Stray> + '_ {
        self.before(probe, time_s).map(move |bubble| {
            // Its own place for every beam, the same for all shots of it.
            let purpose = format!("bubble/{}/{beam}", bubble.number);
            let mut random = generator(self.key, &purpose);
            let below_db = random.random_range(ECHO_DB[0]..ECHO_DB[1]);
            let share = random.random_range(0.0..1.0);
            Stray { share, height: 10f64.powf(-below_db / 20.0) }
        })
    }

    /// Bubbles before a probe.
    fn before(&self, probe: usize, time_s: f64) -> impl Iterator<Item = &Bubble> {
        let from = self.bubbles.partition_point(|b| b.start_s < time_s - self.longest_s);
        self.bubbles[from..]
            .iter()
            .take_while(move |b| b.start_s <= time_s)
            .filter(move |b| b.probe == probe && time_s < b.end_s)
    }
}

/// Drift of each probe in dB of echo height per minute: its own sign, and a share of its own.
pub(crate) fn drift_db_per_min(faults: &StationFaults, probes: usize, seed: u64) -> Vec<f64> {
    let mut random = generator(seed, "drift");
    (0..probes)
        .map(|_| {
            let sign = if random.random_range(0.0..1.0) < 0.5 { -1.0 } else { 1.0 };
            sign * random.random_range(0.5..1.0) * faults.drift_db_per_min
        })
        .collect()
}

/// Bubbles at random: gaps and stays are exponential.
fn passing(
    bubbles: &Bubbles,
    probes: usize,
    random: &mut rand_xoshiro::Xoshiro256PlusPlus,
    duration_s: f64,
) -> Vec<Bubble> {
    let mut list = Vec::new();
    let mut start_s = 0.0;
    if bubbles.per_second <= 0.0 || probes == 0 {
        return list;
    }
    loop {
        let gap: f64 = Exp1.sample(random);
        start_s += gap / bubbles.per_second;
        if start_s > duration_s || list.len() >= MOST {
            return list;
        }
        let stay: f64 = Exp1.sample(random);
        list.push(Bubble {
            start_s,
            // A stay of more than eight times the mean would make every look-up long.
            end_s: start_s + stay.min(8.0) * bubbles.duration_ms / 1e3,
            probe: random.random_range(0..probes),
            loss_db: bubbles.loss_db * random.random_range(0.25..1.0),
            number: list.len() as u64,
        });
    }
}

/// Adds a pulse of a height at a time, both in samples of a record.
pub(crate) fn add_pulse(sum: &mut [f32], pulse: &Pulse, rate_hz: f64, at: f64, height: f64) {
    let reach = PULSE_SIGMAS * pulse.sigma_s() * rate_hz;
    let first = (at - reach).ceil().max(0.0) as usize;
    let last = (at + reach).floor().max(0.0) as usize;
    for (i, sample) in sum.iter_mut().enumerate().take(last + 1).skip(first) {
        *sample += (pulse.analytic((i as f64 - at) / rate_hz).re * height) as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form (mean number and mean stay of a Poisson stream).
    #[test]
    fn bubbles_come_as_often_and_stay_as_long_as_asked() {
        let bubbles = Bubbles { per_second: 20.0, duration_ms: 50.0, loss_db: 8.0 };
        let faults = StationFaults { bubbles: Some(bubbles), ..StationFaults::default() };
        let of = |capture| Disturbance::new(&faults, 6, 3, capture, 100.0).expect("bubbles");
        let d = of("a");
        // 2000 of them: 4 % is nearly two standard deviations of their number and of the mean stay.
        assert!((d.bubbles.len() as f64 / 2000.0 - 1.0).abs() < 0.06, "{}", d.bubbles.len());
        let stay: f64 = d.bubbles.iter().map(|b| b.end_s - b.start_s).sum();
        assert!((stay / d.bubbles.len() as f64 / 0.05 - 1.0).abs() < 0.08);
        let b = d.bubbles[17];
        let middle_s = 0.5 * (b.start_s + b.end_s);
        assert!(d.factor(b.probe, middle_s) < 0.8 && d.strays(b.probe, 0, middle_s).count() > 0);
        let same: Vec<f64> = of("a").bubbles.iter().map(|b| b.start_s).collect();
        assert!(same == d.bubbles.iter().map(|b| b.start_s).collect::<Vec<_>>());
        assert!(of("b").bubbles[0].start_s != d.bubbles[0].start_s);
    }

    // Truth: closed form.
    #[test]
    fn drift_grows_with_time_by_its_share() {
        let faults = StationFaults { drift_db_per_min: 2.0, ..StationFaults::default() };
        let d = Disturbance::new(&faults, 6, 1, "a", 60.0).expect("drift");
        for probe in 0..6 {
            let db = |t: f64| 20.0 * f64::from(d.factor(probe, t)).log10();
            assert!(db(0.0) == 0.0 && (1.0..=2.0).contains(&db(60.0).abs()));
            // Single precision of the factor.
            assert!((db(30.0) - db(60.0) / 2.0).abs() < 1e-5);
        }
        assert!(Disturbance::new(&StationFaults::default(), 6, 1, "a", 60.0).is_none());
    }
}

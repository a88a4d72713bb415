//! The checker: what is wrong with a finished schedule.
//!
//! It follows every late echo of every firing into every gate, pair by pair, and knows nothing of
//! how the schedule was made.

use barwright_job::technique::{Beam, GateKind, Record, Schedule};

use super::late::{Cause, Surround};
use super::view::View;
use crate::bench::Bench;

/// Rounding in s that a wait may fall short by: far below any sample.
const ROUNDING_S: f64 = 1e-12;

/// A breach of a rule, with its figures. Firings are counted from 0.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Fault {
    /// A beam does not fire exactly once a period.
    #[error("beam {beam} fires {times} times a period, must fire once")]
    Times {
        /// The beam.
        beam: u32,
        /// How often it fires.
        times: usize,
    },
    /// A firing names a beam that there is not.
    #[error("firing {firing} names beam {beam}, there is none")]
    Unknown {
        /// The firing.
        firing: usize,
        /// The beam.
        beam: u32,
    },
    /// A time or the period is not finite, or a firing lies outside the period.
    #[error("firing {firing} starts at {start_s} s, the period is {period_s} s")]
    Time {
        /// The firing.
        firing: usize,
        /// Its start in s.
        start_s: f64,
        /// The period in s.
        period_s: f64,
    },
    /// Beams of one firing belong to one probe, or differ in kind or sense.
    #[error("firing {firing}: beams {a} and {b} share a probe or differ in kind or sense")]
    Together {
        /// The firing.
        firing: usize,
        /// One beam.
        a: u32,
        /// The other.
        b: u32,
    },
    /// More beams fire together than the electronics have apertures.
    #[error("firing {firing}: {beams} beams together, the electronics have {allowed}")]
    Apertures {
        /// The firing.
        firing: usize,
        /// Its beams.
        beams: usize,
        /// What the electronics allow.
        allowed: usize,
    },
    /// More elements act together than the electronics have channels.
    #[error("firing {firing}: {elements} elements together, the electronics have {allowed}")]
    Channels {
        /// The firing.
        firing: usize,
        /// Its elements.
        elements: u64,
        /// What the electronics allow.
        allowed: u64,
    },
    /// The next firing comes sooner than the electronics can.
    #[error("{wait_s} s after firing {firing}, the electronics need {least_s} s")]
    Repetition {
        /// The firing.
        firing: usize,
        /// The wait after it in s.
        wait_s: f64,
        /// The least wait in s.
        least_s: f64,
    },
    /// The next firing comes before the record ends.
    #[error("{wait_s} s after firing {firing}, its record ends after {listen_s} s")]
    Listening {
        /// The firing.
        firing: usize,
        /// The wait after it in s.
        wait_s: f64,
        /// End of the record in s after the firing.
        listen_s: f64,
    },
    /// More data than can be carried away.
    #[error("{mb_s} MB/s, the electronics carry {allowed} MB/s")]
    DataRate {
        /// Data in MB/s, two bytes a sample.
        mb_s: f64,
        /// What the electronics carry in MB/s.
        allowed: f64,
    },
    /// What one beam sends arrives in a gate of a beam of the same firing.
    #[error(
        "firing {firing}: beam {from} is heard in the {gate:?} gate of beam {to}, {over_db:.1} dB over the allowed level, {after_s} s after firing"
    )]
    CrossTalk {
        /// The firing.
        firing: usize,
        /// Beam that sends.
        from: u32,
        /// Beam that hears.
        to: u32,
        /// Gate in which it hears.
        gate: GateKind,
        /// Level over the allowed one in dB; 0 where the section alone forbids the pair.
        over_db: f64,
        /// When it arrives, in s after the firing.
        after_s: f64,
    },
    /// What an earlier firing left arrives in a gate of a later one.
    #[error(
        "firing {later}: beam {to} hears firing {firing} of beam {from} in its {gate:?} gate, {over_db:.1} dB over the allowed level, {after_s} s after it and {lag_s} s between them ({cause:?})"
    )]
    Ghost {
        /// The earlier firing.
        firing: usize,
        /// The later one; of a following period where it does not come after the earlier.
        later: usize,
        /// Beam that sent.
        from: u32,
        /// Beam that hears.
        to: u32,
        /// Gate in which it hears.
        gate: GateKind,
        /// The way of the echo.
        cause: Cause,
        /// When it arrives, in s after the earlier firing.
        after_s: f64,
        /// Time between both firings in s.
        lag_s: f64,
        /// Level over the allowed one in dB.
        over_db: f64,
    },
}

/// Every breach of the rules by a schedule of these beams; none for a sound one.
///
/// Allowed is what stays 6 dB under the threshold of the gate it falls into, with the gain the
/// gate has there at most (in a back-wall gate: at its middle); for a flaw gate that is 6 dB under
/// the alarm.
#[must_use]
pub fn faults(bench: &Bench<'_>, all: &[Beam], record: &Record, schedule: &Schedule) -> Vec<Fault> {
    let views: Vec<View> = all.iter().map(|b| View::of(bench, b)).collect();
    let mut found = times(&views, schedule);
    if found.is_empty() {
        electronics(bench, &views, record, schedule, &mut found);
        echoes(bench, &views, schedule, &mut found);
    }
    found
}

fn times(views: &[View], schedule: &Schedule) -> Vec<Fault> {
    let mut found = Vec::new();
    let period_s = schedule.period_s;
    let mut times = vec![0; views.len()];
    let mut last = 0.0;
    for (firing, f) in schedule.firings.iter().enumerate() {
        let inside = f.start_s >= last && f.start_s < period_s && period_s.is_finite();
        if !inside {
            found.push(Fault::Time { firing, start_s: f.start_s, period_s });
        }
        last = f.start_s;
        for beam in &f.beams {
            match times.get_mut(*beam as usize) {
                Some(n) => *n += 1,
                None => found.push(Fault::Unknown { firing, beam: *beam }),
            }
        }
    }
    let wrong = times.iter().enumerate().filter(|(_, n)| **n != 1);
    found.extend(wrong.map(|(i, n)| Fault::Times { beam: i as u32, times: *n }));
    found
}

fn electronics(
    bench: &Bench<'_>,
    views: &[View],
    record: &Record,
    schedule: &Schedule,
    found: &mut Vec<Fault>,
) {
    let e = &bench.station.electronics;
    let (least_s, listen_s) = (1.0 / e.max_prf_hz, record.last_sample_s());
    let allowed = e.parallel_apertures as usize;
    let channels = super::channels(bench);
    let starts = schedule.firings.iter().map(|f| f.start_s);
    let first = schedule.firings.first().map_or(0.0, |f| f.start_s);
    let ends = starts.skip(1).chain([schedule.period_s + first]);
    for (firing, (f, end_s)) in schedule.firings.iter().zip(ends).enumerate() {
        let wait_s = end_s - f.start_s;
        if wait_s < least_s - ROUNDING_S {
            found.push(Fault::Repetition { firing, wait_s, least_s });
        }
        if wait_s < listen_s - ROUNDING_S {
            found.push(Fault::Listening { firing, wait_s, listen_s });
        }
        let own: Vec<&View> = f.beams.iter().map(|b| &views[*b as usize]).collect();
        if own.len() > allowed {
            found.push(Fault::Apertures { firing, beams: own.len(), allowed });
        }
        let elements: u64 = own.iter().map(|v| u64::from(v.elements.1 - v.elements.0)).sum();
        if elements > channels {
            found.push(Fault::Channels { firing, elements, allowed: channels });
        }
        for (i, a) in own.iter().enumerate() {
            for b in &own[i + 1..] {
                let alike = a.mode == b.mode && (a.slant_rad > 0.0) == (b.slant_rad > 0.0);
                if a.probe == b.probe
                    || !(alike || a.mode == barwright_wave::Mode::L && b.mode == a.mode)
                {
                    found.push(Fault::Together { firing, a: a.id, b: b.id });
                }
            }
        }
    }
    if let Some(allowed) = e.data_rate_mb_s {
        let mb_s = f64::from(record.samples) * 2e-6 * views.len() as f64 / schedule.period_s;
        if mb_s > allowed * (1.0 + 1e-9) {
            found.push(Fault::DataRate { mb_s, allowed });
        }
    }
}

fn echoes(bench: &Bench<'_>, views: &[View], schedule: &Schedule, found: &mut Vec<Fault>) {
    let Some(surround) = Surround::of(bench) else {
        return;
    };
    let firings = &schedule.firings;
    for (firing, sender) in firings.iter().enumerate() {
        for (later, hearer) in firings.iter().enumerate() {
            for a in sender.beams.iter().map(|b| &views[*b as usize]) {
                for b in hearer.beams.iter().map(|b| &views[*b as usize]) {
                    let forward_s = hearer.start_s - sender.start_s;
                    if firing == later && a.id != b.id && surround.forbids_together(a, b) {
                        found.push(Fault::CrossTalk {
                            firing,
                            from: a.id,
                            to: b.id,
                            gate: b.windows.first().map_or(GateKind::Volume, |w| w.kind),
                            over_db: 0.0,
                            after_s: 0.0,
                        });
                    }
                    pair(bench, &surround, (a, b), forward_s, schedule.period_s, &mut |f| {
                        let (lag_s, gate, cause, after_s, over_db) = f;
                        let (from, to) = (a.id, b.id);
                        found.push(if firing == later && lag_s == 0.0 {
                            Fault::CrossTalk { firing, from, to, gate, over_db, after_s }
                        } else {
                            Fault::Ghost {
                                firing,
                                later,
                                from,
                                to,
                                gate,
                                cause,
                                after_s,
                                lag_s,
                                over_db,
                            }
                        });
                    });
                }
            }
        }
    }
}

/// Tells of everything late of `a` that falls into a gate of `b`, which fires `forward_s` after it
/// and again every period.
fn pair(
    bench: &Bench<'_>,
    surround: &Surround,
    (a, b): (&View, &View),
    forward_s: f64,
    period_s: f64,
    tell: &mut dyn FnMut((f64, GateKind, Cause, f64, f64)),
) {
    let floor_db = b.windows.iter().map(|w| w.limit_db).fold(f64::INFINITY, f64::min);
    for late in surround.late(a, b, floor_db) {
        let mut lag_s = forward_s;
        while lag_s < 0.0 {
            lag_s += period_s;
        }
        loop {
            // A beam's own echo in its own shot is what the shot is for.
            let own_shot = lag_s == 0.0 && a.id == b.id;
            let mut worst: Option<(f64, GateKind)> = None;
            let mut ahead = false;
            for w in &b.windows {
                let over_db = late.level_db - w.limit_db;
                if over_db < 0.0 {
                    continue;
                }
                let half = late.play_s + bench.nominal.pulse.duration_s(over_db) / 2.0;
                ahead |= lag_s < late.after_s + half - w.start_s;
                let meets = late.after_s + half > lag_s + w.start_s
                    && late.after_s - half < lag_s + w.end_s;
                if meets && worst.is_none_or(|(o, _)| over_db > o) {
                    worst = Some((over_db, w.kind));
                }
            }
            if let (Some((over_db, kind)), false) = (worst, own_shot) {
                tell((lag_s, kind, late.cause, late.after_s, over_db));
            }
            if !ahead {
                break;
            }
            lag_s += period_s;
        }
    }
}

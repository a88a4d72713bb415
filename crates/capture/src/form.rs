//! Beams formed from a full matrix, as an instrument with the technique's delay laws would have
//! recorded them.
//!
//! The trace of a beam is the plain sum over all pairs of its aperture (delay and sum):
//! `y(t) = Σ_tx Σ_rx x[tx][rx](t - transmit_delay[tx] - receive_delay[rx])`.
//! One full scale of the matrix counts as a transfer of 1 for a pair, so the sum stands where the
//! technique's transfer stands: elements of weight 1, all pairs added. The matrix's own scale is
//! arbitrary; levelling takes it up.

use std::f64::consts::{PI, TAU};

use barwright_job::technique::{Beam, GateKind, Probe, Record, Technique};
use barwright_job::{Hash, Sealed};
use rayon::prelude::*;

use crate::error::{CaptureError, Result};
use crate::matrix::{CLIPPED, FullMatrix, MatrixCoupling};
use crate::shots::{CaptureKind, Header, ShotPlace, Shots};
use crate::sinc::Sinc;

/// Nominal figures of arrays and media agree within this part of themselves: they are stated to
/// two or three digits.
const NOMINAL: f64 = 0.01;

/// Forms the beams of a technique: its laws, gain and gain curve, on the technique's record, one
/// shot a beam in the order of beams. `probe`: the one whose array took the matrix; beams of others get no shot. None for a matrix
/// that stands for every probe, as on a block before which all of them would stand alike.
///
/// A pair that was recorded one way only is taken as the other way; see [`FullMatrix::complete`], which has to be called before.
///
/// `gains_db` holds a gain for each beam, dB re unit transfer; the beam's gain curve is added.
/// Element 0 of the matrix is the technique's element 0. The header says [`CaptureKind::Still`],
/// no level, bar and heat as far as the matrix knows them; the length is the array's element length
/// and every shot stands at its middle. `clipped_s` tells, within the span of the beam's gates, the
/// first and last time at which a trace of the aperture was at full scale ([`CLIPPED`]), in the
/// beam's own time.
///
/// # Errors
/// [`CaptureError::Mismatch`], naming both figures, where array, coupling, velocity, thickness or
/// recorded time of the matrix differ from the technique's, the number of gains from that of
/// beams, or a pair of an aperture was not recorded; [`CaptureError::Impossible`] for a beam whose aperture or laws cannot be, and
/// for a probe that the technique has not.
pub fn form_beams(
    matrix: &FullMatrix,
    technique: &Sealed<Technique>,
    gains_db: &[f64],
    probe: Option<u32>,
) -> Result<(Header, Shots)> {
    let body = &technique.body;
    let record = &body.record;
    if gains_db.len() != body.beams.len() {
        return Err(CaptureError::Mismatch {
            what: "number of gains",
            found: format!("{} gains are given", gains_db.len()),
            wanted: format!("the technique has {} beams", body.beams.len()),
        });
    }
    demand_medium(matrix, body)?;
    if let Some(probe) = probe.filter(|p| *p as usize >= body.probes.len()) {
        return Err(CaptureError::Impossible {
            what: "the probe of the matrix".to_owned(),
            value: probe.to_string(),
            expected: format!("the technique has {}, counted from 0", body.probes.len()),
        });
    }
    let formed: Vec<(&Beam, f64)> = body
        .beams
        .iter()
        .zip(gains_db.iter().copied())
        .filter(|(beam, _)| probe.is_none_or(|probe| beam.probe == probe))
        .collect();
    for (beam, _) in &formed {
        demand_beam(matrix, body, beam)?;
        demand_pairs(matrix, beam)?;
    }
    let traces: Vec<(Vec<i16>, [f32; 2])> = formed
        .par_iter()
        .map(|&(beam, gain_db)| {
            let sum = sum(matrix, beam, record);
            (digitise(&sum, beam, gain_db, record), clipped(matrix, beam, record))
        })
        .collect();
    let length_m = matrix.array.element_length_m;
    let mut shots = Shots::new(record.samples as usize);
    for ((beam, _), (samples, clipped)) in formed.iter().zip(traces) {
        shots
            .push(ShotPlace {
                pass: 0,
                beam: beam.id,
                time_s: 0.0,
                z_m: length_m / 2.0,
                turn_rad: 0.0,
            })
            .copy_from_slice(&samples);
        if let Some(last) = shots.clipped_s.last_mut() {
            *last = clipped;
        }
    }
    let header = Header {
        kind: CaptureKind::Still,
        technique: technique.hash.clone(),
        level: None,
        bar: matrix.name.clone(),
        heat: "unknown".to_owned(),
        length_m,
        record: *record,
        gains_db: gains_db.to_vec(),
        origin: origin(&matrix.name, &matrix.hash),
    };
    Ok((header, shots))
}

fn origin(name: &str, hash: &Hash) -> String {
    match hash.short() {
        "" => format!("full matrix {name}"),
        short => format!("full matrix {name} ({short})"),
    }
}

/// The sum over all pairs of an aperture, before gain, at the record's times.
fn sum(matrix: &FullMatrix, beam: &Beam, record: &Record) -> Vec<f64> {
    let mut sinc = Sinc::new(matrix.sample_rate_hz, record.sample_rate_hz);
    let mut sum = vec![0.0; record.samples as usize];
    for (trace, delay_s) in pairs(matrix, beam) {
        for (k, y) in sum.iter_mut().enumerate() {
            let time_s = record.time_s(k as f64) - delay_s;
            let position = (time_s - matrix.first_sample_s) * matrix.sample_rate_hz;
            *y += f64::from(sinc.at(trace, position));
        }
    }
    sum
}

/// Traces of an aperture, each with the sum of its two delays in s.
fn pairs<'a>(
    matrix: &'a FullMatrix,
    beam: &'a Beam,
) -> impl Iterator<Item = (&'a [f32], f64)> + 'a {
    let first = beam.first_element as usize;
    let transmit = beam.transmit_delays_s.iter().enumerate();
    transmit.flat_map(move |(i, dt)| {
        let receive = beam.receive_delays_s.iter().enumerate();
        receive.map(move |(j, dr)| (matrix.trace(first + i, first + j), dt + dr))
    })
}

/// Gain, gain curve and rounding to sample values; beyond full scale they stay there.
fn digitise(sum: &[f64], beam: &Beam, gain_db: f64, record: &Record) -> Vec<i16> {
    let full = f64::from(i16::MAX);
    let scale = full / record.full_scale_fsh;
    sum.iter()
        .enumerate()
        .map(|(k, y)| {
            let after = record.time_s(k as f64) - beam.surface_time_s;
            let gain = 10_f64.powf((gain_db + beam.curve_db(after)) / 20.0);
            (y * gain * scale).round().clamp(-full, full) as i16
        })
        .collect()
}

/// First and last time within the gates at which a source trace was at full scale.
fn clipped(matrix: &FullMatrix, beam: &Beam, record: &Record) -> [f32; 2] {
    let (from_s, to_s) = gated(beam, record);
    let mut span: Option<(f64, f64)> = None;
    for (trace, delay_s) in pairs(matrix, beam) {
        let at_full_scale = trace.iter().enumerate().filter(|(_, x)| x.abs() >= CLIPPED);
        for (k, _) in at_full_scale {
            let t = matrix.time_s(k) + delay_s;
            if (from_s..=to_s).contains(&t) {
                let (a, b) = span.unwrap_or((t, t));
                span = Some((a.min(t), b.max(t)));
            }
        }
    }
    span.map_or([f32::NAN; 2], |(a, b)| [a as f32, b as f32])
}

/// From the start of the first gate to the end of the last, in s from firing, within the record;
/// the whole record for a beam without gates. Before the gates of a contact array all traces are at
/// full scale from the firing, which says nothing about echoes.
fn gated(beam: &Beam, record: &Record) -> (f64, f64) {
    let from_firing = |kind, t: f64| match kind {
        GateKind::Surface => t,
        _ => t + beam.surface_time_s,
    };
    let (first, last) = (record.first_sample_s, record.last_sample_s());
    let spans = beam
        .gates
        .iter()
        .map(|g| (from_firing(g.kind, g.start_s), from_firing(g.kind, g.end_s)))
        .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    let (from_s, to_s) = spans.unwrap_or((first, last));
    (from_s.max(first), to_s.min(last))
}

fn demand_medium(matrix: &FullMatrix, technique: &Technique) -> Result<()> {
    let contact = technique.media.water.is_none();
    if contact != (matrix.coupling == MatrixCoupling::Contact) {
        let words = |contact| if contact { "in contact" } else { "in water" };
        return Err(CaptureError::Mismatch {
            what: "coupling",
            found: format!("the matrix was taken {}", words(!contact)),
            wanted: format!("the technique's probes stand {}", words(contact)),
        });
    }
    if let Some(v) = matrix.longitudinal_m_s {
        let wanted = technique.media.steel.longitudinal_m_s;
        agree("longitudinal velocity", v, wanted, 1.0, "m/s")?;
    }
    if let (Some(t), barwright_job::technique::Section::Flat { thickness_m }) =
        (matrix.thickness_m, technique.section)
    {
        agree("thickness", t, thickness_m, 1e3, "mm")?;
    }
    let centre_hz = matrix.array.centre_frequency_hz;
    agree("centre frequency", centre_hz, technique.pulse.centre_hz, 1e-6, "MHz")
}

fn demand_beam(matrix: &FullMatrix, technique: &Technique, beam: &Beam) -> Result<()> {
    let impossible = |what: &str, value: String, expected: String| CaptureError::Impossible {
        what: format!("the {what} of beam {}", beam.id),
        value,
        expected,
    };
    let probe = technique.probes.get(beam.probe as usize).ok_or_else(|| {
        impossible(
            "probe",
            beam.probe.to_string(),
            format!("the technique has {}", technique.probes.len()),
        )
    })?;
    demand_array(matrix, probe)?;
    let (transmit, receive) = (&beam.transmit_delays_s, &beam.receive_delays_s);
    let n = transmit.len();
    if receive.len() != n || n == 0 {
        return Err(impossible(
            "number of delays",
            format!("{n} transmitting, {} receiving", receive.len()),
            "both must be the aperture's number of elements".to_owned(),
        ));
    }
    if beam.first_element as usize + n > probe.elements.len() {
        return Err(impossible(
            "aperture",
            format!("{n} elements from {}", beam.first_element),
            format!("the probe has {}", probe.elements.len()),
        ));
    }
    let mut all = transmit.iter().chain(receive);
    if let Some(d) = all.find(|d| !(d.is_finite() && **d >= 0.0)) {
        return Err(impossible(
            "delay",
            format!("{d} s"),
            "delays are finite and not negative".to_owned(),
        ));
    }
    demand_time(matrix, &technique.record, beam)
}

/// What the record asks for must have been recorded: silence that nobody listened to is not clean.
/// Only what lies before firing is known to be silent.
fn demand_time(matrix: &FullMatrix, record: &Record, beam: &Beam) -> Result<()> {
    let extreme = |f: fn(f64, f64) -> f64, start: f64| {
        let of = |delays: &[f64]| delays.iter().copied().fold(start, f);
        of(&beam.transmit_delays_s) + of(&beam.receive_delays_s)
    };
    let need_from = record.first_sample_s - extreme(f64::max, 0.0);
    let need_to = record.last_sample_s() - extreme(f64::min, f64::INFINITY);
    let (from, to) = (matrix.first_sample_s, matrix.time_s(matrix.samples - 1));
    if need_to <= to && (from <= 0.0 || need_from >= from) {
        return Ok(());
    }
    Err(CaptureError::Mismatch {
        what: "recorded time",
        found: format!("the matrix holds {:.3} to {:.3} us", from * 1e6, to * 1e6),
        wanted: format!(
            "beam {} of the technique needs {:.3} to {:.3} us",
            beam.id,
            need_from.max(0.0) * 1e6,
            need_to * 1e6
        ),
    })
}

/// Silence that nobody listened to is not clean.
fn demand_pairs(matrix: &FullMatrix, beam: &Beam) -> Result<()> {
    let first = beam.first_element as usize;
    let elements = || first..first + beam.transmit_delays_s.len();
    let missing: Vec<(usize, usize)> = elements()
        .flat_map(|t| elements().map(move |r| (t, r)))
        .filter(|&(t, r)| matrix.is_silent(t, r))
        .collect();
    match missing.first() {
        None => Ok(()),
        Some((t, r)) => Err(CaptureError::Mismatch {
            what: "recorded pairs",
            found: format!(
                "{} pairs of the aperture of beam {} were not recorded, first {} to {} (counted from 1)",
                missing.len(),
                beam.id,
                t + 1,
                r + 1
            ),
            wanted: "every pair of an aperture must be, in one direction at least".to_owned(),
        }),
    }
}

fn demand_array(matrix: &FullMatrix, probe: &Probe) -> Result<()> {
    let a = &matrix.array;
    let elements = &probe.elements;
    if elements.len() != a.elements {
        return Err(CaptureError::Mismatch {
            what: "number of elements",
            found: format!("the matrix has {}", a.elements),
            wanted: format!("the technique's probe has {}", elements.len()),
        });
    }
    for pair in elements.windows(2) {
        let pitch = pair[0].centre.distance(pair[1].centre);
        agree("pitch", a.pitch_m, pitch, 1e3, "mm")?;
        let turn = (pair[1].facing_rad - pair[0].facing_rad + PI).rem_euclid(TAU) - PI;
        // One over the radius: nought for a straight array.
        let (curved, wanted) = (a.arc_radius_m.map_or(0.0, |r| 1.0 / r), (turn / pitch).abs());
        if (curved - wanted).abs() > NOMINAL * curved.max(wanted).max(0.1) {
            let radius = |c: f64| match c {
                0.0 => "a straight array".to_owned(),
                c => format!("an arc of {:.1} mm", 1e3 / c),
            };
            return Err(CaptureError::Mismatch {
                what: "shape of the array",
                found: format!("the matrix was taken by {}", radius(curved)),
                wanted: format!("the technique has {}", radius(wanted)),
            });
        }
    }
    for e in elements {
        agree("element width", a.element_width_m, e.width_m, 1e3, "mm")?;
        agree("element length", a.element_length_m, e.length_m, 1e3, "mm")?;
    }
    Ok(())
}

fn agree(what: &'static str, found: f64, wanted: f64, factor: f64, unit: &str) -> Result<()> {
    if (found - wanted).abs() <= NOMINAL * wanted.abs() {
        return Ok(());
    }
    Err(CaptureError::Mismatch {
        what,
        found: format!("the matrix has {:.4} {unit}", found * factor),
        wanted: format!("the technique has {:.4} {unit}", wanted * factor),
    })
}

//! A small technique built by hand, and how tests look at shots.

use barwright_capture::Shots;
use barwright_job::technique::{
    Axis, Beam, Firing, GainPoint, Media, Probe, PulseSpec, Record, Schedule, Section, Sensitivity,
};
use barwright_job::{Sealed, Technique};
use barwright_twin::{Capture, SceneBar, StationFaults, TwinError};
use barwright_wave::{Element, Fluid, Mode, Point, Solid, Surface, array, delay, echo};
use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_3, TAU};

pub const RADIUS_M: f64 = 0.021;
pub const PROBES: usize = 6;
/// Beams of each probe: two longitudinal, two shear (one each way).
pub const BEAMS_PER_PROBE: usize = 4;
const ELEMENTS: usize = 48;
const APERTURE: usize = 16;

fn probe(number: usize) -> Vec<Element> {
    let middle = FRAC_PI_2 + number as f64 * FRAC_PI_3;
    array::arc(0.060, middle, ELEMENTS, 0.6e-3, 0.55e-3, 12e-3)
}

/// Six probes around a 42 mm bar, two L and two S beams each, 25 MHz; the bar moves at
/// `speed_m_s`, all beams fire every 4 ms.
pub fn technique(speed_m_s: f64) -> Sealed<Technique> {
    let water = Fluid::new(1488.0, 998.0).expect("water");
    let steel = Solid::new(5920.0, 3255.0, 7850.0).expect("steel");
    let surface = Surface::Round { centre: Point::default(), radius_m: RADIUS_M };
    let mut beams = Vec::new();
    let mut add = |probe_number: usize, first: usize, mode: Mode, beta: f64| {
        let elements = &probe(probe_number)[first..first + APERTURE];
        let sum = elements.iter().fold(Point::default(), |s, e| s + e.centre);
        let middle = sum * (1.0 / APERTURE as f64);
        let c = steel.velocity_m_s(mode);
        let (law, entry, end, water_m) = match mode {
            Mode::L => {
                let law =
                    delay::focus(&surface, elements, Point::default(), water.velocity_m_s, c, None);
                let entry = Point::polar(RADIUS_M, middle.angle());
                (law, entry, entry * -1.0, 0.060 - RADIUS_M)
            }
            Mode::S => {
                let skip = echo::shear_skip(&surface, 0.0, middle, beta, water.velocity_m_s, c, 1)
                    .expect("a skip");
                let law = delay::equal_incidence(
                    &surface,
                    elements,
                    skip.incidence_rad,
                    water.velocity_m_s,
                    None,
                );
                (law, skip.entry, skip.hits[0], skip.water_m)
            }
        };
        let delays = law.expect("a law").delays_s;
        let mean = delays.iter().sum::<f64>() / APERTURE as f64;
        beams.push(Beam {
            id: beams.len() as u32,
            probe: probe_number as u32,
            first_element: first as u32,
            mode,
            receive_delays_s: delays.clone(),
            transmit_delays_s: delays,
            gain_db: 100.0,
            gain_curve: vec![
                GainPoint { after_surface_s: 2e-6, gain_db: -3.0 },
                GainPoint { after_surface_s: 10e-6, gain_db: 1.0 },
            ],
            surface_beam: None,
            surface_time_s: 2.0 * water_m / water.velocity_m_s + 2.0 * mean,
            gates: Vec::new(),
            axis: Axis {
                entry,
                direction_rad: (end - entry).angle(),
                velocity_m_s: c,
                reach_m: entry.distance(end),
            },
            axial_width_m: 0.01,
            response: Vec::new(),
        });
    };
    for p in 0..PROBES {
        add(p, 8, Mode::L, 0.0);
        add(p, 20, Mode::L, 0.0);
        add(p, 16, Mode::S, 45f64.to_radians());
        add(p, 16, Mode::S, -45f64.to_radians());
    }
    let all: Vec<u32> = (0..beams.len() as u32).collect();
    let body = Technique {
        name: "bench".into(),
        order: "bench".into(),
        station: "bench".into(),
        ring: "R".into(),
        section: Section::Round { radius_m: RADIUS_M },
        media: Media {
            water: Some(water),
            steel,
            attenuation_l_np_m: 1.15,
            attenuation_s_np_m: 2.3,
        },
        probes: (0..PROBES).map(|p| Probe { elements: probe(p), axial_focus_m: None }).collect(),
        pulse: PulseSpec { centre_hz: 5e6, bandwidth_rel: 0.6 },
        record: Record {
            first_sample_s: 50e-6,
            sample_rate_hz: 25e6,
            samples: 650,
            full_scale_fsh: 4.0,
        },
        sensitivity: Sensitivity {
            disc_diameter_m: 1.2e-3,
            crack_depth_m: Some(0.3e-3),
            target_fsh: 0.8,
            alarm_fsh: 0.4,
            skin_m: 4e-3,
            persistence: 1,
        },
        beams,
        schedule: Schedule {
            firings: vec![Firing { start_s: 0.0, beams: all }],
            period_s: 4e-3,
            least_period_s: None,
        },
        line_speed_m_s: speed_m_s,
        pulse_spacing_m: speed_m_s * 4e-3,
        unguided_end_m: 0.0,
        limits: Vec::new(),
        others: vec![],
        changes: vec![],
        findings: Vec::new(),
    };
    Sealed::seal(body, [])
}

/// A station without any fault.
pub fn faultless() -> StationFaults {
    StationFaults::default()
}

/// A bar with nothing in it.
pub fn clean(name: &str) -> SceneBar {
    SceneBar { name: name.into(), flaws: vec![], coupling_losses: vec![], missed_cycles: vec![] }
}

/// All shots of a capture.
pub fn shots(capture: &Capture<'_>) -> Shots {
    let mut all = Shots::new(capture.header().record.samples as usize);
    capture
        .run::<TwinError>(&mut |batch| {
            all.pass.extend(&batch.pass);
            all.beam.extend(&batch.beam);
            all.time_s.extend(&batch.time_s);
            all.z_m.extend(&batch.z_m);
            all.turn_rad.extend(&batch.turn_rad);
            all.clipped_s.extend(&batch.clipped_s);
            all.samples.extend(&batch.samples);
            Ok(())
        })
        .expect("a capture");
    all
}

/// Number of the shot of a beam nearest to a place along the bar.
pub fn nearest(shots: &Shots, beam: u32, z_m: f64) -> usize {
    (0..shots.len())
        .filter(|&i| shots.beam[i] == beam)
        .min_by(|&a, &b| (shots.z_m[a] - z_m).abs().total_cmp(&(shots.z_m[b] - z_m).abs()))
        .expect("a shot")
}

/// Peak of the envelope between two sample positions: its height and place (with fraction).
///
/// The imaginary part comes from a Hilbert filter of 63 taps, right within 0.3 % from 2 to 8 MHz
/// at 25 MHz.
pub fn peak(samples: &[f64], from: f64, to: f64) -> (f64, f64) {
    let envelope = |i: usize| -> f64 {
        let mut other = 0.0;
        for n in (1..32usize).step_by(2) {
            let window = 0.54 + 0.46 * (TAU * n as f64 / 64.0).cos();
            let tap = 2.0 / (std::f64::consts::PI * n as f64) * window;
            let at = |j: Option<usize>| j.and_then(|j| samples.get(j)).copied().unwrap_or(0.0);
            other += tap * (at(i.checked_sub(n)) - at(Some(i + n)));
        }
        Complex64::new(samples[i], other).norm()
    };
    let range = from.max(1.0) as usize..(to as usize).min(samples.len() - 1);
    let best = range.max_by(|&a, &b| envelope(a).total_cmp(&envelope(b))).expect("a range");
    let [l, m, r] = [best - 1, best, best + 1].map(|i| envelope(i).max(1e-9).ln());
    let bend = l - 2.0 * m + r;
    // The largest value may stand at an end of the range, on the flank of an echo outside.
    if bend >= 0.0 || m < l.max(r) {
        return (m.exp(), best as f64);
    }
    let shift = 0.5 * (l - r) / bend;
    ((m - 0.25 * (l - r) * shift).exp(), best as f64 + shift)
}

/// Samples of one shot as numbers.
pub fn samples(shots: &Shots, index: usize) -> Vec<f64> {
    shots.ascan(index).iter().map(|&x| f64::from(x)).collect()
}

/// One list less another.
pub fn minus(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

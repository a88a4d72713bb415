//! A technique for an array in contact: apertures of seven elements focused 25 mm deep.

use barwright_job::technique::*;
use barwright_job::{Hash, Sealed};
use barwright_wave::{Mode, Point, Solid, array, delay};

pub const V: f64 = 5850.0;
pub const DEPTH: f64 = 0.025;
pub const APERTURE: usize = 7;

pub fn contact(elements: usize, record: Record) -> Sealed<Technique> {
    let facing = -std::f64::consts::FRAC_PI_2;
    let probe = array::flat(Point::default(), facing, elements, 1.5e-3, 1e-3, 15e-3);
    let beams = (0..=elements - APERTURE)
        .map(|first| beam(first, &probe[first..first + APERTURE]))
        .collect();
    let technique = Technique {
        name: "block".into(),
        order: "block".into(),
        station: "bench".into(),
        ring: "A18".into(),
        section: Section::Flat { thickness_m: 0.05 },
        media: Media {
            water: None,
            steel: Solid::new(V, 3230.0, 7800.0).expect("steel"),
            attenuation_l_np_m: 1.0,
            attenuation_s_np_m: 2.0,
        },
        probes: vec![Probe { elements: probe, axial_focus_m: None }],
        pulse: PulseSpec { centre_hz: 5e6, bandwidth_rel: 0.6 },
        record,
        sensitivity: Sensitivity {
            disc_diameter_m: 2e-3,
            crack_depth_m: None,
            target_fsh: 0.8,
            alarm_fsh: 0.4,
            skin_m: 0.01,
            persistence: 1,
        },
        beams,
        schedule: Schedule { firings: vec![], period_s: 1e-3, least_period_s: None },
        line_speed_m_s: 0.1,
        pulse_spacing_m: 15e-3,
        unguided_end_m: 0.0,
        limits: vec![],
        others: vec![],
        changes: vec![],
        findings: vec![],
    };
    Sealed::seal(technique, [("order", Hash::of(b"order"))])
}

fn beam(first: usize, aperture: &[barwright_wave::Element]) -> Beam {
    let middle = aperture[APERTURE / 2].centre;
    let law =
        delay::contact_focus(aperture, middle + Point::new(0.0, -DEPTH), V, None).expect("a law");
    let slowest = aperture[0].centre.distance(middle + Point::new(0.0, -DEPTH)) / V;
    let gate = |kind, from: f64, to: f64| Gate {
        kind,
        start_s: 2.0 * from / V,
        end_s: 2.0 * to / V,
        threshold_fsh: 0.4,
    };
    Beam {
        id: first as u32,
        probe: 0,
        first_element: first as u32,
        mode: Mode::L,
        transmit_delays_s: law.delays_s.clone(),
        receive_delays_s: law.delays_s,
        gain_db: 0.0,
        gain_curve: vec![],
        surface_beam: None,
        surface_time_s: 2.0 * (slowest - DEPTH / V),
        gates: vec![gate(GateKind::Volume, 0.012, 0.046), gate(GateKind::BackWall, 0.047, 0.055)],
        axis: Axis {
            entry: middle,
            direction_rad: -std::f64::consts::FRAC_PI_2,
            velocity_m_s: V,
            reach_m: 0.05,
        },
        axial_width_m: 0.01,
        response: vec![],
    }
}

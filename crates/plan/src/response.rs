//! Pulse-echo response of a beam at a place under given conditions: the ray engine of the wave crate
//! with the bar, media and laws of a plan.

use barwright_job::technique::{Beam, Probe};
use barwright_wave::{
    Element, Mode, Point,
    elevation::Strip,
    ray::{self, Attenuation, RayMedium, TwoWay},
};

use crate::conditions::Conditions;

/// The elements and laws that a response is computed for.
#[derive(Debug, Clone, Copy)]
pub struct Aperture<'a> {
    /// Elements in the section.
    pub elements: &'a [Element],
    /// Delays of the elements in s, transmission.
    pub transmit_s: &'a [f64],
    /// Delays of the elements in s, reception.
    pub receive_s: &'a [f64],
    /// Kind of wave in the steel.
    pub mode: Mode,
    /// Way in the water, in m, at which the elements focus along the bar.
    pub axial_focus_m: Option<f64>,
}

impl<'a> Aperture<'a> {
    /// Aperture and laws of a beam; without elements if the probes do not hold them.
    #[must_use]
    pub fn of_beam(probes: &'a [Probe], beam: &'a Beam) -> Self {
        let first = beam.first_element as usize;
        let probe = probes.get(beam.probe as usize);
        Self {
            elements: probe
                .and_then(|p| p.elements.get(first..first + beam.transmit_delays_s.len()))
                .unwrap_or(&[]),
            transmit_s: &beam.transmit_delays_s,
            receive_s: &beam.receive_delays_s,
            mode: beam.mode,
            axial_focus_m: probe.and_then(|p| p.axial_focus_m),
        }
    }

    /// An element of the aperture seen along the bar; `None` without elements.
    #[must_use]
    pub fn strip(&self) -> Option<Strip> {
        let length_m = self.elements.first()?.length_m;
        Some(Strip { length_m, focus_m: self.axial_focus_m })
    }
}

/// Response of an aperture at a place of the steel; `None` where no ray arrives.
#[must_use]
pub fn two_way(conditions: &Conditions, aperture: &Aperture<'_>, place: Point) -> Option<TwoWay> {
    let count = aperture.elements.len();
    let weights: Option<Vec<f64>> = conditions
        .lost_middle
        .then(|| (0..count).map(|i| if i == count / 2 { 0.0 } else { 1.0 }).collect());
    let driven = ray::Aperture {
        elements: aperture.elements,
        delays_s: aperture.transmit_s,
        weights: weights.as_deref(),
    };
    let media = &conditions.media;
    let attenuation = Attenuation {
        longitudinal_np_m: media.attenuation_l_np_m,
        shear_np_m: media.attenuation_s_np_m,
        reference_hz: conditions.pulse.centre_hz,
        ..Attenuation::default()
    };
    let (receive_s, mode, pulse) = (aperture.receive_s, aperture.mode, &conditions.pulse);
    match media.water {
        Some(fluid) => {
            let medium = RayMedium { fluid, solid: media.steel, attenuation };
            let surface = conditions.surface_before(aperture.elements);
            ray::two_way(&surface, &medium, &driven, receive_s, mode, pulse, place)
        }
        None => {
            ray::contact_two_way(&media.steel, &attenuation, &driven, receive_s, mode, pulse, place)
        }
    }
    .ok()
}

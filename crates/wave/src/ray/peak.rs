//! Peak of the envelope at one point.

use super::arrivals::Arrivals;
use super::envelope::Envelope;
use super::spectrum::Spectra;
use super::{Aperture, RayFlags, RayMedium};
use crate::error::Result;
use crate::geometry::Point;
use crate::media::Mode;
use crate::pulse::Pulse;
use crate::section::Faces;

/// Strongest moment of a pulse at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RayPeak {
    /// Peak of the envelope of `P_L` or `P_S`, for a source whose pulse has unit peak.
    pub amplitude: f64,
    /// When it occurs, in s from time zero of the delay law.
    pub time_s: f64,
    /// Frequency in Hz at which the spectrum has its maximum there, after spreading and attenuation.
    pub centre_hz: f64,
    /// Where the answer is not to be trusted.
    pub flags: RayFlags,
}

/// Peak of the envelope at a point for a pulse; [`super::map`] answers many points faster.
///
/// Sums the analytic pulses of all arrivals, phase included. Spreading and attenuation act on the
/// whole spectrum (to second order about its maximum, for the mean way in the steel; what single ways
/// differ from the mean counts at the maximum), and so does the width of the elements. Transmission
/// does not depend on frequency.
///
/// # Errors
/// Those of [`super::field`]; [`crate::WaveError::OutOfRange`] for a pulse whose spectrum has no
/// maximum left or arrivals spread over more than 16 000 of its standard deviations.
pub fn peak_envelope(
    section: &(impl Faces + ?Sized),
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    pulse: &Pulse,
    point: Point,
) -> Result<RayPeak> {
    let arrivals = Arrivals::through(section, medium, aperture, mode, pulse.centre_hz, point)?;
    RayPeak::of(&arrivals, pulse)
}

impl RayPeak {
    pub(super) fn of(arrivals: &Arrivals, pulse: &Pulse) -> Result<Self> {
        let spectra = Spectra::new(pulse, &arrivals.attenuation, arrivals.mode)?;
        let mut envelope = Envelope::default();
        for a in &arrivals.list {
            envelope.push(a.time_s, a.amplitude, a.across_s, a.steel_m);
        }
        envelope.peak(&spectra, arrivals.flags)
    }
}

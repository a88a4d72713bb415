//! One side of a beam, and the two sides of an echo.

use num_complex::Complex64;
use std::f64::consts::TAU;

use crate::error::{Result, WaveError};
use crate::geometry::Point;
use crate::media::{Mode, Solid};
use crate::ray::RayFlags;

/// One side of a beam, transmit or receive, as if it sent: what its field is at places in the steel.
pub trait OneWay {
    /// Frequencies of the spectra in Hz, evenly spaced and rising.
    fn frequencies_hz(&self) -> &[f64];

    /// Spectra of `P_L` or `P_S` at each place, for elements that are unit line sources with flat
    /// spectra; laws and weights included.
    ///
    /// # Errors
    /// Those of the field engine.
    fn spectra(&self, places: &[Point], mode: Mode) -> Result<Vec<Vec<Complex64>>>;

    /// The steel.
    fn solid(&self) -> &Solid;

    /// Ratio by which reciprocity turns a source in the steel into what is received: ρ_f/ρ_s in water,
    /// one in contact.
    fn source_ratio(&self) -> f64;

    /// Damping of the frequencies in 1/s (imaginary part of all angular frequencies).
    fn damping_1_s(&self) -> f64 {
        0.0
    }

    /// Direction in which the sound travels at a place, as an angle from +x in rad: that of the energy
    /// flux of a Gaussian pulse that fills the band (four standard deviations either side), from the
    /// slope of the phase within 1/40 of a wavelength.
    ///
    /// # Errors
    /// Those of [`Self::spectra`]; [`WaveError::OutOfRange`] where no sound arrives.
    fn heading_rad(&self, place: Point, mode: Mode) -> Result<f64> {
        let middle = middle_hz(self.frequencies_hz())?;
        let step = self.solid().velocity_m_s(mode) / middle / 40.0;
        let offsets = [(0.0, 0.0), (step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)];
        let places = offsets.map(|(x, y)| place + Point::new(x, y));
        let fields = self.spectra(&places, mode)?;
        let [here, east, west, north, south] = fields.as_slice() else {
            return Err(WaveError::Count {
                what: "spectra around a place",
                got: fields.len(),
                need: 5,
            });
        };
        let weights = band_weights(self.frequencies_hz());
        let flux = |ahead: &[Complex64], behind: &[Complex64]| -> f64 {
            let slopes = here.iter().zip(ahead.iter().zip(behind));
            slopes.zip(&weights).map(|((p, (a, b)), w)| (p.conj() * (a - b)).im * w).sum()
        };
        let flux = Point::new(flux(east, west), flux(north, south));
        if flux.radius().is_finite() && flux.radius() > 0.0 {
            return Ok(flux.angle());
        }
        Err(WaveError::OutOfRange {
            what: "the energy flux at the reflector",
            value: flux.radius(),
            unit: "",
            expected: "finite and above zero",
        })
    }

    /// Where the field engine does not trust its answer at a place.
    ///
    /// # Errors
    /// Those of the field engine.
    fn flags(&self, _place: Point, _mode: Mode) -> Result<RayFlags> {
        Ok(RayFlags::default())
    }
}

/// What looks at a reflector: a sending and a receiving side, each with its kind of wave there.
#[derive(Clone, Copy)]
pub struct Sight<'a> {
    /// The sending side.
    pub transmit: &'a dyn OneWay,
    /// Kind of wave that meets the reflector.
    pub transmit_mode: Mode,
    /// The receiving side.
    pub receive: &'a dyn OneWay,
    /// Kind of wave that goes back.
    pub receive_mode: Mode,
}

impl<'a> Sight<'a> {
    /// One beam that hears its own echo in its own kind of wave.
    #[must_use]
    pub fn pulse_echo(beam: &'a dyn OneWay, mode: Mode) -> Self {
        Self { transmit: beam, transmit_mode: mode, receive: beam, receive_mode: mode }
    }

    /// True if one field serves both sides.
    fn is_single(&self) -> bool {
        std::ptr::addr_eq(self.transmit, self.receive) && self.transmit_mode == self.receive_mode
    }

    /// Checks that both sides speak of the same frequencies and the same steel.
    pub(super) fn check(&self) -> Result<()> {
        let (sent, got) = (self.transmit.frequencies_hz(), self.receive.frequencies_hz());
        if sent.is_empty() || sent.len() != got.len() {
            let need = sent.len().max(1);
            return Err(WaveError::Count { what: "frequencies of the beam", got: got.len(), need });
        }
        let damping = (self.transmit.damping_1_s(), self.receive.damping_1_s());
        let other = sent.iter().zip(got).find(|(a, b)| a != b).map(|(_, b)| *b);
        if let Some(value) = other.or((damping.0 != damping.1).then_some(damping.1)) {
            return Err(WaveError::OutOfRange {
                what: "a frequency or damping of the receiving side",
                value,
                unit: "Hz or 1/s",
                expected: "that of the sending side",
            });
        }
        if self.transmit.solid() != self.receive.solid() {
            return Err(WaveError::OutOfRange {
                what: "the longitudinal velocity or another figure of the receiving side's steel",
                value: self.receive.solid().longitudinal_m_s,
                unit: "m/s",
                expected: "that of the sending side",
            });
        }
        Ok(())
    }

    /// Angular frequencies ω + i damping in rad/s.
    pub(super) fn angular(&self) -> impl Iterator<Item = Complex64> + '_ {
        let damping = self.transmit.damping_1_s();
        self.transmit.frequencies_hz().iter().map(move |f| Complex64::new(TAU * f, damping))
    }

    /// Transmit and receive spectra at each place.
    pub(super) fn fields(&self, places: &[Point]) -> Result<[Vec<Vec<Complex64>>; 2]> {
        let sent = self.transmit.spectra(places, self.transmit_mode)?;
        let heard = if self.is_single() {
            sent.clone()
        } else {
            self.receive.spectra(places, self.receive_mode)?
        };
        for got in [sent.len(), heard.len()] {
            if got != places.len() {
                return Err(WaveError::Count {
                    what: "spectra of places",
                    got,
                    need: places.len(),
                });
            }
        }
        let need = self.transmit.frequencies_hz().len();
        if let Some(row) = sent.iter().chain(&heard).find(|row| row.len() != need) {
            return Err(WaveError::Count { what: "values of a spectrum", got: row.len(), need });
        }
        Ok([sent, heard])
    }

    /// Directions of travel of the sent wave and of the wave that the receiver would send.
    pub(super) fn headings_rad(&self, place: Point) -> Result<[f64; 2]> {
        let sent = self.transmit.heading_rad(place, self.transmit_mode)?;
        if self.is_single() {
            return Ok([sent, sent]);
        }
        Ok([sent, self.receive.heading_rad(place, self.receive_mode)?])
    }

    /// Flags of both sides together.
    pub(super) fn flags(&self, place: Point) -> Result<RayFlags> {
        let a = self.transmit.flags(place, self.transmit_mode)?;
        let b = self.receive.flags(place, self.receive_mode)?;
        Ok(RayFlags {
            near_surface: a.near_surface || b.near_surface,
            near_critical: a.near_critical || b.near_critical,
            shadow: a.shadow || b.shadow,
            bent_spectrum: a.bent_spectrum || b.bent_spectrum,
            steep: a.steep || b.steep,
        })
    }
}

/// Middle of a band in Hz.
pub(super) fn middle_hz(frequencies_hz: &[f64]) -> Result<f64> {
    match frequencies_hz {
        [first, .., last] => Ok(0.5 * (first + last)),
        [only] => Ok(*only),
        [] => Err(WaveError::Count { what: "frequencies of the beam", got: 0, need: 1 }),
    }
}

/// Energy spectrum of a Gaussian pulse whose band of four standard deviations either side this is. At
/// the low end of an unweighted band a beam is no beam.
fn band_weights(frequencies_hz: &[f64]) -> Vec<f64> {
    let (Some(first), Some(last)) = (frequencies_hz.first(), frequencies_hz.last()) else {
        return Vec::new();
    };
    let (middle, sigma) = (0.5 * (first + last), (last - first) / 8.0);
    let each = |f: &f64| if sigma > 0.0 { (-((f - middle) / sigma).powi(2)).exp() } else { 1.0 };
    frequencies_hz.iter().map(each).collect()
}

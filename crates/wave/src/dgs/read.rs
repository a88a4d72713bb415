//! The equivalent disc of an echo.

use thiserror::Error;

use super::curves::Curves;
use super::monotone::Monotone;
use crate::error::WaveError;

/// What stops an answer.
#[derive(Debug, Error, Clone, PartialEq)]
#[non_exhaustive]
pub enum DgsError {
    /// The distance lies outside the curves.
    #[error(
        "the distance of {distance_m} m lies outside the curves ({from_m} to {to_m} m); compute them further"
    )]
    Distance {
        /// The distance in m.
        distance_m: f64,
        /// First distance of the curves.
        from_m: f64,
        /// Last distance of the curves.
        to_m: f64,
    },
    /// The echo is lower than that of the smallest disc.
    #[error(
        "the echo of {height_db} dB lies below the smallest disc's ({lowest_db} dB for {diameter_m} m); add smaller discs"
    )]
    Below {
        /// Height of the echo in dB re the reference.
        height_db: f64,
        /// Height of the lowest curve at this distance.
        lowest_db: f64,
        /// Its diameter in m.
        diameter_m: f64,
    },
    /// The echo is higher than that of the largest disc.
    #[error(
        "the echo of {height_db} dB lies above the largest disc's ({highest_db} dB for {diameter_m} m); add larger discs"
    )]
    Above {
        /// Height of the echo in dB re the reference.
        height_db: f64,
        /// Height of the highest curve at this distance.
        highest_db: f64,
        /// Its diameter in m.
        diameter_m: f64,
    },
    /// The height is no number.
    #[error("the height of the echo is {height_db} dB; it must be finite")]
    Height {
        /// The height.
        height_db: f64,
    },
    /// The field cannot be computed.
    #[error(transparent)]
    Wave(#[from] WaveError),
}

/// What to know about an equivalent diameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DgsFinding {
    /// The echo lies nearer than the last maximum of the beam, where small changes of distance change
    /// the height much.
    NearField {
        /// Distance of the echo in m.
        distance_m: f64,
        /// Distance of the last maximum in m.
        near_field_m: f64,
    },
    /// Curves cross: discs of several diameters have this height at this distance. The largest is
    /// given.
    Ambiguous {
        /// Smallest diameter with this height, in m.
        smallest_m: f64,
        /// Largest diameter with this height, in m.
        largest_m: f64,
    },
}

/// The disc that faces the beam on its axis and returns as much as the echo.
#[derive(Debug, Clone, PartialEq)]
pub struct Equivalent {
    /// Its diameter in m.
    pub diameter_m: f64,
    /// What to know about it.
    pub findings: Vec<DgsFinding>,
}

impl Curves {
    /// Diameter of the disc whose echo at a distance in m has a height in dB re the reference.
    ///
    /// Between the curves the logarithm of the diameter is interpolated monotonically over the height
    /// (a straight line in the far field), where the curves cross over the diameter instead.
    ///
    /// # Errors
    /// [`DgsError::Distance`], [`DgsError::Below`] or [`DgsError::Above`] outside the curves;
    /// [`DgsError::Height`] for a height that is not finite.
    pub fn equivalent_diameter(
        &self,
        height_db: f64,
        distance_m: f64,
    ) -> Result<Equivalent, DgsError> {
        if !height_db.is_finite() {
            return Err(DgsError::Height { height_db });
        }
        let (heights, _) = self.heights_at(distance_m)?;
        let logs: Vec<f64> = self.diameters_m.iter().map(|d| d.ln()).collect();
        let mut findings = Vec::new();
        if let Some(near_field_m) = self.near_field_m().filter(|&n| distance_m < n) {
            findings.push(DgsFinding::NearField { distance_m, near_field_m });
        }
        let low = (0..heights.len()).min_by(|&a, &b| heights[a].total_cmp(&heights[b]));
        let high = (0..heights.len()).max_by(|&a, &b| heights[a].total_cmp(&heights[b]));
        if let (Some(low), Some(high)) = (low, high) {
            // 1e-9 dB: rounding of interpolation at the curves themselves.
            if height_db < heights[low] - 1e-9 {
                let (lowest_db, diameter_m) = (heights[low], self.diameters_m[low]);
                return Err(DgsError::Below { height_db, lowest_db, diameter_m });
            }
            if height_db > heights[high] + 1e-9 {
                let (highest_db, diameter_m) = (heights[high], self.diameters_m[high]);
                return Err(DgsError::Above { height_db, highest_db, diameter_m });
            }
        }
        if heights.windows(2).all(|w| w[0] < w[1]) {
            let diameter_m = Monotone::new(heights, logs).at(height_db).exp();
            return Ok(Equivalent { diameter_m, findings });
        }
        let crossings = crossings(&heights, &logs, height_db);
        let smallest_m = crossings.iter().copied().fold(f64::INFINITY, f64::min).exp();
        let largest_m = crossings.iter().copied().fold(f64::NEG_INFINITY, f64::max).exp();
        if crossings.len() > 1 {
            findings.push(DgsFinding::Ambiguous { smallest_m, largest_m });
        }
        Ok(Equivalent { diameter_m: largest_m, findings })
    }
}

/// Logarithms of the diameters at which the height, as a curve over them, has a value that lies
/// between its extremes: at least one.
fn crossings(heights: &[f64], logs: &[f64], value: f64) -> Vec<f64> {
    let curve = Monotone::new(logs.to_vec(), heights.to_vec());
    let mut found = Vec::new();
    for i in 0..heights.len() - 1 {
        let (a, b) = (heights[i] - value, heights[i + 1] - value);
        if a.abs() <= 1e-9 {
            found.push(logs[i]);
        } else if a * b < 0.0 && b.abs() > 1e-9 {
            let (mut low, mut high) = (logs[i], logs[i + 1]);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if (curve.at(middle) - value) * a > 0.0 {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            found.push(0.5 * (low + high));
        }
    }
    if heights.last().is_some_and(|h| (h - value).abs() <= 1e-9) {
        found.extend(logs.last());
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dgs::{DgsBeam, Reference};
    use crate::error::Result;
    use crate::pulse::Pulse;
    use crate::reflect::{EchoSpectrum, pulse_frequencies_hz};
    use num_complex::Complex64;

    /// Echoes as given by a law of distance and diameter.
    struct Law(fn(f64, f64) -> f64);

    impl Law {
        fn spectrum(amplitude: f64) -> Result<EchoSpectrum> {
            let frequencies_hz = pulse_frequencies_hz(&Pulse::new(5e6, 0.5)?, 1e-5)?;
            let values = vec![Complex64::from(amplitude); frequencies_hz.len()];
            Ok(EchoSpectrum { frequencies_hz, values, damping_1_s: 0.0, findings: Vec::new() })
        }
    }

    impl DgsBeam for Law {
        fn disc(&self, distance_m: f64, diameter_m: f64) -> Result<EchoSpectrum> {
            Self::spectrum(self.0(distance_m, diameter_m))
        }

        fn wall(&self, distance_m: f64) -> Result<EchoSpectrum> {
            Self::spectrum(1e-6 / distance_m)
        }
    }

    fn curves(law: fn(f64, f64) -> f64) -> Curves {
        Curves::compute(
            &Law(law),
            &Pulse::new(5e6, 0.5).expect("a pulse"),
            &[0.02, 0.04, 0.08, 0.16],
            &[1e-3, 2e-3, 3e-3, 4e-3],
            Reference::BackWall { distance_m: 0.08 },
            &|_| -5e-6,
        )
        .expect("curves")
    }

    // Truth: closed form. Where echoes go with d²/z² the interpolation is exact on both axes, also
    // relative to a wall (1/z).
    #[test]
    fn the_far_field_law_is_read_exactly() {
        let curves = curves(|z, d| d * d / (z * z) * 1e-4);
        for (z, d) in [(0.02_f64, 1.5e-3_f64), (0.03, 3.3e-3), (0.13, 2.0e-3), (0.16, 4e-3)] {
            let height = 20.0 * (d * d / (z * z) * 1e-4 / (1e-6 / 0.08)).log10();
            let got = curves.equivalent_diameter(height, z).expect("a diameter");
            // The slope of the logarithms is constant: rounding only.
            assert!((got.diameter_m / d - 1.0).abs() < 1e-9, "{z} {d} {}", got.diameter_m);
            assert!(got.findings.is_empty() && curves.near_field_m().is_none());
        }
    }

    // Truth: closed form. Discs larger than 2.5 mm return less again: two diameters have the same
    // height, the larger is given.
    #[test]
    fn crossing_curves_are_told() {
        let curves = curves(|z, d| (1.0 - ((d - 2.5e-3) / 3e-3).powi(2)) / (z * z) * 1e-10);
        let (heights, wall) = curves.heights_at(0.05).expect("heights");
        assert!(wall.is_finite());
        let got =
            curves.equivalent_diameter(0.5 * (heights[0] + heights[1]), 0.05).expect("a diameter");
        let Some(DgsFinding::Ambiguous { smallest_m, largest_m }) = got.findings.first() else {
            panic!("{:?}", got.findings);
        };
        assert_eq!(got.diameter_m, *largest_m);
        // Symmetric about 2.5 mm but for interpolation between four diameters.
        assert!((smallest_m + largest_m - 5e-3).abs() < 0.2e-3, "{smallest_m} {largest_m}");
        let exact = curves.equivalent_diameter(heights[1], 0.05).expect("a diameter");
        assert!((exact.diameter_m - 3e-3).abs() < 1e-6, "{}", exact.diameter_m);
    }
}

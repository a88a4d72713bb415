//! What readings of a probe are compared with: each depends on the sensitivities of one aperture's
//! elements.

use std::sync::Arc;

use num_complex::Complex64;

use super::{aperture::Shares, mirror::Mirror};

/// What readings are compared with.
#[derive(Debug, Clone)]
pub(super) enum Model {
    /// One height in dB.
    Height(Arc<Shares>),
    /// A surface echo, real and imaginary part line by line, over its size.
    Surface {
        /// The echo's dependence on its elements.
        mirror: Arc<Mirror>,
        /// Factor of each line.
        scale: Vec<Complex64>,
        /// Size of the echo.
        size: f64,
    },
}

/// Readings of one aperture that share what is loose about them.
#[derive(Debug, Clone)]
pub(super) struct Block {
    /// First element of the aperture.
    pub first: usize,
    /// Number of elements.
    pub count: usize,
    /// What they are compared with: one for all, or for heights one a reading.
    pub model: Model,
    /// Readings against those of like beams.
    pub values: Vec<f64>,
    /// Their standard deviations by noise and model.
    pub sigmas: Vec<f64>,
    /// Directions in which the readings are loose together, one standard deviation each.
    pub loose: Vec<Vec<f64>>,
}

impl Block {
    /// Values for sensitivities of the aperture's elements, and their derivatives (`[value][element]`).
    pub fn predicted(&self, s: &[f64]) -> (Vec<f64>, Vec<Vec<f64>>) {
        match &self.model {
            Model::Height(shares) => {
                let (height, slope) = shares.height_db(s);
                (vec![height; self.values.len()], vec![slope; self.values.len()])
            }
            Model::Surface { mirror, scale, size } => {
                let (mut values, mut slopes) = (Vec::new(), Vec::new());
                for ((value, slope), k) in mirror.echo(s).into_iter().zip(scale) {
                    let value = value * k / size;
                    values.extend([value.re, value.im]);
                    let slope: Vec<Complex64> = slope.into_iter().map(|d| d * k / size).collect();
                    slopes.push(slope.iter().map(|d| d.re).collect());
                    slopes.push(slope.iter().map(|d| d.im).collect());
                }
                (values, slopes)
            }
        }
    }
}

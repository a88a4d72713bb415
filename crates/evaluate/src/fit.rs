//! Linear least squares, plain and robust. Source of the robust form: Huber, *Robust Statistics*
//! (1981), ch. 7, by iterated weights.

use nalgebra::{DMatrix, DVector};

/// Residual, in standard deviations, from which Huber's weight falls.
const HUBER: f64 = 1.5;
/// Iterations of the weights; they settle in fewer for data with one outlier in ten.
const ROUNDS: usize = 12;
/// Ratio of singular values below which columns count as dependent.
const DEPENDENT: f64 = 1e-9;

/// A solution with its quality.
#[derive(Debug, Clone)]
pub(crate) struct Fit {
    /// The coefficients.
    pub x: Vec<f64>,
    /// Their variances for data of unit variance.
    pub variance: Vec<f64>,
    /// Data minus model.
    pub residuals: Vec<f64>,
}

/// Least squares of rows · x = y with weights; absent where the columns are dependent or outnumber
/// the rows.
pub(crate) fn weighted(rows: &[Vec<f64>], y: &[f64], weights: &[f64]) -> Option<Fit> {
    let (n, k) = (rows.len(), rows.first()?.len());
    if n < k || k == 0 {
        let residuals = y.to_vec();
        return (k == 0).then(|| Fit { x: vec![], variance: vec![], residuals });
    }
    let root = |i: usize| weights[i].max(0.0).sqrt();
    let a = DMatrix::from_fn(n, k, |i, j| rows[i][j] * root(i));
    let b = DVector::from_fn(n, |i, _| y[i] * root(i));
    let svd = a.svd(true, true);
    let largest = svd.singular_values.max();
    if largest <= 0.0 || svd.singular_values.min() < DEPENDENT * largest {
        return None;
    }
    let x = svd.solve(&b, 0.0).ok()?;
    let v_t = svd.v_t.as_ref()?;
    let variance = (0..k)
        .map(|j| {
            svd.singular_values.iter().enumerate().map(|(s, d)| (v_t[(s, j)] / d).powi(2)).sum()
        })
        .collect();
    let residuals = (0..n)
        .map(|i| y[i] - rows[i].iter().zip(x.iter()).map(|(a, b)| a * b).sum::<f64>())
        .collect();
    Some(Fit { x: x.iter().copied().collect(), variance, residuals })
}

/// Huber's fit for data of a known standard deviation.
pub(crate) fn robust(rows: &[Vec<f64>], y: &[f64], sigma: f64) -> Option<Fit> {
    let mut weights = vec![1.0; y.len()];
    let mut fit = weighted(rows, y, &weights)?;
    for _ in 0..ROUNDS {
        for (w, r) in weights.iter_mut().zip(&fit.residuals) {
            let z = (r / sigma).abs();
            *w = if z > HUBER { HUBER / z } else { 1.0 };
        }
        fit = weighted(rows, y, &weights)?;
    }
    Some(fit)
}

/// Huber's loss of residuals: their sum of squares in standard deviations, linear beyond 1.5.
pub(crate) fn loss(residuals: &[f64], sigma: f64) -> f64 {
    residuals
        .iter()
        .map(|r| {
            let z = (r / sigma).abs();
            if z > HUBER { HUBER * (2.0 * z - HUBER) } else { z * z }
        })
        .sum()
}

/// Standard deviation from the median of magnitudes (normal data), for residuals of a fit with so
/// many coefficients.
pub(crate) fn deviation(residuals: &[f64], coefficients: usize) -> f64 {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    let n = sizes.len() as f64;
    let lost = (n / (n - coefficients as f64).max(1.0)).sqrt();
    1.4826 * crate::reading::median(&mut sizes) * lost
}

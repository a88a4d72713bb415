//! How likely all readings of one probe are for sensitivities of its elements.
//!
//! Sound elements differ a little (a normal prior about their common mean); together with noise and
//! with what each echo's own place and level leave open, that gives the covariance of all readings of
//! the probe.
//!
//! Generalised least squares: Bishop, *Pattern Recognition and Machine Learning* (2006), ch. 3.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::readings::Block;

/// Uncertainty of the probe's common level, as a relative amplitude: it is not asked for here.
const PROBE_LEVEL: f64 = 0.3;

/// The readings of a probe, ready to be asked.
pub(super) struct Problem<'r> {
    blocks: Vec<Ready<'r>>,
    pub elements: usize,
    /// Precision of the sound elements after the readings.
    posterior: Cholesky<f64, Dyn>,
    /// Sound elements' spread, and the logarithm of what it costs.
    spread: f64,
    log_det: f64,
}

/// A block with what does not change while faults are tried.
struct Ready<'r> {
    block: &'r Block,
    /// Lower triangle of the covariance of its readings.
    noise: Cholesky<f64, Dyn>,
    /// Values for sound elements.
    base: Vec<f64>,
    /// Derivatives at the sensitivities about which elements spread, over the noise: `value x
    /// element of the aperture`.
    white: DMatrix<f64>,
}

impl<'r> Ready<'r> {
    fn of(block: &'r Block, about: &[f64]) -> Option<Self> {
        let n = block.values.len();
        let mut c = DMatrix::zeros(n, n);
        for i in 0..n {
            c[(i, i)] = block.sigmas[i] * block.sigmas[i];
            for j in 0..n {
                c[(i, j)] += block.loose.iter().map(|l| l[i] * l[j]).sum::<f64>();
            }
        }
        let noise = c.cholesky()?;
        let (base, _) = block.predicted(&vec![1.0; block.count]);
        let (_, slopes) = block.predicted(&about[block.first..block.first + block.count]);
        let white = whitened(&noise, &slopes, block.count);
        Some(Self { block, noise, base, white })
    }

    /// What is left of the readings for sensitivities of all elements, over the noise.
    fn rest(&self, s: &[f64]) -> DVector<f64> {
        let b = self.block;
        let (values, _) = b.predicted(&s[b.first..b.first + b.count]);
        let rest = b.values.iter().zip(values).zip(&self.base).map(|((v, p), base)| v - (p - base));
        let mut out = DVector::from_iterator(b.values.len(), rest);
        self.noise.l_dirty().solve_lower_triangular_mut(&mut out);
        out
    }
}

fn whitened(noise: &Cholesky<f64, Dyn>, slopes: &[Vec<f64>], count: usize) -> DMatrix<f64> {
    let mut white = DMatrix::from_fn(slopes.len(), count, |i, j| slopes[i][j]);
    noise.l_dirty().solve_lower_triangular_mut(&mut white);
    white
}

impl<'r> Problem<'r> {
    /// For a spread of sound elements (relative amplitude); absent when the covariance is not one.
    pub fn new(blocks: &'r [Block], elements: usize, spread: f64) -> Option<Self> {
        Self::about(blocks, spread, &vec![1.0; elements])
    }

    /// The same about other sensitivities than those of sound elements.
    fn about(blocks: &'r [Block], spread: f64, s: &[f64]) -> Option<Self> {
        let blocks: Vec<Ready<'_>> =
            blocks.iter().map(|b| Ready::of(b, s)).collect::<Option<_>>()?;
        let elements = s.len();
        let n = elements as f64;
        // The inverse of spread² I + level² 1 1ᵀ (Sherman and Morrison, Ann. Math. Stat. 21 (1950)
        // 124).
        let (own, all) = (spread * spread, PROBE_LEVEL * PROBE_LEVEL);
        let common = all / (own * (own + n * all));
        let prior = DMatrix::from_fn(elements, elements, |i, j| {
            (if i == j { 1.0 / own } else { 0.0 }) - common
        });
        let mut power = DMatrix::zeros(elements, elements);
        let mut log_det = n * own.ln() + (1.0 + n * all / own).ln();
        for r in &blocks {
            let own = r.white.transpose() * &r.white;
            let (f, c) = (r.block.first, r.block.count);
            let mut view = power.view_mut((f, f), (c, c));
            view += own;
        }
        let posterior = (&prior + &power).cholesky()?;
        let l = posterior.l_dirty();
        log_det += 2.0 * (0..elements).map(|i| l[(i, i)].ln()).sum::<f64>();
        Some(Self { blocks, elements, posterior, spread, log_det })
    }

    /// Twice the negative logarithm of the likelihood for sensitivities about which sound elements
    /// spread, but for a constant that the spread decides.
    pub fn misfit(&self, s: &[f64]) -> f64 {
        let mut pull = DVector::zeros(self.elements);
        let mut sum = 0.0;
        for r in &self.blocks {
            let rest = r.rest(s);
            sum += rest.norm_squared();
            let own = r.white.tr_mul(&rest);
            let mut view = pull.rows_mut(r.block.first, r.block.count);
            view += own;
        }
        sum - pull.dot(&self.posterior.solve(&pull))
    }

    /// Twice the negative logarithm of the likelihood of sound elements with this spread.
    pub fn evidence(&self) -> f64 {
        self.misfit(&vec![1.0; self.elements]) + self.log_det
    }

    /// Precision and pull of the elements at sensitivities, with the spread of the sound ones taken
    /// into account.
    pub fn linear(&self, s: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        let n = self.elements;
        let (mut own, mut cross) = (DMatrix::zeros(n, n), DMatrix::zeros(n, n));
        let (mut pull, mut prior_pull) = (DVector::zeros(n), DVector::zeros(n));
        for r in &self.blocks {
            let b = r.block;
            let (f, c) = (b.first, b.count);
            let (_, slopes) = b.predicted(&s[f..f + c]);
            let white = whitened(&r.noise, &slopes, c);
            let rest = r.rest(s);
            let mut view = own.view_mut((f, f), (c, c));
            view += white.tr_mul(&white);
            let mut view = cross.view_mut((f, f), (c, c));
            view += r.white.tr_mul(&white);
            let mut view = pull.rows_mut(f, c);
            view += white.tr_mul(&rest);
            let mut view = prior_pull.rows_mut(f, c);
            view += r.white.tr_mul(&rest);
        }
        let power = own - cross.tr_mul(&self.posterior.solve(&cross));
        let pull = pull - cross.tr_mul(&self.posterior.solve(&prior_pull));
        (power, pull)
    }

    /// The same readings with elements that spread about other sensitivities.
    pub fn moved_to(&self, blocks: &'r [Block], s: &[f64]) -> Option<Self> {
        Self::about(blocks, self.spread, s)
    }
}

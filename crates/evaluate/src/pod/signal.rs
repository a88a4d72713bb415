//! Heights of signals against size: a line by maximum likelihood, with heights that are lost in noise or
//! clipped (MIL-HDBK-1823A, appendix G; the censored regression of Tobin 1958).

use barwright_job::pod::{Bound, Censored, Link, Measured, Pod, Scale, Trial};
use nalgebra::{Matrix3, Vector3};

use super::{
    PodError, Z_95, advised,
    assumptions::doubted,
    curve, demand,
    normal::{hazard_below, ln_below, ln_density, quantile},
    not_covered, targets,
};

/// Scale that heights are linear on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SignalScale {
    /// As they are.
    #[default]
    Linear,
    /// Their natural logarithm.
    Log,
}

/// Flaws that the handbook asks for.
const ADVISED: u32 = 40;
/// What the delta method leaves out; the figure is this crate's own trial.
const ASYMPTOTIC: &str = "small numbers of flaws: the bound rests on many, and with 80 made flaws it held in 91 of 100 cases, not in 95";
/// Heights that must stand for themselves.
const LEAST_KNOWN: usize = 4;
const MOST_STEPS: usize = 200;

/// Fits heights of signals against size. `decision`: the height from which a flaw counts as found, in the same
/// unit. Sizes and heights have the units that `subject` and the caller say; the answer leaves `subject`, `unit`,
/// `signal_unit` and `noise` to be filled in.
///
/// The bound is the delta method's (Wald), as the handbook's for signals.
///
/// # Errors
/// [`PodError`]: what the data lack.
pub fn signal_response(
    trials: &[Trial],
    scale: Scale,
    signal_scale: SignalScale,
    decision: f64,
) -> Result<Pod, PodError> {
    demand(trials, scale)?;
    let height = |value: f64| match signal_scale {
        SignalScale::Linear => value,
        SignalScale::Log => value.ln(),
    };
    let points: Vec<Point> = trials
        .iter()
        .map(|t| Point { x: scale.of(t.size), y: height(t.response), censored: t.censored })
        .collect();
    for (k, (t, p)) in trials.iter().zip(&points).enumerate() {
        if !p.y.is_finite() {
            return Err(PodError::Number { trial: k + 1, size: t.size, response: t.response });
        }
    }
    let known = points.iter().filter(|p| p.censored == Censored::None).count();
    if known < LEAST_KNOWN {
        return Err(PodError::AllCensored { trials: trials.len(), known, wanted: LEAST_KNOWN });
    }
    let line = Line::fit(&points)?;
    if line.slope <= 0.0 {
        return Err(PodError::NoGrowth { slope: line.slope });
    }
    let (flaws, repeats) = targets(trials);
    let threshold = height(decision);
    let mu = (threshold - line.intercept) / line.slope;
    let sigma = line.tau / line.slope;
    let covariance = line.of_curve(mu, sigma, repeats);
    let place = |p: f64| mu + sigma * quantile(p);
    let bound = |p: f64| {
        let z = quantile(p);
        let [vm, c, vs] = covariance;
        Some(place(p) + Z_95 * (vm + 2.0 * z * c + z * z * vs).max(0.0).sqrt())
    };
    let a90 = scale.size(place(0.9));
    let mut findings = advised(flaws, ADVISED, a90, trials);
    findings.extend(doubted(&points, &line, signal_scale));
    Ok(Pod {
        subject: String::new(),
        unit: String::new(),
        measured: Measured::Signal,
        scale,
        link: Link::Probit,
        signal_unit: String::new(),
        decision: Some(decision),
        coefficients: vec![line.intercept, line.slope, line.tau],
        mu,
        sigma,
        covariance,
        a50: scale.size(mu),
        a90,
        a90_95: bound(0.9).map(|x| scale.size(x)),
        bound: Bound::Wald,
        fit: line.likelihood,
        targets: flaws,
        repeats,
        curve: curve::of(scale, place, bound),
        trials: trials.to_vec(),
        noise: None,
        findings,
        conditions: Vec::new(),
        not_covered: [not_covered(), vec![ASYMPTOTIC.to_owned()]].concat(),
    })
}

pub(super) struct Point {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) censored: Censored,
}

impl Point {
    /// First and second derivative of its part of the likelihood's logarithm by its distance from the line, which is `z` standard
    /// deviations.
    pub(super) fn by_z(&self, z: f64) -> (f64, f64) {
        match self.censored {
            Censored::None => (-z, -1.0),
            Censored::Below => {
                let h = hazard_below(z);
                (h, -h * (z + h))
            }
            Censored::Above => {
                let h = hazard_below(-z);
                (-h, -h * (h - z))
            }
        }
    }
}

/// A fitted line.
pub(super) struct Line {
    intercept: f64,
    slope: f64,
    /// Standard deviation about the line.
    tau: f64,
    /// Covariance of intercept, slope and tau.
    covariance: Matrix3<f64>,
    /// Logarithm of the likelihood.
    likelihood: f64,
}

impl Line {
    /// By Newton's steps, halved until the likelihood grows, from the least-squares line of all heights.
    fn fit(points: &[Point]) -> Result<Self, PodError> {
        // About the middle of the sizes, so that intercept and slope hardly depend on each other.
        let n = points.len() as f64;
        let middle = points.iter().map(|p| p.x).sum::<f64>() / n;
        let y0 = points.iter().map(|p| p.y).sum::<f64>() / n;
        let sxx: f64 = points.iter().map(|p| (p.x - middle).powi(2)).sum();
        let sxy: f64 = points.iter().map(|p| (p.x - middle) * (p.y - y0)).sum();
        let slope = sxy / sxx;
        let spread = |p: &Point| (p.y - y0 - slope * (p.x - middle)).powi(2);
        let tau = (points.iter().map(spread).sum::<f64>() / n).sqrt();
        // A line through every height leaves nothing to be uncertain about.
        let least = 1e-12 * points.iter().map(|p| p.y.abs()).fold(1e-300, f64::max);
        let mut at = Vector3::new(y0, slope, tau.max(least).ln());
        let mut likelihood = Self::likelihood(points, middle, &at);
        for _ in 0..MOST_STEPS {
            let (gradient, information) = Self::slopes(points, middle, &at);
            let step =
                information.lu().solve(&gradient).filter(|s| s.iter().all(|v| v.is_finite()));
            let step = step.ok_or(PodError::NoEnd { steps: MOST_STEPS })?;
            // Uphill in any case: where the surface bends the wrong way the gradient itself is followed.
            let step =
                if step.dot(&gradient) > 0.0 { step } else { gradient / gradient.norm().max(1.0) };
            let mut share = 1.0;
            let better = loop {
                let next = at + step * share;
                let there = Self::likelihood(points, middle, &next);
                if there.is_finite() && there >= likelihood {
                    break Some((next, there));
                }
                share *= 0.5;
                if share < 1e-10 {
                    break None;
                }
            };
            let Some((next, there)) = better else { break };
            let gained = there - likelihood;
            (at, likelihood) = (next, there);
            if gained < 1e-12 * (1.0 + likelihood.abs()) && share > 0.5 {
                break;
            }
        }
        let (_, information) = Self::slopes(points, middle, &at);
        let inverse = information.try_inverse().ok_or(PodError::NoEnd { steps: MOST_STEPS })?;
        let tau = at[2].exp();
        // From intercept at the middle and ln tau to intercept at nought and tau.
        let change = Matrix3::new(1.0, -middle, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, tau);
        Ok(Self {
            intercept: at[0] - at[1] * middle,
            slope: at[1],
            tau,
            covariance: change * inverse * change.transpose(),
            likelihood,
        })
    }

    fn likelihood(points: &[Point], middle: f64, at: &Vector3<f64>) -> f64 {
        let tau = at[2].exp();
        let one = |p: &Point| {
            let z = (p.y - at[0] - at[1] * (p.x - middle)) / tau;
            match p.censored {
                Censored::None => ln_density(z) - at[2],
                Censored::Below => ln_below(z),
                Censored::Above => ln_below(-z),
            }
        };
        points.iter().map(one).sum()
    }

    /// Gradient of the likelihood's logarithm by intercept, slope and ln tau, and minus its second
    /// derivatives.
    fn slopes(points: &[Point], middle: f64, at: &Vector3<f64>) -> (Vector3<f64>, Matrix3<f64>) {
        let tau = at[2].exp();
        let (mut gradient, mut information) = (Vector3::zeros(), Matrix3::zeros());
        for p in points {
            let x = p.x - middle;
            let z = (p.y - at[0] - at[1] * x) / tau;
            let (first, second) = p.by_z(z);
            // z by intercept, slope and ln tau.
            let by = Vector3::new(-1.0 / tau, -x / tau, -z);
            gradient += by * first;
            information -= by * by.transpose() * second;
            // The second derivatives of z itself: by ln tau with each, once more minus.
            let mut bend = Matrix3::zeros();
            bend[(0, 2)] = 1.0 / tau;
            bend[(1, 2)] = x / tau;
            bend[(2, 0)] = 1.0 / tau;
            bend[(2, 1)] = x / tau;
            bend[(2, 2)] = z;
            information -= bend * first;
            if p.censored == Censored::None {
                gradient[2] -= 1.0;
            }
        }
        (gradient, information)
    }

    /// How far a height stands above the line, in standard deviations.
    pub(super) fn off(&self, p: &Point) -> f64 {
        (p.y - self.intercept - self.slope * p.x) / self.tau
    }

    /// Variance of mu, covariance, variance of sigma by the delta method.
    fn of_curve(&self, mu: f64, sigma: f64, repeats: f64) -> [f64; 3] {
        // mu = (threshold - b0) / b1, sigma = tau / b1.
        let by_mu = Vector3::new(-1.0, -mu, 0.0) / self.slope;
        let by_sigma = Vector3::new(0.0, -sigma, 1.0) / self.slope;
        let of =
            |a: &Vector3<f64>, b: &Vector3<f64>| (a.transpose() * self.covariance * b)[0] * repeats;
        [of(&by_mu, &by_mu), of(&by_mu, &by_sigma), of(&by_sigma, &by_sigma)]
    }
}

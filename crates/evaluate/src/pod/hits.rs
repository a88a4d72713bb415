//! Found or missed against size: binary regression by maximum likelihood, with the bound of the likelihood
//! ratio (MIL-HDBK-1823A, appendix G).

use barwright_job::{
    Finding, Topic,
    pod::{Bound, Link, Measured, Pod, Scale, Trial},
};
use nalgebra::{Matrix2, Vector2};

use super::{
    CHI_SQUARE_95, PodError, advised, curve, demand,
    normal::{below, ln_density, quantile},
    not_covered, targets,
};

/// Flaws that the handbook asks for.
const ADVISED: u32 = 60;
const MOST_STEPS: usize = 100;
/// A bound is looked for up to so many widths of the curve above its place.
const FARTHEST: f64 = 400.0;

/// Fits found (`response` 1) or missed (0) against size. The answer leaves `subject`, `unit` and `noise` to be filled
/// in.
///
/// The bound is that of the likelihood ratio, as the handbook's for hit/miss.
///
/// # Errors
/// [`PodError`]: what the data lack; data that a step would fit give no bound, and are refused.
pub fn hit_miss(trials: &[Trial], scale: Scale, link: Link) -> Result<Pod, PodError> {
    demand(trials, scale)?;
    for (k, t) in trials.iter().enumerate() {
        if t.response != 0.0 && t.response != 1.0 {
            return Err(PodError::Number { trial: k + 1, size: t.size, response: t.response });
        }
    }
    let points: Vec<(f64, bool)> =
        trials.iter().map(|t| (scale.of(t.size), t.response == 1.0)).collect();
    demand_overlap(trials)?;
    let model = Model { points: &points, link };
    let (at, likelihood) = model.fit(None)?;
    let (intercept, slope) = (at[0], at[1]);
    if slope <= 0.0 {
        return Err(PodError::NoGrowth { slope });
    }
    let (flaws, repeats) = targets(trials);
    let covariance =
        model.information(&at).try_inverse().ok_or(PodError::NoEnd { steps: MOST_STEPS })?
            * repeats;
    let (mu, sigma) = (-intercept / slope, 1.0 / slope);
    let place = |p: f64| (of_link(link, p) - intercept) / slope;
    let bound = |p: f64| model.bound(p, place(p), sigma, likelihood, repeats);
    let a90 = scale.size(place(0.9));
    let a90_95 = bound(0.9).map(|x| scale.size(x));
    let mut findings = advised(flaws, ADVISED, a90, trials);
    if a90_95.is_none() {
        findings.push(Finding::new(
            Topic::Validity,
            "the data do not bound a90: sizes without end fit them almost as well; add flaws, the large ones too",
        ));
    }
    // By b0, b1 to mu, sigma.
    let change = Matrix2::new(-1.0 / slope, -mu / slope, 0.0, -sigma / slope);
    let v = change * covariance * change.transpose();
    Ok(Pod {
        subject: String::new(),
        unit: String::new(),
        measured: Measured::HitMiss,
        scale,
        link,
        signal_unit: String::new(),
        decision: None,
        coefficients: vec![intercept, slope],
        mu,
        sigma,
        covariance: [v[(0, 0)], v[(0, 1)], v[(1, 1)]],
        a50: scale.size(place(0.5)),
        a90,
        a90_95,
        bound: Bound::LikelihoodRatio,
        fit: -2.0 * likelihood,
        targets: flaws,
        repeats,
        curve: curve::of(scale, place, bound),
        trials: trials.to_vec(),
        noise: None,
        findings,
        conditions: Vec::new(),
        not_covered: not_covered(),
    })
}

/// Refuses data of one kind, and data that a step fits without a fault.
fn demand_overlap(trials: &[Trial]) -> Result<(), PodError> {
    let of = |hit: bool| trials.iter().filter(move |t| (t.response == 1.0) == hit).map(|t| t.size);
    let (hits, misses) = (of(true).count(), of(false).count());
    if hits == 0 || misses == 0 {
        let what = if hits == 0 { "missed" } else { "found" };
        return Err(PodError::OneSided { trials: trials.len(), what });
    }
    let largest_miss = of(false).fold(f64::NEG_INFINITY, f64::max);
    let smallest_hit = of(true).fold(f64::INFINITY, f64::min);
    if largest_miss <= smallest_hit {
        return Err(PodError::Separable { largest_miss, smallest_hit });
    }
    // The other way round a step fits too: detection would fall with size.
    let smallest_miss = of(false).fold(f64::INFINITY, f64::min);
    let largest_hit = of(true).fold(f64::NEG_INFINITY, f64::max);
    if largest_hit <= smallest_miss {
        return Err(PodError::NoGrowth { slope: f64::NEG_INFINITY });
    }
    Ok(())
}

/// The value of the link at a share.
fn of_link(link: Link, p: f64) -> f64 {
    match link {
        Link::Logit => (p / (1.0 - p)).ln(),
        Link::Probit => quantile(p),
        Link::Cloglog => (-(-p).ln_1p()).ln(),
        Link::Loglog => -(-p.ln()).ln(),
    }
}

/// Smallest share and largest that a likelihood is worked out with: beyond, a trial against the curve would weigh
/// without end.
const LEAST_SHARE: f64 = 1e-300;

/// Share at a value of the link, the share that is missing to one, and its slope.
fn share(link: Link, eta: f64) -> (f64, f64, f64) {
    match link {
        Link::Logit => {
            let (p, q) = (1.0 / (1.0 + (-eta).exp()), 1.0 / (1.0 + eta.exp()));
            (p, q, p * q)
        }
        Link::Probit => (below(eta), below(-eta), ln_density(eta).exp()),
        Link::Cloglog => {
            let e = eta.exp();
            (-(-e).exp_m1(), (-e).exp(), (eta - e).exp())
        }
        Link::Loglog => {
            let e = (-eta).exp();
            ((-e).exp(), -(-e).exp_m1(), (-eta - e).exp())
        }
    }
}

struct Model<'a> {
    points: &'a [(f64, bool)],
    link: Link,
}

impl Model<'_> {
    fn likelihood(&self, at: &Vector2<f64>) -> f64 {
        let one = |&(x, hit): &(f64, bool)| {
            let (p, q, _) = share(self.link, at[0] + at[1] * x);
            (if hit { p } else { q }).max(LEAST_SHARE).ln()
        };
        self.points.iter().map(one).sum()
    }

    /// Gradient of the likelihood's logarithm.
    fn gradient(&self, at: &Vector2<f64>) -> Vector2<f64> {
        let one = |&(x, hit): &(f64, bool)| {
            let (p, q, slope) = share(self.link, at[0] + at[1] * x);
            let weight = if hit { slope / p.max(LEAST_SHARE) } else { -slope / q.max(LEAST_SHARE) };
            Vector2::new(1.0, x) * weight
        };
        self.points.iter().map(one).sum()
    }

    /// Expected information.
    fn information(&self, at: &Vector2<f64>) -> Matrix2<f64> {
        let one = |&(x, _): &(f64, bool)| {
            let (p, q, slope) = share(self.link, at[0] + at[1] * x);
            let weight = slope * slope / (p * q).max(LEAST_SHARE);
            Matrix2::new(1.0, x, x, x * x) * weight
        };
        self.points.iter().map(one).sum()
    }

    /// The best curve, by scoring with halved steps; `through`: the value of the link that it must have at a place.
    fn fit(&self, through: Option<(f64, f64)>) -> Result<(Vector2<f64>, f64), PodError> {
        let n = self.points.len() as f64;
        let middle = self.points.iter().map(|p| p.0).sum::<f64>() / n;
        let spread = (self.points.iter().map(|p| (p.0 - middle).powi(2)).sum::<f64>() / n).sqrt();
        let start = 1.0 / spread;
        let mut at = match through {
            None => Vector2::new(-middle * start, start),
            // Through the share of all hits at the middle, so that no trial begins beyond all likelihood.
            Some((x, eta)) => {
                let hits = self.points.iter().filter(|p| p.1).count() as f64;
                let slope = (eta - of_link(self.link, hits / n)) / (x - middle);
                Vector2::new(eta - slope * x, slope)
            }
        };
        let mut likelihood = self.likelihood(&at);
        for _ in 0..MOST_STEPS {
            let (gradient, information) = (self.gradient(&at), self.information(&at));
            let step = match through {
                None => information.lu().solve(&gradient),
                // Along the curves that go through that point: only the slope is free.
                Some((x, _)) => {
                    let along = Vector2::new(-x, 1.0);
                    let weight = (along.transpose() * information * along)[0];
                    (weight > 0.0).then(|| along * (along.dot(&gradient) / weight))
                }
            };
            let step = step.filter(|s| s.iter().all(|v| v.is_finite()));
            let Some(step) = step else { break };
            let mut share = 1.0;
            let better = loop {
                let next = at + step * share;
                let there = self.likelihood(&next);
                if there.is_finite() && there >= likelihood {
                    break Some((next, there));
                }
                share *= 0.5;
                if share < 1e-10 {
                    break None;
                }
            };
            let Some((next, there)) = better else { return Ok((at, likelihood)) };
            let gained = there - likelihood;
            (at, likelihood) = (next, there);
            if gained < 1e-13 * (1.0 + likelihood.abs()) {
                return Ok((at, likelihood));
            }
        }
        Err(PodError::NoEnd { steps: MOST_STEPS })
    }

    /// The largest place of a share that the likelihood still allows; none where it allows every one.
    fn bound(&self, p: f64, best: f64, sigma: f64, likelihood: f64, repeats: f64) -> Option<f64> {
        let eta = of_link(self.link, p);
        let fallen = |x: f64| {
            let (_, there) = self.fit(Some((x, eta))).ok()?;
            Some(2.0 * (likelihood - there) / repeats - CHI_SQUARE_95)
        };
        // Outward until it has fallen enough, then between.
        let (mut low, mut step) = (best, 0.25 * sigma);
        let mut high = loop {
            let next = low + step;
            if next - best > FARTHEST * sigma {
                return None;
            }
            if fallen(next)? >= 0.0 {
                break next;
            }
            (low, step) = (next, step * 1.5);
        };
        // To a billionth of the curve's width.
        while high - low > 1e-9 * sigma {
            let middle = 0.5 * (low + high);
            if fallen(middle)? >= 0.0 { high = middle } else { low = middle }
        }
        Some(0.5 * (low + high))
    }
}

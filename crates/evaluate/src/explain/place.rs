//! Where bar and probes stand, from the mean surface times: the models that compete, and the choice.
//!
//! Every beam that reads its own surface gives one way: how much nearer the surface is than the
//! technique says. A common shift (temperature or path), a bar off centre (first harmonic around the
//! ring) and single probes that moved each add columns to one linear model; all sensible
//! combinations are fitted and weighed by the Bayesian information criterion (Schwarz, Ann. Stat. 6
//! (1978) 461).

use std::collections::BTreeMap;

use barwright_wave::Mode;

use super::{
    Weighed, centre, common, fit,
    moved::{self, Moved},
    seen::{Circle, Seen},
};

/// Least scatter of a beam's mean surface way, in metres: surface echoes at full scale are timed by
/// the middle of their clipped part, which differs from beam to beam by some nanoseconds.
const LEAST_SCATTER_M: f64 = 2.0e-6;
/// Fewest beams with a surface from which anything is told.
const FEWEST_BEAMS: usize = 6;
/// A claim over its standard uncertainty from which it is made.
const LEAST_SIGMAS: f64 = 6.0;
/// The same over what the other probes are off by, that no model explains: with six probes a few
/// degrees of freedom are left.
const LEAST_PROBE_SIGMAS: f64 = 4.0;
/// Most probes that are said to have moved; with more, it is the ring that is off.
const MOST_MOVED: usize = 2;

/// One beam's surface.
#[derive(Debug, Clone, Copy)]
pub(super) struct Way {
    pub beam: usize,
    pub probe: u32,
    /// Direction of its entry from the ring's centre, in rad.
    pub angle_rad: f64,
    /// Angle between the beam's entry and the middle of its probe, in rad.
    pub aside_rad: f64,
    /// Way in the water, one way, in metres.
    pub water_m: f64,
    /// Distance of its entry from the ring's centre, in metres.
    pub radius_m: f64,
    /// How much nearer the surface is than the technique says, in metres.
    pub nearer_m: f64,
    /// Standard uncertainty of that from the scatter of its shots, in metres.
    pub uncertainty_m: f64,
}

/// A combination of causes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Model {
    pub common: Option<common::Kind>,
    pub centre: bool,
    pub moved: Vec<u32>,
}

/// A model with its fit.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub model: Model,
    /// Coefficients: common, then x and y, then one for each moved probe.
    pub x: Vec<f64>,
    /// Their standard uncertainties.
    pub sigma: Vec<f64>,
    /// The criterion; lower is better.
    pub bic: f64,
    /// By how much a probe that did not move is off as a whole, in metres: standard deviation.
    pub probe_scatter_m: f64,
    probes: usize,
}

/// What the surfaces say.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    /// Bar centre against the ring's by the model with all of centre and common.
    pub offset_m: Option<[f64; 2]>,
    /// By how much all probes stand farther out, as far as it is told from warmer water.
    pub outwards_m: f64,
    /// Explanations.
    pub list: Vec<Weighed>,
}

/// The ways of all beams with a surface of their own; a beam's motions are averaged.
pub(super) fn ways(seen: &Seen<'_>) -> Vec<Way> {
    let Some(water) = seen.technique.media.water else {
        return Vec::new();
    };
    let c = water.velocity_m_s;
    seen.technique
        .beams
        .iter()
        .enumerate()
        .filter(|(_, b)| b.mode == Mode::L)
        .filter_map(|(i, b)| {
            let circles: Vec<&Circle> = seen.surface[i].iter().flatten().collect();
            let n = circles.len() as f64;
            let mean_s = circles.iter().map(|c| c.mean_s).sum::<f64>() / n;
            if circles.is_empty() {
                return None;
            }
            let variance: f64 = circles.iter().map(|c| c.variance_s2()).sum();
            let angle_rad = b.axis.entry.angle();
            let aside = seen.probe_middle_rad(b.probe).map_or(0.0, |m| angle_rad - m);
            Some(Way {
                beam: i,
                probe: b.probe,
                angle_rad,
                aside_rad: crate::reading::wrapped(aside),
                water_m: b.surface_time_s * c / 2.0,
                radius_m: b.axis.entry.radius(),
                nearer_m: -mean_s * c / 2.0,
                uncertainty_m: variance.sqrt() / n * c / 2.0,
            })
        })
        .collect()
}

/// Weighs all models.
pub(super) fn places(seen: &Seen<'_>) -> Places {
    let ways = ways(seen);
    if ways.len() < FEWEST_BEAMS {
        return Places::default();
    }
    let y: Vec<f64> = ways.iter().map(|w| w.nearer_m).collect();
    let y = straight(&ways, y);
    let mut probes: Vec<u32> = ways.iter().map(|w| w.probe).collect();
    probes.sort_unstable();
    probes.dedup();
    let Some(sigma) = scatter(&ways, &y, &probes) else {
        return Places::default();
    };
    let mut fitted: Vec<Fitted> =
        models(&probes).into_iter().filter_map(|m| fitted(m, &ways, &y, sigma)).collect();
    fitted.sort_by(|a, b| a.bic.total_cmp(&b.bic));
    let offset = Model { common: Some(common::Kind::Even), centre: true, moved: vec![] };
    let offset_m = fitted
        .iter()
        .filter(|f| f.model.centre && f.model.common.is_some())
        .min_by(|a, b| a.bic.total_cmp(&b.bic))
        .or_else(|| fitted.iter().find(|f| f.model == offset))
        .map(|f| [f.x[1], f.x[2]]);
    // What lies below its detection limit stays in the model, since it is in the data, and is not told.
    let Some(told) = fitted.first() else {
        return Places { offset_m, ..Places::default() };
    };
    let least_m = common::least_m(seen);
    let list = [centre::explain(told, &fitted, &ways), common::explain(told, &fitted, &ways, seen)]
        .into_iter()
        .flatten()
        .chain(moved::explain(told, &fitted, &ways))
        .collect();
    let outwards_m = told
        .common()
        .filter(|c| c.0 == common::Kind::Probes && c.1.abs() >= least_m)
        .map_or(0.0, |c| -c.1);
    Places { offset_m, outwards_m, list }
}

/// Ways with what a bar off centre does in the second order taken out: passing a beam's line by a, the
/// surface stands a²/2r farther from a probe at r.
fn straight(ways: &[Way], mut y: Vec<f64>) -> Vec<f64> {
    let rows: Vec<Vec<f64>> = ways
        .iter()
        .map(|w| {
            let [x, y] = centre::columns(w);
            vec![1.0, x, y]
        })
        .collect();
    if let Some(fit) = fit::weighted(&rows, &y, &vec![1.0; y.len()]) {
        for (y, w) in y.iter_mut().zip(ways) {
            let aside = fit.x[2] * w.angle_rad.cos() - fit.x[1] * w.angle_rad.sin();
            *y += aside * aside / (2.0 * (w.water_m + w.radius_m));
        }
    }
    y
}

/// Scatter about the model that has everything, robustly, in metres.
fn scatter(ways: &[Way], y: &[f64], probes: &[u32]) -> Option<f64> {
    let rows: Vec<Vec<f64>> = ways
        .iter()
        .map(|w| {
            let mut row = centre::columns(w).to_vec();
            row.extend(probes.iter().map(|&p| Moved::column(w, p)));
            row
        })
        .collect();
    let ones = vec![1.0; y.len()];
    let k = rows[0].len();
    // With few beams a probe the full model is not determined: centre and common shift then serve.
    let fit = fit::weighted(&rows, y, &ones).filter(|_| y.len() > 2 * k).or_else(|| {
        let rows: Vec<Vec<f64>> = ways
            .iter()
            .map(|w| {
                let [x, y] = centre::columns(w);
                vec![1.0, x, y]
            })
            .collect();
        fit::weighted(&rows, y, &ones)
    })?;
    let shots =
        crate::reading::median(&mut ways.iter().map(|w| w.uncertainty_m).collect::<Vec<_>>());
    Some(fit::deviation(&fit.residuals, fit.x.len()).max(shots).max(LEAST_SCATTER_M))
}

fn models(probes: &[u32]) -> Vec<Model> {
    let mut moved: Vec<Vec<u32>> = vec![vec![]];
    if probes.len() > MOST_MOVED + 1 {
        for (i, &a) in probes.iter().enumerate() {
            moved.push(vec![a]);
            moved.extend(probes[i + 1..].iter().map(|&b| vec![a, b]));
        }
    }
    let commons = [None, Some(common::Kind::Even), Some(common::Kind::Probes)];
    let mut out = Vec::new();
    for common in commons {
        for centre in [false, true] {
            out.extend(moved.iter().map(|m| Model { common, centre, moved: m.clone() }));
        }
    }
    out
}

fn fitted(model: Model, ways: &[Way], y: &[f64], sigma: f64) -> Option<Fitted> {
    let rows: Vec<Vec<f64>> = ways
        .iter()
        .map(|w| {
            let mut row: Vec<f64> = model.common.iter().map(|kind| kind.column(w)).collect();
            if model.centre {
                row.extend(centre::columns(w));
            }
            row.extend(model.moved.iter().map(|&p| Moved::column(w, p)));
            row
        })
        .collect();
    let k = rows[0].len();
    let fit = if k == 0 {
        fit::Fit { x: vec![], variance: vec![], residuals: y.to_vec() }
    } else {
        fit::robust(&rows, y, sigma)?
    };
    let n = y.len() as f64;
    Some(Fitted {
        bic: fit::loss(&fit.residuals, sigma) + k as f64 * n.ln(),
        sigma: fit.variance.iter().map(|v| sigma * v.sqrt()).collect(),
        probe_scatter_m: probe_scatter_m(&model, k, ways, &fit.residuals),
        probes: by_probe(ways).len(),
        x: fit.x,
        model,
    })
}

/// Numbers of the ways of each probe.
fn by_probe(ways: &[Way]) -> BTreeMap<u32, Vec<usize>> {
    let mut out: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for (i, w) in ways.iter().enumerate() {
        out.entry(w.probe).or_default().push(i);
    }
    out
}

/// Standard deviation of the medians of what is left, over the probes that a model of so many
/// coefficients leaves in their place.
fn probe_scatter_m(model: &Model, coefficients: usize, ways: &[Way], residuals: &[f64]) -> f64 {
    let probes = by_probe(ways);
    let free = probes.len().saturating_sub(coefficients).max(1) as f64;
    let sum: f64 = probes
        .iter()
        .filter(|(p, _)| !model.moved.contains(p))
        .map(|(_, own)| {
            let mut left: Vec<f64> = own.iter().map(|&i| residuals[i]).collect();
            crate::reading::median(&mut left).powi(2)
        })
        .sum();
    (sum / free).sqrt()
}

impl Fitted {
    /// Whether a size stands far enough above its standard uncertainty and above what whole probes are
    /// off by, of which the claim rests on so many.
    pub fn stands(&self, size_m: f64, sigma_m: f64, probes: f64) -> bool {
        let together = self.probe_scatter_m / probes.max(1.0).sqrt();
        size_m.abs() >= LEAST_SIGMAS * sigma_m && size_m.abs() >= LEAST_PROBE_SIGMAS * together
    }

    /// Number of probes with ways.
    pub fn probes(&self) -> f64 {
        self.probes as f64
    }

    /// Coefficient of the common shift in metres nearer.
    pub fn common(&self) -> Option<(common::Kind, f64, f64)> {
        self.model.common.map(|kind| (kind, self.x[0], self.sigma[0]))
    }

    /// Bar centre and the larger standard uncertainty of the two, in metres.
    pub fn centre(&self) -> Option<([f64; 2], f64)> {
        let from = usize::from(self.model.common.is_some());
        self.model
            .centre
            .then(|| ([self.x[from], self.x[from + 1]], self.sigma[from].max(self.sigma[from + 1])))
    }

    /// Each moved probe with its way outwards and standard uncertainty, in metres.
    pub fn moved(&self) -> Vec<(u32, f64, f64)> {
        let from = self.x.len() - self.model.moved.len();
        self.model
            .moved
            .iter()
            .enumerate()
            .map(|(i, &p)| (p, self.x[from + i], self.sigma[from + i]))
            .collect()
    }
}

/// Share of all models' weight that falls on those for which `has` holds.
pub(super) fn confidence(all: &[Fitted], has: impl Fn(&Fitted) -> bool) -> f64 {
    let best = all.first().map_or(0.0, |f| f.bic);
    let weight = |f: &Fitted| (-0.5 * (f.bic - best)).exp();
    let sum: f64 = all.iter().map(weight).sum();
    all.iter().filter(|f| has(f)).map(weight).sum::<f64>() / sum.max(f64::MIN_POSITIVE)
}

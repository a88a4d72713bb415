//! The coverage proof: margins over the section and around the rim, nominal and worst case.

pub(crate) mod draws;
mod rays;
pub(crate) mod round;
mod what_if;
pub(crate) mod words;

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use barwright_job::{
    Finding, Order, Sealed, Station, Technique,
    finding::Topic,
    proof::{Engine, Proof},
    technique::Section,
};

use crate::conditions::{Conditions, tolerance_cases};
use crate::error::{PlanError, Result};
use crate::square;

pub use round::rim_angles;
pub use what_if::{WhatIf, what_if};

/// How a proof is made.
#[derive(Debug, Clone, Copy)]
pub struct ProveOptions<'a> {
    /// Whether the ray answer of a round bar is wanted beside the exact one.
    pub by_rays: bool,
    /// States of bar and water drawn within all tolerances at once, each tried in as many directions as
    /// the ring has probes.
    pub draws: usize,
    /// Seed of the draws.
    pub seed: u64,
    /// Set from elsewhere to stop the work.
    pub cancelled: Option<&'a AtomicBool>,
}

impl Default for ProveOptions<'_> {
    fn default() -> Self {
        Self { by_rays: false, draws: 12, seed: 1, cancelled: None }
    }
}

impl ProveOptions<'_> {
    /// An error once the work is to stop.
    pub(crate) fn go_on(&self) -> Result<()> {
        match self.cancelled {
            Some(flag) if flag.load(Ordering::Relaxed) => Err(PlanError::Cancelled),
            _ => Ok(()),
        }
    }
}

/// Counts places that are done and reports the share: a hundred reports are enough for any bar on a screen.
pub(crate) fn each_hundredth<'a>(
    total: usize,
    progress: &'a (dyn Fn(f32) + Sync),
) -> impl Fn() + Sync + 'a {
    let done = AtomicUsize::new(0);
    move || {
        let n = done.fetch_add(1, Ordering::Relaxed) + 1;
        if n.is_multiple_of((total / 100).max(1)) || n == total {
            progress(n as f32 / total as f32);
        }
    }
}

/// Proves what a technique covers, on the first passage of each beam: round bars in water by the exact
/// field, others by rays.
///
/// For each flaw class of the order: the margin in dB over the alarm height at each place, of as many shots
/// as must agree, at the worst place along the bar between two pulses; nominal, and worst over the
/// tolerances one at a time, with laws, gates and gains kept and the surface echo followed. Coverage over
/// drawn deviations, all tolerances at once, stands beside it. Places that no beam reaches, that were not
/// computed or where the engine doubts itself count as unseen. `progress` gets the share done, 0 to 1, from
/// any thread. The result does not depend on the number of threads.
///
/// # Errors
/// [`crate::PlanError::Document`] when the technique was made for another order or station;
/// [`crate::PlanError::Wave`] where the physics cannot answer at all; [`crate::PlanError::Cancelled`].
pub fn prove(
    order: &Order,
    station: &Station,
    technique: &Sealed<Technique>,
    options: &ProveOptions<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sealed<Proof>> {
    technique.demand("technique", "order", &order.hash())?;
    technique.demand("technique", "station", &station.hash())?;
    let t = &technique.body;
    if matches!(t.section, Section::Square { .. }) {
        return square::proof::prove(order, station, technique, options, progress);
    }
    let nominal = Conditions::nominal(t)?;
    let cases = tolerance_cases(order, station, &nominal)?;
    let exact = matches!(t.section, Section::Round { .. }) && t.media.water.is_some();
    let mut findings = Vec::new();
    let mut by_rays = Vec::new();
    let classes = if exact {
        let share = if options.by_rays { 0.5 } else { 1.0 };
        let own = |x: f32| progress(x * share);
        let classes = round::classes(order, station, t, &nominal, &cases, options, &own)?;
        if options.by_rays {
            by_rays = rays::classes(order, t, &nominal, &cases, options, &|x| {
                progress(0.5 + 0.5 * x);
            })?;
        }
        classes
    } else {
        findings.push(Finding::new(
            Topic::Validity,
            "rays: within two wavelengths of the surface and near a critical incidence the field is \
             0.2 to 4 dB off; tolerances are varied one at a time",
        ));
        rays::classes(order, t, &nominal, &cases, options, progress)?
    };
    let met = classes.iter().all(|c| c.worst >= c.ordered);
    findings.splice(0..0, classes.iter().filter_map(words::uncovered));
    if exact && classes.iter().any(|c| c.class == barwright_job::proof::ProvedClass::Crack) {
        findings.push(Finding::new(
            Topic::Validity,
            "cracks by the model of their corner with the surface, for one that is straight, square to the \
             surface and as long as the shortest flaw",
        ));
    }
    let proof = Proof {
        engine: if exact { Engine::Exact } else { Engine::Ray },
        classes,
        tolerances: cases.iter().map(|c| c.words.clone()).collect(),
        met,
        findings,
        by_rays,
    };
    Ok(Sealed::seal(
        proof,
        [
            ("order", order.hash()),
            ("station", station.hash()),
            ("technique", technique.hash.clone()),
        ],
    ))
}

//! Loss of the back wall: where a beam's wall echo falls below what is usual for it on the bar.
//!
//! What is usual is the upper quartile over the bar, so that a bar bad over a good part still shows
//! it. Shots without coupling do not count: their stretch is not inspected.

use std::collections::BTreeMap;

use barwright_job::{
    Technique,
    screened::{Echo, EchoMark},
    technique::GateKind,
};

use crate::{
    reading::{db, quantile},
    stretch::{Stretch, union},
};

/// A stretch over which a back wall is lost.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Loss {
    pub from_m: f64,
    pub to_m: f64,
    /// Largest loss, in dB below the beam's usual height.
    pub loss_db: f64,
    pub beams: Vec<u32>,
}

/// Stretches of at least `over_m` over which some beam loses more than `most_db`, along the bar.
pub(crate) fn losses(
    technique: &Technique,
    echoes: &[Echo],
    most_db: f64,
    over_m: f64,
) -> Vec<Loss> {
    let mut walls: BTreeMap<u32, Vec<(f64, f64)>> = BTreeMap::new();
    for e in echoes.iter().filter(|e| e.mark != EchoMark::CouplingLost) {
        let gate = technique.beams.get(e.beam as usize).and_then(|b| b.gates.get(e.gate as usize));
        if gate.is_some_and(|g| g.kind == GateKind::BackWall) {
            walls.entry(e.beam).or_default().push((e.z_m, f64::from(e.height_fsh)));
        }
    }
    let mut found: Vec<Loss> = Vec::new();
    for (beam, mut wall) in walls {
        wall.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut heights: Vec<f64> = wall.iter().map(|w| w.1).collect();
        let usual = quantile(&mut heights, 0.75);
        let mut run: Option<Loss> = None;
        for (z_m, height) in wall {
            let loss_db = -db(height.max(1e-6) / usual.max(1e-6));
            if loss_db > most_db {
                let now =
                    run.get_or_insert(Loss { from_m: z_m, to_m: z_m, loss_db, beams: vec![beam] });
                now.to_m = z_m;
                now.loss_db = now.loss_db.max(loss_db);
            } else {
                found.extend(run.take());
            }
        }
        found.extend(run);
    }
    // A shot stands for the way to the next one.
    let step = technique.pulse_spacing_m;
    found.retain(|l| l.to_m - l.from_m + step >= over_m);
    let whole = union(found.iter().map(|l| Stretch::new(l.from_m, l.to_m + step)).collect());
    whole
        .into_iter()
        .map(|s| {
            let here = found.iter().filter(|l| l.from_m < s.to_m && l.to_m >= s.from_m);
            let mut beams: Vec<u32> = here.clone().flat_map(|l| l.beams.clone()).collect();
            beams.sort_unstable();
            beams.dedup();
            let loss_db = here.map(|l| l.loss_db).fold(0.0, f64::max);
            Loss { from_m: s.from_m, to_m: s.to_m, loss_db, beams }
        })
        .collect()
}

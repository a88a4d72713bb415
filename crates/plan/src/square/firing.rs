//! Which beams of a square may fire at the same moment, and what a firing hears of the ones before.

use std::f64::consts::PI;

use barwright_job::technique::{Beam, Section};
use barwright_wave::Mode;

use crate::bench::Bench;
use crate::echo::db;
use crate::response::Aperture;

/// Whether two beams of different probes may fire at the same moment; always for other sections than
/// squares.
///
/// Facing probes never do: what one sends arrives in the other's gate straight through. Shear beams of
/// neighbouring probes do not either: both are on their way to the same corner of crack and face, and
/// the one's mirror image of a crack runs to the other. Longitudinal beams of neighbouring probes cross
/// at a right angle and may.
#[must_use]
pub fn may_fire_together(bench: &Bench<'_>, a: &Beam, b: &Beam) -> bool {
    if !matches!(bench.nominal.section, Section::Square { .. }) {
        return true;
    }
    let probes = bench.probes.len() as u32;
    let facing = a.probe != b.probe && (a.probe + probes / 2) % probes == b.probe;
    !facing && a.probe != b.probe && (a.mode, b.mode) == (Mode::L, Mode::L)
}

/// Inward normal, an angle in rad, of the face that a beam of a square enters; `None` for other
/// sections.
#[must_use]
pub fn inward_rad(bench: &Bench<'_>, beam: &Beam) -> Option<f64> {
    if !matches!(bench.nominal.section, Section::Square { .. }) {
        return None;
    }
    Some(Aperture::of_beam(&bench.probes, beam).elements.first()?.facing_rad)
}

/// Firings of shear beams between those of longitudinal ones, as evenly as their numbers allow, so that
/// what runs between two faces dies away meanwhile.
#[must_use]
pub fn between(straight: Vec<Vec<u32>>, aside: Vec<Vec<u32>>) -> Vec<Vec<u32>> {
    let (n, m) = (straight.len(), aside.len());
    let mut aside = aside.into_iter();
    let mut order = Vec::with_capacity(n + m);
    let mut placed = 0;
    for (i, firing) in straight.into_iter().enumerate() {
        order.push(firing);
        while placed < (i + 1) * m / n {
            order.extend(aside.next());
            placed += 1;
        }
    }
    order.extend(aside);
    order
}

/// What beam `b` loses, in dB re the first echo of the far wall in `a`, of what `a` leaves between two
/// flat faces after so many trips there and back: the beam widens from its own width w by λ/w of its
/// way, and where `b` stands aside both patterns count by their envelope 1/(π u), u = w sin(angle) / λ.
/// Nought for other sections.
#[must_use]
pub fn aside_db(bench: &Bench<'_>, a: &Beam, b: &Beam, trips: f64) -> f64 {
    let Some(inward) = inward_rad(bench, a) else { return 0.0 };
    let between = b.axis.entry - a.axis.entry;
    let aside = (between.y * inward.cos() - between.x * inward.sin()).abs();
    let lambda = a.axis.velocity_m_s / bench.pulse.centre_hz;
    let width = |beam: &Beam| {
        let elements = Aperture::of_beam(&bench.probes, beam).elements;
        elements.iter().map(|e| e.width_m).sum::<f64>().max(1e-4)
    };
    let way = |trips: f64| 2.0 * trips.max(1.0) * a.axis.reach_m;
    let wide = |trips: f64| width(a) + way(trips) * lambda / width(a);
    let widened = -10.0 * (wide(trips) / wide(1.0)).log10();
    let loss = |beam: &Beam| {
        // Within the own width there is no loss.
        let angle = (aside - width(beam) / 2.0).max(0.0).atan2(way(trips));
        let u = PI * width(beam) * angle.sin() / lambda;
        if u <= 1.0 { 0.0 } else { -db(u) }
    };
    widened + loss(a) + loss(b)
}

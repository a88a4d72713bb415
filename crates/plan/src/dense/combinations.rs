//! Which tolerances go together: a grid of ends and middles, then draws.

use barwright_job::{Order, Station, order::SectionSpec, station::Coupling};
use rand::SeedableRng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::conditions::{Conditions, off_centre_m};
use crate::error::Result;
use crate::proof::draws::{Drawn, Numbers, state};

/// Parts of a disc's tilt that are tried: levels of flaws are computed once for each.
const TILTS: f64 = 4.0;

/// One combination of tolerances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Combination(Numbers);

impl Combination {
    /// The state in each of so many directions.
    pub fn state(
        &self,
        order: &Order,
        station: &Station,
        nominal: &Conditions,
        directions: usize,
    ) -> Result<Drawn> {
        state(order, station, nominal, directions, &self.0)
    }
}

/// So many combinations: those of the grid first (as many of them as are wanted), then draws. Directions and
/// draws follow from the seed; a combination does not depend on how many follow it.
pub(super) fn all(order: &Order, station: &Station, count: usize, seed: u64) -> Vec<Combination> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut all = Vec::with_capacity(count);
    for point in grid(order, station).into_iter().take(count) {
        // Directions are drawn for the grid too.
        let Numbers { direction, .. } = Numbers::draw(&mut random);
        all.push(Combination(Numbers { direction, ..point }));
    }
    while all.len() < count {
        let drawn = Numbers::draw(&mut random);
        let tilt = (drawn.tilt.abs() * TILTS).round() / TILTS;
        all.push(Combination(Numbers { tilt, ..drawn }));
    }
    all
}

/// Ends and middles of size, water and velocity; round and out of round; half-way and all the way off centre;
/// an element lost or not; the disc turned as far as it may be. What has no tolerance stays as it is.
fn grid(order: &Order, station: &Station) -> Vec<Numbers> {
    let three = |tolerance: f64| if tolerance > 0.0 { vec![-1.0, 0.0, 1.0] } else { vec![0.0] };
    let (size, oval) = match order.section {
        SectionSpec::Round(round) => (round.tolerance_mm, round.ovality_mm),
        _ => (0.0, 0.0),
    };
    let kelvin = match station.coupling {
        Coupling::Water(water) => water.tolerance_k,
        _ => 0.0,
    };
    let shapes = if oval > 0.0 { vec![0.0, 1.0] } else { vec![0.0] };
    // The area within half of the way is a quarter of the circle's.
    let offs = if off_centre_m(order, station) > 0.0 { vec![-0.5, 1.0] } else { vec![-1.0] };
    let mut grid = Vec::new();
    for lost in [-1.0, 1.0] {
        for &off in offs.iter().rev() {
            for &shape in shapes.iter().rev() {
                for &size in &three(size) {
                    for &warm in &three(kelvin) {
                        for &fast in &three(order.steel.velocity_tolerance_percent) {
                            let (tilt, direction) = (1.0, 0.0);
                            grid.push(Numbers {
                                off,
                                size,
                                warm,
                                fast,
                                shape,
                                tilt,
                                lost,
                                direction,
                            });
                        }
                    }
                }
            }
        }
    }
    grid
}

//! The places of a margin map one by one, whatever its form: for tables, files and sums.

use std::f64::consts::TAU;

use barwright_job::{proof::MarginMap, technique::Section};
use barwright_wave::Point;

/// One place of a margin map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MapPlace {
    /// Where it is, in section coordinates.
    pub at: Point,
    /// Margin with everything nominal, in dB re alarm height; absent where nothing is seen.
    pub nominal_db: Option<f32>,
    /// Worst margin over the tolerances, in dB re alarm height; absent where nothing is seen.
    pub worst_db: Option<f32>,
    /// Whether the order asks for the class here.
    pub asked: bool,
    /// What the place stands for: area in m², on a rim its share of the circumference.
    pub weight: f64,
}

impl MapPlace {
    /// Whether the ordered flaw is under the alarm height here at worst, or not reached.
    #[must_use]
    pub fn unseen_at_worst(&self) -> bool {
        self.worst_db.is_none_or(|db| db.is_nan() || db < 0.0)
    }
}

/// The places of a map in the order of its own index. Places of a grid outside the section are left
/// out; where lists are shorter than the map says, the missing values count as not seen.
#[must_use]
pub fn places(map: &MarginMap, section: &Section) -> Vec<MapPlace> {
    match map {
        MarginMap::Grid { x0_m, y0_m, step_m, nx, nominal_db, worst_db, asked, .. } => {
            let nx = (*nx).max(1);
            (0..asked.len())
                .filter_map(|i| {
                    let at = Point::new(
                        x0_m + (i % nx) as f64 * step_m,
                        y0_m + (i / nx) as f64 * step_m,
                    );
                    // Rounding must not drop a place on the surface itself.
                    (section.depth_m(at) >= -1e-9).then(|| MapPlace {
                        at,
                        nominal_db: value(nominal_db, i),
                        worst_db: value(worst_db, i),
                        asked: asked[i],
                        weight: step_m * step_m,
                    })
                })
                .collect()
        }
        MarginMap::Polar { radii_m, angles, nominal_db, worst_db, asked } => {
            let angles = (*angles).max(1);
            let edges = ring_edges(radii_m, section.half_extent_m());
            (0..asked.len())
                .filter_map(|i| {
                    let radius = *radii_m.get(i / angles)?;
                    let [inner, outer] = *edges.get(i / angles)?;
                    let angle = TAU * (i % angles) as f64 / angles as f64;
                    Some(MapPlace {
                        at: Point::polar(radius, angle),
                        nominal_db: value(nominal_db, i),
                        worst_db: value(worst_db, i),
                        asked: asked[i],
                        weight: TAU / 2.0 * (outer * outer - inner * inner) / angles as f64,
                    })
                })
                .collect()
        }
        MarginMap::Rim { nominal_db, worst_db } => {
            let n = nominal_db.len().max(worst_db.len());
            (0..n)
                .map(|i| MapPlace {
                    at: Point::polar(section.half_extent_m(), TAU * i as f64 / n as f64),
                    nominal_db: value(nominal_db, i),
                    worst_db: value(worst_db, i),
                    asked: true,
                    weight: 1.0 / n as f64,
                })
                .collect()
        }
    }
}

fn value(list: &[Option<f32>], i: usize) -> Option<f32> {
    list.get(i).copied().flatten()
}

/// Inner and outer radius in metres of what each ring stands for: halfway to its neighbours, the
/// first down to the centre where it lies within one step of it, the last half a step further but
/// not outside the bar. A ring alone stands for a fortieth of the bar's radius on either side.
pub(crate) fn ring_edges(radii_m: &[f64], bar_radius_m: f64) -> Vec<[f64; 2]> {
    let step = |i: usize| match (radii_m.get(i), radii_m.get(i + 1)) {
        (Some(a), Some(b)) => b - a,
        _ => bar_radius_m / 20.0,
    };
    let last = radii_m.len().saturating_sub(1);
    radii_m
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let below = step(i.saturating_sub(1));
            let inner = match i {
                0 if *r <= below * 1.001 => 0.0,
                _ => (r - below / 2.0).max(0.0),
            };
            let above = if i == last { below } else { step(i) };
            [inner, (r + above / 2.0).min(bar_radius_m.max(*r))]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: rings that fill a circle have its area, and no place is counted twice.
    #[test]
    fn rings_share_the_area_of_the_circle() {
        let radii_m: Vec<f64> = (0..=20).map(|i| f64::from(i) * 0.001).collect();
        let n = radii_m.len() * 48;
        let map = MarginMap::Polar {
            radii_m,
            angles: 48,
            nominal_db: vec![Some(1.0); n],
            worst_db: vec![None; n],
            asked: vec![true; n],
        };
        let all = places(&map, &Section::Round { radius_m: 0.02 });
        let area: f64 = all.iter().map(|p| p.weight).sum();
        // Sums of a thousand numbers round at 1e-13.
        assert!((area / (TAU / 2.0 * 0.02f64.powi(2)) - 1.0).abs() < 1e-12, "{area}");
        assert!(all.iter().all(MapPlace::unseen_at_worst));
    }

    // Property: lists that disagree in length give what there is and no panic.
    #[test]
    fn short_lists_are_not_seen() {
        let map = MarginMap::Polar {
            radii_m: vec![0.001],
            angles: 0,
            nominal_db: vec![],
            worst_db: vec![Some(3.0)],
            asked: vec![true; 5],
        };
        let all = places(&map, &Section::Round { radius_m: 0.02 });
        assert_eq!(all.len(), 1);
        assert_eq!((all[0].nominal_db, all[0].worst_db), (None, Some(3.0)));
    }
}

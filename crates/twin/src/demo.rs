//! The demo's scene: a lot with the flaws of the trade in some of its bars.

use barwright_job::Order;
use rand::RngExt;

use crate::noise::generator;
use crate::scene::{
    CentrePipe, CouplingLoss, Crack, Disc, FORMAT, Flaw, MissedCycles, Scene, SceneBar,
    StationFaults,
};

/// A scene for a round order: one bar for each of the order's, most of them clean.
///
/// Discs of 0.7 to 2 mm at several depths, a centre pipe, surface cracks of 0.2 to 1 mm, a stretch
/// without coupling, missed cycles. Flaws keep a tenth of the bar away from its ends, where bars
/// are not guided. The seed moves them around and along the bar.
#[must_use]
pub fn demo_scene(seed: u64, order: &Order) -> Scene {
    let mut place = Places {
        random: generator(seed, "demo scene"),
        length_mm: order.bars.length_mm,
        radius_mm: order.section().half_extent_m() * 1e3,
    };
    let mut bars: Vec<SceneBar> = (1..=order.bars.count)
        .map(|number| SceneBar {
            name: format!("{number:02}"),
            flaws: Vec::new(),
            coupling_losses: Vec::new(),
            missed_cycles: Vec::new(),
        })
        .collect();
    let mut add = |number: usize, flaws: Vec<Flaw>| {
        if let Some(bar) = bars.get_mut(number - 1) {
            bar.flaws = flaws;
        }
    };
    add(3, vec![place.crack(0.5, 30.0, 0.42)]);
    add(5, vec![place.disc(1.2, 0.55, 0.31, 0.0)]);
    add(7, vec![place.pipe(1.5, 0.55, 0.64)]);
    add(9, vec![place.crack(0.2, 15.0, 0.25), place.crack(0.3, 20.0, 0.7)]);
    add(11, vec![place.disc(0.7, 0.35, 0.2, 0.0), place.disc(2.0, 0.6, 0.8, 0.0)]);
    add(
        15,
        vec![
            place.disc(1.0, 0.7, 0.5, 0.0),
            place.disc(1.4, 0.45, 0.506, 0.0),
            place.crack(0.7, 25.0, 0.73),
        ],
    );
    add(18, vec![place.crack(1.0, 40.0, 0.36)]);
    add(22, vec![place.disc(1.5, 0.1, 0.28, 0.0), place.disc(1.5, 0.5, 0.6, 5.0)]);
    let length_mm = order.bars.length_mm;
    if let Some(bar) = bars.get_mut(12) {
        let from_mm = 0.4 * length_mm;
        bar.coupling_losses =
            vec![CouplingLoss { from_mm, to_mm: from_mm + 120.0, probe: Some(2) }];
    }
    if let Some(bar) = bars.get_mut(19) {
        bar.missed_cycles = vec![MissedCycles { at_mm: 0.65 * length_mm, cycles: 6 }];
    }
    Scene { format: FORMAT, seed, station: StationFaults::ordinary(), bars }
}

/// Draws places: given along the bar as a share of its length, varied a little.
struct Places {
    random: rand_xoshiro::Xoshiro256PlusPlus,
    length_mm: f64,
    radius_mm: f64,
}

impl Places {
    fn along(&mut self, share: f64) -> f64 {
        // The same variation for flaws of one bar would need a common draw; 0.2 % of the bar keeps
        // neighbours neighbours.
        let moved = share + self.random.random_range(-0.001..0.001);
        tenth(moved.clamp(0.1, 0.9) * self.length_mm)
    }

    fn angle(&mut self) -> f64 {
        self.random.random_range(0.0_f64..360.0).floor()
    }

    fn disc(&mut self, diameter_mm: f64, radius_share: f64, z_share: f64, tilt_deg: f64) -> Flaw {
        Flaw::Disc(Disc {
            diameter_mm,
            radius_mm: tenth(radius_share * self.radius_mm),
            angle_deg: self.angle(),
            z_mm: self.along(z_share),
            tilt_deg,
        })
    }

    fn pipe(&mut self, diameter_mm: f64, from: f64, to: f64) -> Flaw {
        Flaw::CentrePipe(CentrePipe {
            diameter_mm,
            from_mm: self.along(from),
            to_mm: self.along(to),
        })
    }

    fn crack(&mut self, depth_mm: f64, length_mm: f64, z_share: f64) -> Flaw {
        Flaw::Crack(Crack {
            depth_mm,
            length_mm,
            angle_deg: self.angle(),
            z_mm: self.along(z_share),
        })
    }
}

fn tenth(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order() -> Order {
        let text = include_str!("../../../examples/order-round-42.toml");
        Order::from_toml("order", text).expect("the demo's order")
    }

    // Truth: property. The written scene reads back; flaws keep away from the ends; most bars are
    // clean; the seed decides.
    #[test]
    fn the_demo_is_a_lot_as_mills_see_it() {
        let scene = demo_scene(7, &order());
        assert_eq!(Scene::from_toml("scene", &scene.to_toml()).expect("its own text"), scene);
        assert_eq!(scene.bars.len(), 24);
        let flawed: Vec<&SceneBar> = scene.bars.iter().filter(|b| !b.flaws.is_empty()).collect();
        assert!(flawed.len() < 12 && flawed.iter().any(|b| b.flaws.len() > 1));
        for [from, to] in flawed.iter().flat_map(|b| &b.flaws).map(Flaw::stretch_mm) {
            assert!(from > 200.0 && to < 2800.0, "{from} to {to}");
        }
        assert_eq!(scene, demo_scene(7, &order()));
        assert_ne!(scene, demo_scene(8, &order()));
    }
}

//! Plans and proves the orders of square bars and prints a table; a side in mm picks one.
use std::time::Instant;

use barwright_job::{Order, Rules, Station};

const SMALL: &str = include_str!("../../../examples/station-square-20-120.toml");
const LARGE: &str = include_str!("../../../examples/station-square-50-200.toml");
const RULES: &str = include_str!("../../../examples/rules-th-k2.toml");
const ORDERS: [(u32, &str, &str); 6] = [
    (20, include_str!("../../../examples/order-square-20.toml"), SMALL),
    (50, include_str!("../../../examples/order-square-50.toml"), SMALL),
    (100, include_str!("../../../examples/order-square-100.toml"), SMALL),
    (120, include_str!("../../../examples/order-square-120.toml"), SMALL),
    (150, include_str!("../../../examples/order-square-150.toml"), LARGE),
    (200, include_str!("../../../examples/order-square-200.toml"), LARGE),
];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let wanted: Vec<u32> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let rules = Rules::from_toml("rules", RULES)?;
    for (side, order, station) in ORDERS {
        if !wanted.is_empty() && !wanted.contains(&side) {
            continue;
        }
        let (order, station) =
            (Order::from_toml("order", order)?, Station::from_toml("station", station)?);
        let start = Instant::now();
        let sealed = match barwright_plan::technique(&order, &station, &rules) {
            Ok(technique) => technique,
            Err(e) => {
                println!("{side} mm: {e} ({:.1} s)", start.elapsed().as_secs_f64());
                continue;
            }
        };
        let planned_s = start.elapsed().as_secs_f64();
        let t = &sealed.body;
        println!(
            "{side} mm: {} beams, {} firings of {:.1} us, {:.3} m/s, pulses {:.2} mm apart, {planned_s:.1} s",
            t.beams.len(),
            t.schedule.firings.len(),
            t.schedule.period_s / t.schedule.firings.len() as f64 * 1e6,
            t.line_speed_m_s,
            t.pulse_spacing_m * 1e3,
        );
        for l in &t.limits {
            println!(
                "  {} {}: {} | {}",
                if l.binds { "*" } else { " " },
                l.rule,
                l.figure,
                l.allowed
            );
        }
        let start = Instant::now();
        let proof = barwright_plan::prove(
            &order,
            &station,
            &sealed,
            &barwright_plan::proof::ProveOptions::default(),
            &|_| {},
        )?
        .body;
        println!("  proof {:.1} s, met {}", start.elapsed().as_secs_f64(), proof.met);
        for c in &proof.classes {
            println!(
                "  {:?}: nominal {:.2} %, worst {:.2} %, ordered {:.0} %, doubted {:.2} %; {}",
                c.class,
                c.nominal * 100.0,
                c.worst * 100.0,
                c.ordered * 100.0,
                c.doubted * 100.0,
                c.weakest.cause
            );
        }
    }
    Ok(())
}

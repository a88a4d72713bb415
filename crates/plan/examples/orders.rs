//! Firing orders of the round example and of variants: period, lower bound, plain order, time; with
//! `dense`, of three times as many beams.
use std::time::Instant;

use barwright_job::{Order, Rules, Station, order::SectionSpec};
use barwright_plan::{bench::Bench, schedule};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let rules = Rules::from_toml("rules", include_str!("../../../examples/rules-th-k2.toml"))?;
    let dense = std::env::args().any(|a| a == "dense");
    println!("mm  apertures beams firings period_ms bound_ms over greedy_ms seconds faults bound");
    for diameter_mm in [42.0, 20.0, 36.0] {
        let mut order =
            Order::from_toml("order", include_str!("../../../examples/order-round-42.toml"))?;
        if let SectionSpec::Round(r) = &mut order.section {
            r.diameter_mm = diameter_mm;
        }
        let mut station =
            Station::from_toml("station", include_str!("../../../examples/station-line-2.toml"))?;
        let technique = match barwright_plan::technique(&order, &station, &rules) {
            Ok(t) => t.body,
            Err(e) => {
                println!("{diameter_mm} mm: {e}");
                continue;
            }
        };
        let mut beams = technique.beams.clone();
        if dense {
            // As many again turned by a third and two thirds of a degree: no technique, but as much
            // work as 270 beams make.
            for third in [1.0, 2.0] {
                for beam in &technique.beams {
                    let mut beam = beam.clone();
                    let turn = f64::to_radians(third / 3.0);
                    beam.id = beams.len() as u32;
                    beam.axis.entry = beam.axis.entry.rotated(turn);
                    beam.axis.direction_rad += turn;
                    beams.push(beam);
                }
            }
        }
        for apertures in [1, 2, 3, 6] {
            station.electronics.parallel_apertures = apertures;
            let bench = Bench::new(&order, &station, &rules)?;
            let start = Instant::now();
            let timed = schedule::make(&bench, &beams, &technique.record);
            let seconds = start.elapsed().as_secs_f64();
            let faults = schedule::faults(&bench, &beams, &technique.record, &timed.schedule);
            println!(
                "{diameter_mm} {apertures} {:3} {:3} {:7.3} {:7.3} {:5.2} % {:7.3} {seconds:.2} {} {}",
                beams.len(),
                timed.schedule.firings.len(),
                timed.schedule.period_s * 1e3,
                timed.bound.period_s * 1e3,
                (timed.schedule.period_s / timed.bound.period_s - 1.0) * 100.0,
                timed.greedy_s * 1e3,
                faults.len(),
                timed.bound.words,
            );
        }
    }
    Ok(())
}

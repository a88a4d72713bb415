//! Times quick looks at one change: `quick_look RULES STATION ORDER`.
use std::time::Instant;

use barwright_job::{Order, Rules, Station};
use barwright_plan::{WhatIf, technique, what_if};
use barwright_wave::Point;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let mut read = || -> Result<(String, String), Box<dyn std::error::Error>> {
        let path = arguments.next().ok_or("quick_look RULES STATION ORDER")?;
        let text = std::fs::read_to_string(&path)?;
        Ok((path, text))
    };
    let (rules, station, order) = (read()?, read()?, read()?);
    let rules = Rules::from_toml(&rules.0, &rules.1)?;
    let station = Station::from_toml(&station.0, &station.1)?;
    let order = Order::from_toml(&order.0, &order.1)?;
    let technique = technique(&order, &station, &rules)?.body;
    for (words, what) in [
        ("nothing", WhatIf::default()),
        ("water 5 K warmer", WhatIf { temperature_c: Some(27.0), ..WhatIf::default() }),
        ("water path 1 mm longer", WhatIf { water_path_m: 1e-3, ..WhatIf::default() }),
        ("0.5 mm off centre", WhatIf { centre: Point::new(5e-4, 0.0), ..WhatIf::default() }),
    ] {
        let mut best = f64::INFINITY;
        let mut covered = Vec::new();
        for _ in 0..5 {
            let start = Instant::now();
            let classes = what_if(&order, &technique, &what)?;
            best = best.min(start.elapsed().as_secs_f64());
            covered = classes.iter().map(|c| (c.class, c.nominal)).collect();
        }
        println!("{words}: {:.0} ms, {covered:?}", best * 1e3);
    }
    Ok(())
}

//! Firing order of one order: firings of each kind against what they need at least, period and bound:
//! `firings RULES STATION ORDER...`.
use barwright_job::{Order, Rules, Station};
use barwright_plan::{
    bench::Bench,
    schedule::{self, groups::Together, lags::Between, view::View},
};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let mut next = || arguments.next().ok_or("firings RULES STATION ORDER...");
    let (rules, station) = (next()?, next()?);
    let rules = Rules::from_toml(&rules, &std::fs::read_to_string(&rules)?)?;
    let station = Station::from_toml(&station, &std::fs::read_to_string(&station)?)?;
    for path in arguments {
        let order = Order::from_toml(&path, &std::fs::read_to_string(&path)?)?;
        let sealed = barwright_plan::technique(&order, &station, &rules)?;
        let t = &sealed.body;
        let ring = station.rings.iter().find(|r| r.name == t.ring).ok_or("a ring")?;
        let bench = Bench::on(&order, &station, &rules, ring)?;
        let views: Vec<View> = t.beams.iter().map(|b| View::of(&bench, b)).collect();
        let between = Between::of(&bench, &views);
        let apertures = station.electronics.parallel_apertures as usize;
        let channels = station.electronics.channels.map_or(u64::MAX, u64::from);
        let together = Together::new(&views, &between, apertures, channels);
        println!("{}: {} beams", t.name, t.beams.len());
        for kind in together.kinds() {
            let most = together.grouped(&kind).iter().map(Vec::len).max();
            println!(
                "  {:?}: {} beams, grouped in {}, at least {}, clique {}, most together {most:?}",
                views[kind[0]].mode,
                kind.len(),
                together.grouped(&kind).len(),
                together.least(&kind),
                together.clique(&kind).len(),
            );
        }
        let timed = schedule::make(&bench, &t.beams, &t.record);
        println!(
            "  {} firings, period {:.3} ms, bound {:.3} ms ({}), {:.1} % over, wait {:.1} to {:.1} us",
            timed.schedule.firings.len(),
            timed.schedule.period_s * 1e3,
            timed.bound.period_s * 1e3,
            timed.bound.words,
            (timed.schedule.period_s / timed.bound.period_s - 1.0) * 1e2,
            timed.shortest_wait_s * 1e6,
            timed.longest_wait_s * 1e6,
        );
    }
    Ok(())
}

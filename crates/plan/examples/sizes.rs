//! Plans and proves orders on a station and prints one line of a table for each:
//! `sizes RULES STATION ORDER...`.
use std::time::Instant;

use barwright_job::{Order, Rules, Station, order::SectionSpec, proof::ClassProof};
use barwright_plan::{PlanError, ProveOptions, prove, technique};
use barwright_wave::Mode;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let mut next = || arguments.next().ok_or("sizes RULES STATION ORDER...");
    let (rules, station) = (next()?, next()?);
    let rules = Rules::from_toml(&rules, &std::fs::read_to_string(&rules)?)?;
    let station = Station::from_toml(&station, &std::fs::read_to_string(&station)?)?;
    for path in arguments {
        let order = Order::from_toml(&path, &std::fs::read_to_string(&path)?)?;
        println!("{}", line(&order, &station, &rules)?);
    }
    Ok(())
}

fn line(order: &Order, station: &Station, rules: &Rules) -> Result<String, PlanError> {
    let size = match order.section {
        SectionSpec::Round(r) => format!("round {} mm", r.diameter_mm),
        SectionSpec::Square(s) => format!("square {} mm", s.side_mm),
        SectionSpec::Flat(f) => format!("flat {} mm", f.thickness_mm),
    };
    let station_name = &station.station.line;
    let start = Instant::now();
    let sealed = match technique(order, station, rules) {
        Ok(sealed) => sealed,
        Err(refusal @ (PlanError::NoTechnique { .. } | PlanError::NoRing { .. })) => {
            let hint = refusal.hint().unwrap_or_default();
            return Ok(format!(
                "| {size} | {station_name} | refused: {refusal}; {hint} | | | | | | {:.1} |",
                start.elapsed().as_secs_f64()
            ));
        }
        Err(other) => return Err(other),
    };
    let planned = start.elapsed().as_secs_f64();
    let t = &sealed.body;
    let start = Instant::now();
    let proof = prove(order, station, &sealed, &ProveOptions::default(), &|_| {})?.body;
    let count = |mode| t.beams.iter().filter(|b| b.mode == mode).count();
    let words = |c: &ClassProof| {
        let drawn =
            c.draws.as_ref().map_or(String::new(), |d| format!(" / {:.1}", d.lowest * 100.0));
        format!(
            "{:?} {:.1} / {:.1}{drawn} ({:.0})",
            c.class,
            c.nominal * 100.0,
            c.worst * 100.0,
            c.ordered * 100.0
        )
    };
    let classes: Vec<String> = proof.classes.iter().map(words).collect();
    // The rules that bind stand first, the one that would buy most at the head.
    let first = t.limits.first().filter(|l| l.binds).map_or("none", |l| l.rule.as_str());
    let over_percent =
        t.schedule.least_period_s.map_or(0.0, |s| t.schedule.period_s / s - 1.0) * 1e2;
    if std::env::var_os("SIZES_WORDS").is_some() {
        t.limits.iter().filter(|l| l.binds).for_each(|l| eprintln!("  {}: {}", l.rule, l.figure));
        t.limits
            .iter()
            .filter(|l| !l.binds && l.rule == "water path")
            .for_each(|l| eprintln!("  {}: {}", l.rule, l.figure));
        for o in &t.others {
            eprintln!("  other: {} {} {:?} {}", o.words, o.beams, o.line_speed_m_s, o.why_not);
        }
    }
    Ok(format!(
        "| {size} | {station_name}, {} | {} L + {} S | {} | {} | {:.3} | {first} | {over_percent:.1} | {planned:.1} + {:.1} |",
        t.ring,
        count(Mode::L),
        count(Mode::S),
        classes.join("<br>"),
        if proof.met { "met" } else { "not met" },
        t.line_speed_m_s,
        start.elapsed().as_secs_f64()
    ))
}

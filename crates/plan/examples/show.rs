//! Plans and proves the order of the demo (or the block with `block`, or three files: order, station,
//! rules) and prints the figures; with `explain` at the end also what changes would buy.
use std::time::Instant;

use barwright_job::{Order, Rules, Station};
use barwright_plan::ProveOptions;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments: Vec<String> = std::env::args().skip(1).collect();
    let explain = arguments.last().is_some_and(|a| a == "explain");
    if explain {
        arguments.pop();
    }
    let read = std::fs::read_to_string;
    let (order, station, rules) = if let [order, station, rules] = &arguments[..] {
        (&*read(order)?.leak(), &*read(station)?.leak(), &*read(rules)?.leak())
    } else if arguments.iter().any(|a| a == "block") {
        (
            include_str!("../../../examples/order-block-50.toml"),
            include_str!("../../../examples/station-bench-array.toml"),
            include_str!("../../../examples/rules-block.toml"),
        )
    } else {
        (
            include_str!("../../../examples/order-round-42.toml"),
            include_str!("../../../examples/station-line-2.toml"),
            include_str!("../../../examples/rules-th-k2.toml"),
        )
    };
    let order = Order::from_toml("order", order)?;
    let station = Station::from_toml("station", station)?;
    let rules = Rules::from_toml("rules", rules)?;
    let start = Instant::now();
    let technique = if explain {
        barwright_plan::explained(&order, &station, &rules)?
    } else {
        barwright_plan::technique(&order, &station, &rules)?
    };
    println!("technique in {:.2} s", start.elapsed().as_secs_f64());
    let t = &technique.body;
    println!(
        "{}: {} beams, {} firings, period {:.3} ms, {:.3} m/s, spacing {:.2} mm, {} samples from {:.1} us",
        t.name,
        t.beams.len(),
        t.schedule.firings.len(),
        t.schedule.period_s * 1e3,
        t.line_speed_m_s,
        t.pulse_spacing_m * 1e3,
        t.record.samples,
        t.record.first_sample_s * 1e6,
    );
    for l in &t.limits {
        println!(
            "{} {}: {} | {} | {}",
            if l.binds { "*" } else { " " },
            l.rule,
            l.figure,
            l.allowed,
            l.source
        );
    }
    for o in &t.others {
        println!(
            "other: {} ({} beams, {:?} m/s): {}",
            o.words, o.beams, o.line_speed_m_s, o.why_not
        );
    }
    for c in &t.changes {
        println!("change: {}: {:?} m/s, {}", c.words, c.line_speed_m_s, c.limit);
    }
    for f in &t.findings {
        println!("finding: {}", f.message);
    }
    for b in [t.beams.first(), t.beams.last()].into_iter().flatten() {
        println!(
            "beam {} {:?} gain {:.1} width {:.2} mm surface {:.3} us follows {:?}",
            b.id,
            b.mode,
            b.gain_db,
            b.axial_width_m * 1e3,
            b.surface_time_s * 1e6,
            b.surface_beam
        );
        for g in &b.gates {
            println!("  {:?} {:.2} .. {:.2} us", g.kind, g.start_s * 1e6, g.end_s * 1e6);
        }
        for p in &b.gain_curve {
            println!("  curve {:.2} us {:+.1} dB", p.after_surface_s * 1e6, p.gain_db);
        }
    }
    let start = Instant::now();
    let proof =
        barwright_plan::prove(&order, &station, &technique, &ProveOptions::default(), &|_| {})?;
    println!("proof in {:.2} s, met {}", start.elapsed().as_secs_f64(), proof.body.met);
    for c in &proof.body.classes {
        println!(
            "{:?}: nominal {:.4} worst {:.4} ordered {:.4}; weakest {:?} {}",
            c.class, c.nominal, c.worst, c.ordered, c.weakest.margin_db, c.weakest.cause
        );
    }
    let bar = barwright_plan::reference_bar(&technique)?.body;
    println!("reference bar {:.0} mm, {} expected", bar.length_m * 1e3, bar.expected.len());
    for m in &bar.motion {
        println!("  {} z {:.0} mm, {:.2} s", m.purpose, m.z_m * 1e3, m.duration_s);
    }
    for e in bar.expected.iter().take(3).chain(bar.expected.iter().rev().take(3)) {
        println!(
            "  beam {} reflector {} {:.2} FSH at {:.1} deg, {:.2} us",
            e.beam,
            e.reflector,
            e.height_fsh,
            e.turn_rad.to_degrees(),
            e.after_surface_s * 1e6
        );
    }
    for f in &bar.findings {
        println!("finding: {} {:?}", f.message, f.beams);
    }
    Ok(())
}

//! The rules a technique kept, each with its figure and whether it binds.

use barwright_job::technique::{Beam, PlanLimit, Section};
use barwright_wave::{Mode, Point};

use crate::beams::OVERLAP;
use crate::bench::Bench;
use crate::gates;
use crate::ring;
use crate::schedule::Timed;
use crate::search::Found;
use crate::setups::Tried;
use crate::technique::{PULSES_ON_SHORTEST, Speed};

const PRACTICE: &str = "common practice, no source";

/// Shortest water path in m that keeps the second surface echo behind the far wall of a bar: the
/// diameter times the velocity ratio, 0.25 of it for water and steel.
#[must_use]
pub fn least_water_path_m(diameter_m: f64, c_water_m_s: f64, c_longitudinal_m_s: f64) -> f64 {
    diameter_m * c_water_m_s / c_longitudinal_m_s
}

/// Sine of the first grating lobe on the side of the steering's opposite, from sin θ_g = sin θ_s -
/// λ/p; beyond one there is none.
///
/// Source: Schmerr, *Fundamentals of Ultrasonic Phased Arrays* (2015), ch. 4.
#[must_use]
pub fn grating_lobe_sine(steer_rad: f64, wavelength_m: f64, pitch_m: f64) -> f64 {
    steer_rad.sin().abs() - wavelength_m / pitch_m
}

/// Loss in dB of a coherent sum whose delays are rounded to a step, 20 log10 of sinc(f q).
#[must_use]
pub fn rounding_loss_db(frequency_hz: f64, step_s: f64) -> f64 {
    let x = std::f64::consts::PI * frequency_hz * step_s;
    if x > 0.0 { 20.0 * (x / x.sin()).log10() } else { 0.0 }
}

/// All rules of a technique: those that bind first, and of them the one whose lifting would make the line
/// faster by most.
#[must_use]
pub fn of(
    bench: &Bench<'_>,
    kinds: &[Found<'_>],
    all: &[Beam],
    timed: &Timed,
    speed: &Speed,
    tried: &[Tried],
) -> Vec<PlanLimit> {
    let mut limits: Vec<(Option<f64>, PlanLimit)> = Vec::new();
    let mut add = |rule: &str, figure: String, allowed: String, source: &str, lifted: Lifted| {
        let figure = match lifted {
            Some(factor) if factor > 1.005 => {
                format!("{figure}; lifted alone: at most {factor:.2} times as fast")
            }
            _ => figure,
        };
        let (rule, source, binds) = (rule.into(), source.into(), lifted.is_some());
        limits.push((lifted, PlanLimit { rule, figure, allowed, source, binds }));
    };
    let mm = |x: f64| format!("{:.2} mm", x * 1e3);
    let free = !speed.station_binds;

    let most_m_s = bench.station.line.max_speed_m_s;
    add(
        "highest line speed of the station",
        format!(
            "this technique runs at {:.3} m/s{}",
            speed.line_m_s,
            if free {
                String::new()
            } else {
                format!("; its beams would allow {:.3} m/s", speed.possible_m_s)
            }
        ),
        format!("{most_m_s} m/s"),
        "station",
        when(!free, speed.possible_m_s / most_m_s),
    );
    if gates::is_block(bench) {
        add(
            "one shot a position",
            mm(speed.spacing_m),
            "the element's length".into(),
            PRACTICE,
            None,
        );
    } else {
        add(
            "pulses on the shortest flaw",
            format!(
                "{:.2} pulses {} apart on {} of flaw and {} of beam",
                (speed.width_m + bench.order.flaws.shortest_mm * 1e-3) / speed.spacing_m,
                mm(speed.spacing_m),
                mm(bench.order.flaws.shortest_mm * 1e-3),
                mm(speed.width_m)
            ),
            format!(
                "at least {PULSES_ON_SHORTEST}: (-6 dB width along the bar + shortest flaw) / \
                 {PULSES_ON_SHORTEST} = {}",
                mm(speed.allowed_spacing_m)
            ),
            PRACTICE,
            // How far apart pulses could lie without this rule is not looked into.
            when(free && speed.allowed_spacing_m <= speed.covered_spacing_m, 1.0),
        );
    }
    firing_order(bench, all, timed, speed, &mut add);
    water(bench, tried, speed, &mut add);
    if !gates::is_block(bench) {
        // The kind that holds the spacing; the other may only have been asked up to there.
        let first = kinds.iter().position(|k| k.spacing_m <= speed.covered_spacing_m);
        for (number, found) in kinds.iter().enumerate() {
            let covered = &found.covered;
            let holds = first == Some(number);
            add(
                &format!("coverage of {} in the search (the proof is separate)", covered.class),
                format!(
                    "{:.1} % {}, by {} shots in the worst case at the worst place between two pulses up \
                     to {} apart",
                    covered.worst * 100.0,
                    covered.of,
                    bench.agreeing,
                    mm(found.spacing_m)
                ),
                format!("{} % ordered", covered.ordered * 100.0),
                "order and acceptance rules",
                when(
                    free && holds && speed.covered_spacing_m < speed.allowed_spacing_m,
                    speed.allowed_spacing_m / speed.covered_spacing_m,
                ),
            );
        }
    }
    for found in kinds {
        kind(bench, found, all, &mut add);
    }
    let step = bench.delay_step_s();
    add(
        "rounding of delays",
        format!(
            "{:.4} dB lost at {} ns",
            rounding_loss_db(bench.pulse.centre_hz, step),
            bench.station.electronics.delay_step_ns
        ),
        "0.5 dB".into(),
        "closed form 20 log10 sinc(f q); the allowance is common practice, no source",
        None,
    );
    let (low, high) = all
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), b| (l.min(b.gain_db), h.max(b.gain_db)));
    add(
        "gain of the electronics",
        format!("{low:.1} to {high:.1} dB re unit transfer"),
        format!(
            "{} to {} dB",
            bench.station.electronics.gain_min_db, bench.station.electronics.gain_max_db
        ),
        "station",
        None,
    );
    limits.sort_by(|a, b| {
        b.1.binds.cmp(&a.1.binds).then(b.0.unwrap_or(0.0).total_cmp(&a.0.unwrap_or(0.0)))
    });
    limits.into_iter().map(|l| l.1).collect()
}

/// By what factor the line could be faster at most if a rule alone were lifted: 1 where that is not known;
/// absent where the rule does not bind.
type Lifted = Option<f64>;

fn when(binds: bool, factor: f64) -> Lifted {
    binds.then_some(factor)
}

fn firing_order(bench: &Bench<'_>, all: &[Beam], timed: &Timed, speed: &Speed, add: Add<'_>) {
    let us = |x: f64| format!("{:.1} µs", x * 1e6);
    let ms = |x: f64| format!("{:.3} ms", x * 1e3);
    let free = !speed.station_binds;
    let data_binds = timed.data_s >= timed.schedule.period_s * 0.999;
    let firings = timed.schedule.firings.len() as f64;
    let shortest_s = timed.listen_s.max(timed.shortest_s);
    add(
        "firing order",
        format!(
            "period {}, {} firings; the plain order takes {}",
            ms(timed.schedule.period_s),
            timed.schedule.firings.len(),
            ms(timed.greedy_s)
        ),
        format!("not below {}: {}", ms(timed.bound.period_s), timed.bound.words),
        "lower bound over cliques of beams that exclude each other, docs/firing-order.md",
        None,
    );
    add(
        "pulse repetition: end of the record",
        format!("a firing every {} to {}", us(timed.shortest_wait_s), us(timed.longest_wait_s)),
        format!("not before {}", us(timed.listen_s)),
        PRACTICE,
        when(
            free && !data_binds && !timed.waits() && timed.listen_s >= timed.shortest_s,
            timed.listen_s / timed.shortest_s,
        ),
    );
    add(
        "pulse repetition: electronics",
        format!("{:.0} Hz at most", 1.0 / timed.shortest_wait_s),
        format!("{:.0} Hz", bench.station.electronics.max_prf_hz),
        "station",
        when(
            free && !data_binds && !timed.waits() && timed.shortest_s > timed.listen_s,
            timed.shortest_s / timed.listen_s,
        ),
    );
    if let Some(rate) = bench.station.electronics.data_rate_mb_s {
        add(
            "data rate of the electronics",
            format!("{:.1} MB/s", rate * timed.data_s / timed.schedule.period_s),
            format!("{rate} MB/s"),
            "station",
            when(free && data_binds, 1.0),
        );
    }
    if bench.nominal.media.water.is_some() {
        add(
            "ghost echoes: what earlier firings left in bar and water",
            format!(
                "none in a gate over the allowed level; they make firings wait up to {}",
                us(timed.longest_wait_s)
            ),
            format!(
                "6 dB under the threshold of each gate; in flaw gates {:.1} dB re the ordered flaw",
                timed.allowed_db
            ),
            PRACTICE,
            when(
                free && !data_binds && timed.waits(),
                timed.schedule.period_s / (firings * shortest_s),
            ),
        );
        let together = timed.together_l.max(timed.together_s);
        add(
            "cross-talk between probes that fire together",
            format!(
                "{} longitudinal and {} shear beams fire together, none heard over the allowed level",
                timed.together_l, timed.together_s
            ),
            format!(
                "6 dB under the threshold of each gate; {} beams in all",
                bench.station.electronics.parallel_apertures
            ),
            PRACTICE,
            when(
                free && together < bench.station.electronics.parallel_apertures as usize,
                firings
                    / (all.len() as f64 / f64::from(bench.station.electronics.parallel_apertures))
                        .ceil(),
            ),
        );
    }
}

type Add<'a> = &'a mut dyn FnMut(&str, String, String, &str, Lifted);

/// Shortest water path in m before the middle of a probe; absent in contact.
#[must_use]
pub fn water_path_m(bench: &Bench<'_>) -> Option<f64> {
    let (Some(_), Section::Round { .. } | Section::Square { .. }) =
        (bench.nominal.media.water, bench.nominal.section)
    else {
        return None;
    };
    let half_m = bench.nominal.section.half_extent_m();
    let paths = bench.probes.iter().map(|p| ring::middle(&p.elements).radius() - half_m);
    paths.min_by(f64::total_cmp)
}

fn water(bench: &Bench<'_>, tried: &[Tried], speed: &Speed, add: Add<'_>) {
    let (Some(water), Some(path_m)) = (bench.nominal.media.water, water_path_m(bench)) else {
        return;
    };
    let half_m = bench.nominal.section.half_extent_m();
    let steel = bench.nominal.media.steel.longitudinal_m_s;
    let least = least_water_path_m(2.0 * half_m, water.velocity_m_s, steel);
    let mm = |m: f64| format!("{:.1} mm", m * 1e3);
    let own: Vec<&Tried> = tried.iter().filter(|t| t.ring == bench.ring.name).collect();
    let Some(at_m) = bench.stand.at_m else {
        add(
            "second surface echo behind the far wall",
            format!("water path {}", mm(path_m)),
            format!("at least {} (diameter or side × velocity ratio)", mm(least)),
            "Hull & John, Non-Destructive Testing",
            None,
        );
        return;
    };
    let stand = &bench.stand;
    let words = |t: &&Tried| {
        let path = t.path_m.map_or(String::new(), mm);
        match &t.outcome {
            Ok((line_m_s, _)) => format!("{path} {line_m_s:.3} m/s"),
            Err(_) => format!("{path} none"),
        }
    };
    let holds = if stand.echo_holds {
        "second surface echo behind the far wall and, with cracks, behind the half skip; the bar's play and \
         2 mm"
    } else {
        "the arrays stand no nearer"
    };
    let nearest = at_m <= stand.nearest_m;
    // Bound by its lower end where that was the fastest and a further one was slower.
    let slower = own.iter().filter(|t| !t.taken).all(|t| {
        t.outcome.as_ref().is_ok_and(|o| o.0 < speed.line_m_s * 0.999) || t.outcome.is_err()
    });
    add(
        "water path",
        format!(
            "{}{}",
            mm(path_m),
            if own.len() > 1 {
                let all: Vec<String> = own.iter().map(words).collect();
                format!(", the best of {}: {}", own.len(), all.join(", "))
            } else {
                String::new()
            }
        ),
        format!(
            "{} ({holds}) to {} ({})",
            mm(stand.nearest_m - half_m),
            mm(stand.furthest_m - half_m),
            if stand.furthest_m > stand.nearest_m { "travel" } else { "no travel" }
        ),
        "Hull & John, Non-Destructive Testing; station",
        when(!speed.station_binds && nearest && slower && own.len() > 1, 1.0),
    );
}

fn kind(bench: &Bench<'_>, found: &Found<'_>, all: &[Beam], add: Add<'_>) {
    let name = match found.layout.mode {
        Mode::L => "longitudinal",
        Mode::S => "shear",
    };
    let number = all.iter().filter(|b| b.mode == found.layout.mode).count();
    add(
        &format!("aperture of the {name} beams"),
        format!("{number} beams of {} elements, step {}", found.layout.count, found.layout.step),
        format!("{} elements", bench.station.electronics.aperture_elements),
        "station",
        None,
    );
    if let Some((spacing, width)) = found.overlap_m {
        add(
            &format!("overlap of neighbouring {name} beams"),
            format!("axes {:.2} mm apart, -6 dB width {:.2} mm", spacing * 1e3, width * 1e3),
            format!(
                "at most {:.2} mm: {:.0} % of the width overlap",
                width * 1e3 * (1.0 - OVERLAP),
                OVERLAP * 100.0
            ),
            "EN 10308",
            None,
        );
    }
    if found.layout.mode == Mode::L
        && let Ok(sketches) = found.layout.sketches(bench)
        && let Some(sketch) = sketches.first()
    {
        add(
            "near-surface zone",
            format!("{:.2} mm hidden", gates::dead_depth_m(bench, sketch) * 1e3),
            format!("{:.2} mm of skin", bench.sensitivity.skin_m * 1e3),
            "pulse length; the 80 dB of ring-down are common practice, no source",
            None,
        );
    }
    grating(bench, found, name, add);
}

fn grating(bench: &Bench<'_>, found: &Found<'_>, name: &str, add: Add<'_>) {
    let (_, pitch_mm, _, _) = bench.ring.array.elements();
    let media = &bench.nominal.media;
    let c = media.water.map_or(media.steel.longitudinal_m_s, |w| w.velocity_m_s);
    let lambda = c / bench.pulse.centre_hz;
    let (steer, reach) = match (bench.nominal.section, media.water) {
        (Section::Round { radius_m }, Some(water)) => {
            let from = bench.probes.first().map_or(Point::default(), |p| ring::middle(&p.elements));
            let steel = media.steel.velocity_m_s(found.layout.mode);
            let sine = radius_m / from.radius() * water.velocity_m_s / steel
                * found.layout.refraction_rad.sin();
            (sine.asin(), radius_m / from.radius())
        }
        (Section::Square { .. }, Some(water)) => {
            let steel = media.steel.velocity_m_s(found.layout.mode);
            ((found.layout.refraction_rad.sin() * water.velocity_m_s / steel).asin(), 1.0)
        }
        _ => (0.0, 1.0),
    };
    let lobe = grating_lobe_sine(steer, lambda, pitch_mm * 1e-3);
    // What falls on the bar beyond the second critical angle of incidence stays in the water.
    let critical = media.water.map_or(1.0, |w| w.velocity_m_s / media.steel.shear_m_s);
    let harmless = lobe.abs() > reach * critical;
    add(
        &format!("grating lobes of the {name} beams"),
        if lobe < -1.0 {
            "none".into()
        } else {
            format!("first lobe {:.1}° off the normal", lobe.asin().to_degrees())
        },
        if media.water.is_some() {
            format!(
                "beyond {:.1}° it misses the bar or stays in the water{}",
                (reach * critical).asin().to_degrees(),
                if harmless { "" } else { ": not kept, see the proof" }
            )
        } else {
            "none below a pitch of one wavelength; used without steering here".into()
        },
        "Schmerr, Fundamentals of Ultrasonic Phased Arrays (2015), ch. 4",
        None,
    );
}

//! The rules a technique kept, each with its figure and whether it binds.

use barwright_job::technique::{Beam, PlanLimit, Section};
use barwright_wave::{Mode, Point};

use crate::beams::OVERLAP;
use crate::bench::Bench;
use crate::gates;
use crate::ring;
use crate::schedule::Timed;
use crate::search::Found;
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

/// All rules of a technique.
#[must_use]
pub fn of(
    bench: &Bench<'_>,
    kinds: &[Found<'_>],
    all: &[Beam],
    timed: &Timed,
    speed: &Speed,
) -> Vec<PlanLimit> {
    let mut limits = Vec::new();
    let mut add = |rule: &str, figure: String, allowed: String, source: &str, binds: bool| {
        limits.push(PlanLimit { rule: rule.into(), figure, allowed, source: source.into(), binds });
    };
    let mm = |x: f64| format!("{:.2} mm", x * 1e3);

    add(
        "highest line speed of the station",
        format!("{:.3} m/s", speed.line_m_s),
        format!("{} m/s", bench.station.line.max_speed_m_s),
        "station",
        speed.station_binds,
    );
    if gates::is_block(bench) {
        add(
            "one shot a position",
            mm(speed.spacing_m),
            "the element's length".into(),
            PRACTICE,
            false,
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
            !speed.station_binds && speed.allowed_spacing_m <= speed.covered_spacing_m,
        );
    }
    firing_order(bench, timed, speed, &mut add);
    water(bench, &mut add);
    if !gates::is_block(bench) {
        let least = kinds.iter().map(|f| f.covered.1).fold(1.0, f64::min);
        add(
            "coverage in the search (the proof is separate)",
            format!(
                "{:.1} % of the places asked, by {} shots in the worst case at the worst place between two \
                 pulses up to {} apart",
                least * 100.0,
                bench.agreeing,
                mm(speed.covered_spacing_m)
            ),
            "the ordered coverage".into(),
            "order and acceptance rules",
            !speed.station_binds && speed.covered_spacing_m < speed.allowed_spacing_m,
        );
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
        false,
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
        false,
    );
    limits
}

fn firing_order(bench: &Bench<'_>, timed: &Timed, speed: &Speed, add: Add<'_>) {
    let us = |x: f64| format!("{:.1} µs", x * 1e6);
    let ms = |x: f64| format!("{:.3} ms", x * 1e3);
    let free = !speed.station_binds;
    let data_binds = timed.data_s >= timed.schedule.period_s * 0.999;
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
        false,
    );
    add(
        "pulse repetition: end of the record",
        format!("a firing every {} to {}", us(timed.shortest_wait_s), us(timed.longest_wait_s)),
        format!("not before {}", us(timed.listen_s)),
        PRACTICE,
        free && !data_binds && !timed.waits() && timed.listen_s >= timed.shortest_s,
    );
    add(
        "pulse repetition: electronics",
        format!("{:.0} Hz at most", 1.0 / timed.shortest_wait_s),
        format!("{:.0} Hz", bench.station.electronics.max_prf_hz),
        "station",
        free && !data_binds && !timed.waits() && timed.shortest_s > timed.listen_s,
    );
    if let Some(rate) = bench.station.electronics.data_rate_mb_s {
        add(
            "data rate of the electronics",
            format!("{:.1} MB/s", rate * timed.data_s / timed.schedule.period_s),
            format!("{rate} MB/s"),
            "station",
            free && data_binds,
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
            free && !data_binds && timed.waits(),
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
            free && together < bench.station.electronics.parallel_apertures as usize,
        );
    }
}

type Add<'a> = &'a mut dyn FnMut(&str, String, String, &str, bool);

fn water(bench: &Bench<'_>, add: Add<'_>) {
    let (Some(water), Section::Round { .. } | Section::Square { .. }) =
        (bench.nominal.media.water, bench.nominal.section)
    else {
        return;
    };
    let radius_m = bench.nominal.section.half_extent_m();
    let path = bench
        .probes
        .iter()
        .map(|p| ring::middle(&p.elements).radius() - radius_m)
        .fold(f64::INFINITY, f64::min);
    let least = least_water_path_m(
        2.0 * radius_m,
        water.velocity_m_s,
        bench.nominal.media.steel.longitudinal_m_s,
    );
    add(
        "second surface echo behind the far wall",
        format!("water path {:.1} mm", path * 1e3),
        format!("at least {:.1} mm (diameter or side × velocity ratio)", least * 1e3),
        "Hull & John, Non-Destructive Testing",
        false,
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
        false,
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
            false,
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
            false,
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
        false,
    );
}

//! Rings, water paths, and what a technique says of itself.

use crate::common;

use barwright_job::{
    Order, Rules, Station, Technique,
    finding::Topic,
    station::{Array, Ring},
};
use barwright_plan::{bench::Bench, limits, stand::Stand, technique};

/// The smallest round order on a line without a speed of its own, so that speeds tell apart.
fn small() -> (Order, Station, Rules) {
    let order = include_str!("../../../examples/order-round-10.toml");
    let station = include_str!("../../../examples/station-line-1.toml");
    let mut station = Station::from_toml("station", station).expect("the example station");
    station.line.max_speed_m_s = 10.0;
    (Order::from_toml("order", order).expect("the example order"), station, common::round().2)
}

fn square() -> (Order, Station, Rules) {
    let order = include_str!("../../../examples/order-square-50.toml");
    let station = include_str!("../../../examples/station-square-20-120.toml");
    (
        Order::from_toml("order", order).expect("the example order"),
        Station::from_toml("station", station).expect("the example station"),
        common::round().2,
    )
}

fn planned((order, station, rules): &(Order, Station, Rules)) -> Technique {
    technique(order, station, rules).expect("a technique").body
}

// Truth: property. The result does not hang on the order of rings in the document nor on their ranges, is
// never slower than any ring by itself, and tells the ring that was not taken with its speed.
#[test]
fn every_ring_that_serves_is_weighed() {
    let (order, mut station, rules) = small();
    let first = station.rings[0].clone();
    // Half the elements of twice the pitch: fewer, wider apertures. Its range is narrower.
    let mut other = Ring { name: "coarse".into(), largest_mm: first.largest_mm - 5.0, ..first };
    if let Array::Arc(arc) = &mut other.array {
        (arc.elements, arc.pitch_mm, arc.element_width_mm) =
            (arc.elements / 2, arc.pitch_mm * 2.0, arc.element_width_mm * 2.0);
    }
    station.rings = vec![station.rings[0].clone(), other];
    let both = planned(&(order.clone(), station.clone(), rules.clone()));
    station.rings.reverse();
    let turned = planned(&(order.clone(), station.clone(), rules.clone()));
    assert_eq!((&both.ring, both.line_speed_m_s), (&turned.ring, turned.line_speed_m_s));
    let mut alone = Vec::new();
    for ring in &station.rings {
        let own = Station { rings: vec![ring.clone()], ..station.clone() };
        let speed = technique(&order, &own, &rules).map_or(0.0, |t| t.body.line_speed_m_s);
        alone.push((ring.name.clone(), speed));
    }
    let best = alone.iter().map(|a| a.1).fold(0.0, f64::max);
    // A thousandth: speeds so alike count as one.
    assert!(both.line_speed_m_s >= best * 0.999, "{} {alone:?}", both.line_speed_m_s);
    let lost = alone.iter().find(|a| a.0 != both.ring).expect("another ring");
    let told = both.others.iter().find(|o| o.words.contains(&lost.0)).expect("it is told");
    // A ring that cannot come near is not planned to its end: then there is no speed, but a reason.
    assert!(told.line_speed_m_s.is_none_or(|v| (v - lost.1).abs() < 1e-9), "{told:?} {lost:?}");
    assert!(!told.why_not.is_empty());
}

// Truth: closed form. The nearest stand keeps the second surface echo behind the far wall and the half skip,
// by the bar's play and 2 mm; others lie within the travel. 1e-9 m: rounding.
#[test]
fn flat_arrays_stand_between_the_second_echo_and_their_travel() {
    let (mut order, mut station, rules) = square();
    order.flaws.crack = None;
    for ring in &mut station.rings {
        if let Array::Flat(flat) = &mut ring.array {
            (flat.distance_mm, flat.travel_mm) = (26.0, 40.0);
        }
    }
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let Stand { at_m, nearest_m, furthest_m, echo_holds } = bench.stand;
    let water = bench.nominal.media.water.expect("water").velocity_m_s;
    let wall = 0.05 * water / bench.nominal.media.steel.longitudinal_m_s;
    let off = barwright_plan::conditions::off_centre_m(&order, &station);
    let tolerance = match order.section {
        barwright_job::order::SectionSpec::Square(s) => s.tolerance_mm * 1e-3,
        _ => panic!("a square"),
    };
    assert!((nearest_m - (0.025 + wall + off + tolerance + 0.002)).abs() < 1e-9, "{nearest_m}");
    assert_eq!((at_m, echo_holds), (Some(nearest_m), true));
    assert!((furthest_m - 0.066).abs() < 1e-9);
    let others = bench.stand.others_m();
    assert!(others.len() >= 2);
    for pair in others.windows(2) {
        assert!(nearest_m < pair[0] && pair[0] < pair[1] && pair[1] <= furthest_m + 1e-12);
    }
    // The elements stand where the stand says.
    let drawn = bench.drawn(others[1]);
    let path = limits::water_path_m(&drawn).expect("water");
    assert!((path - (others[1] - 0.025)).abs() < 1e-9, "{path}");
    // Cracks ask for more where the half skip takes longer than the way to the far wall and back.
    let with_cracks = square().0;
    let cracks = Bench::new(&with_cracks, &station, &rules).expect("a bench").stand.nearest_m;
    assert!(cracks > nearest_m);
    // Without travel there is nothing to weigh.
    for ring in &mut station.rings {
        if let Array::Flat(flat) = &mut ring.array {
            (flat.distance_mm, flat.travel_mm) = (60.0, 0.0);
        }
    }
    let fixed = Bench::new(&order, &station, &rules).expect("a bench");
    assert!(fixed.stand.others_m().is_empty() && !fixed.stand.echo_holds);
}

// Truth: the contract of the document. What binds stands first and says so; the station's own speed is not
// confused with the technique's; the coverage line names its class; speeds of others are those of whole
// techniques, so none beats the one taken.
#[test]
fn a_technique_says_what_binds_first() {
    let t = planned(&small());
    let binding = t.limits.iter().take_while(|l| l.binds).count();
    assert!(binding > 0 && t.limits.iter().skip(binding).all(|l| !l.binds));
    let factor = |words: &str| -> f64 {
        let after = words.split("at most ").nth(1).and_then(|w| w.split(' ').next());
        after.and_then(|w| w.parse().ok()).unwrap_or(1.0)
    };
    let lifted: Vec<f64> = t.limits[..binding].iter().map(|l| factor(&l.figure)).collect();
    assert!(lifted.windows(2).all(|p| p[0] >= p[1]), "{lifted:?}");
    let station = t.limits.iter().find(|l| l.rule.contains("highest line speed"));
    let station = station.expect("the station's speed is a rule");
    assert!(station.allowed.contains("10 m/s") && station.figure.contains("technique"));
    for class in ["discs", "cracks"] {
        assert!(t.limits.iter().any(|l| l.rule.contains("coverage of") && l.rule.contains(class)));
    }
    for other in &t.others {
        // A thousandth: rounding of the firing order's rhythm.
        assert!(other.line_speed_m_s.is_none_or(|v| v <= t.line_speed_m_s * 1.001), "{other:?}");
    }
}

// Truth: closed form. A disc's echo grows with its area: 40 log10 of the diameters' ratio over grain noise;
// wavelength is velocity over frequency.
#[test]
fn what_is_known_of_noise_is_told_with_figures() {
    let mut documents = small();
    let disc_mm = documents.0.flaws.disc.diameter_mm;
    let heard = |documents: &(Order, Station, Rules)| -> Vec<(Topic, String)> {
        let findings = planned(documents).findings;
        findings.into_iter().map(|f| (f.topic, f.message)).collect()
    };
    let unknown = heard(&documents);
    let least = disc_mm * 10f64.powf(-documents.2.check.signal_to_noise_db / 40.0);
    let words = format!("{least:.2} mm");
    assert!(
        unknown.iter().any(|(t, m)| *t == Topic::Assumed
            && m.contains("grain_noise_disc_mm")
            && m.contains(&words)),
        "{unknown:?}"
    );
    documents.0.steel.grain_noise_disc_mm = Some(disc_mm / 4.0);
    // 40 log10 4.
    assert!(heard(&documents).iter().any(|(_, m)| m.contains("24.1 dB over the noise")));
    let wave_mm = documents.0.steel.longitudinal_m_s / 7.5e6 * 1e3;
    let short = |found: &[(Topic, String)]| found.iter().any(|f| f.0 == Topic::Validity);
    assert_eq!(short(&unknown), disc_mm < wave_mm, "{disc_mm} {wave_mm}");
}

// Property: a search that is watched gives the same technique; one that is stopped gives none, soon.
#[test]
fn a_search_is_watched_and_stopped() {
    use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

    use barwright_plan::{PlanError, PlanWatch, watched};

    let (order, station, rules) = small();
    let plain = technique(&order, &station, &rules).expect("a technique");
    let count = AtomicUsize::new(0);
    let tell = || {
        count.fetch_add(1, Ordering::Relaxed);
    };
    let watch = PlanWatch { cancelled: None, weighing: Some(&tell) };
    let told = watched(&order, &station, &rules, false, watch).expect("a technique");
    assert_eq!(told.hash, plain.hash);
    let all = count.load(Ordering::Relaxed);
    assert!(all > 10, "{all} layouts were weighed");

    let (stop, weighed) = (AtomicBool::new(false), AtomicUsize::new(0));
    let tell = || {
        if weighed.fetch_add(1, Ordering::Relaxed) == 3 {
            stop.store(true, Ordering::Relaxed);
        }
    };
    let watch = PlanWatch { cancelled: Some(&stop), weighing: Some(&tell) };
    let stopped = watched(&order, &station, &rules, true, watch);
    assert_eq!(stopped.expect_err("it was stopped"), PlanError::Cancelled);
    assert_eq!(weighed.load(Ordering::Relaxed), 4, "no layout is weighed after the stop");
}

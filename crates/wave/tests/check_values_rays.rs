//! Truth of this file: independent code (a separate program's values, read where they lie beside
//! the project; tolerances are the ones that file states).

use std::path::PathBuf;

use barwright_wave::array::{arc, flat};
use barwright_wave::pulse::Pulse;
use barwright_wave::ray::{self, Aperture, Attenuation, RayMedium};
use barwright_wave::scatter::SideDrilledHole;
use barwright_wave::{Element, Fluid, Mode, Point, Solid, Surface};
use barwright_wave::{delay, echo, interface, path, water};
use num_complex::Complex64;
use serde_json::Value;

/// The check values of one kind, or a loud note that they are absent.
fn load(kind: &str) -> Option<Value> {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../../shared/check-values")
        .join(format!("{kind}.json"));
    let Ok(text) = std::fs::read_to_string(&file) else {
        eprintln!("SKIPPED: check values of {kind} are not here");
        return None;
    };
    Some(serde_json::from_str(&text).expect("check values are JSON"))
}

fn cases(document: &Value) -> &[Value] {
    let cases = document["cases"].as_array().expect("a list of cases");
    assert!(!cases.is_empty());
    cases
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn point(value: &Value) -> Point {
    let xy = numbers(value);
    Point::new(xy[0], xy[1])
}

fn surface(bar: &Value) -> Surface {
    if bar["type"] == "round" {
        return Surface::Round {
            centre: point(&bar["bar_center"]),
            radius_m: number(&bar["bar_radius"]),
        };
    }
    let (y, half) = (number(&bar["face_y"]), number(&bar["side"]) / 2.0);
    Surface::Flat { a: Point::new(half, y), b: Point::new(-half, y) }
}

fn elements(array: &Value) -> Vec<Element> {
    let count = array["n"].as_u64().expect("a count") as usize;
    let pitch = number(&array["pitch"]);
    let up = std::f64::consts::FRAC_PI_2;
    if array["type"] == "arc" {
        return arc(number(&array["array_radius"]), up, count, pitch, pitch, 0.01);
    }
    let middle = Point::new(number(&array["array_x"]), number(&array["array_y"]));
    let tilt = array["tilt_rad"].as_f64().unwrap_or(0.0);
    flat(middle, tilt - up, count, pitch, pitch, 0.01)
}

#[test]
fn water_speed() {
    let Some(document) = load("water_speed") else {
        return;
    };
    let tolerance = number(&document["suggested_tolerance"]["abs_m_s"]);
    for case in cases(&document) {
        let got = water::sound_velocity_m_s(number(&case["temperature_C"])).expect("in range");
        assert!((got - number(&case["expected"]["c_m_s"])).abs() < tolerance, "{}", case["id"]);
    }
}

#[test]
fn plane_wave() {
    let Some(document) = load("plane_wave") else {
        return;
    };
    let tolerance = number(&document["suggested_tolerance"]["abs"]);
    for case in cases(&document) {
        let fluid = Fluid::new(number(&case["c_f"]), number(&case["rho_f"])).expect("a fluid");
        let solid = Solid::new(number(&case["cL"]), number(&case["cS"]), number(&case["rho"]))
            .expect("a solid");
        let wave =
            interface::plane_wave(&fluid, &solid, number(&case["theta_rad"])).expect("in range");
        let expected = &case["expected"];
        for (name, got) in
            [("R", wave.reflected), ("T_L", wave.transmitted_l), ("T_S", wave.transmitted_s)]
        {
            let want = numbers(&expected[name]);
            assert!((got.re - want[0]).abs() < tolerance, "{} {name} {got}", case["id"]);
            assert!((got.im - want[1]).abs() < tolerance, "{} {name} {got}", case["id"]);
        }
        for (got, want) in wave.energy.iter().zip(numbers(&expected["energy"])) {
            assert!((got - want).abs() < tolerance, "{} energy", case["id"]);
        }
        let critical = interface::critical_angles(&fluid, &solid);
        for (name, got) in
            [("crit_L_rad", critical.longitudinal_rad), ("crit_S_rad", critical.shear_rad)]
        {
            match (got, case[name].as_f64()) {
                (Some(got), Some(want)) => assert!((got - want).abs() < tolerance),
                (got, want) => assert_eq!(got, want),
            }
        }
    }
}

#[test]
fn fermat_times() {
    let Some(document) = load("fermat_times") else {
        return;
    };
    let allowed = &document["suggested_tolerance"];
    let (time, place, angle) =
        (number(&allowed["time_s"]), number(&allowed["entry_m"]), number(&allowed["angle_rad"]));
    for case in cases(&document) {
        let id = &case["id"];
        let (surface, elements) = (surface(&case["bar"]), elements(&case["array"]));
        let target = point(&case["focus"]);
        let material = &case["material"];
        let steel = number(&material[if case["mode"] == "L" { "cL" } else { "cS" }]);
        let water = number(&material["c1"]);
        let expected = &case["expected"];
        let (times, entries) = (numbers(&expected["time_s"]), &expected["entry"]);
        let (inward, outward) =
            (numbers(&expected["theta_in_rad"]), numbers(&expected["theta_out_rad"]));
        assert_eq!(elements.len(), times.len(), "{id}");
        for (i, element) in elements.iter().enumerate() {
            let got =
                path::least_time(&surface, element.centre, target, water, steel).expect("a path");
            assert!((got.time_s - times[i]).abs() < time, "{id} {i}: {}", got.time_s - times[i]);
            assert!(got.entry.distance(point(&entries[i])) < place, "{id} {i} entry");
            assert!(
                (got.angle_in_rad - inward[i]).abs() < angle,
                "{id} {i} in {}",
                got.angle_in_rad
            );
            assert!((got.angle_out_rad - outward[i]).abs() < angle, "{id} {i} out");
        }
        let law = delay::focus(&surface, &elements, target, water, steel, None).expect("a law");
        for (got, want) in law.delays_s.iter().zip(numbers(&expected["delay_s"])) {
            assert!((got - want).abs() < time, "{id} delay");
        }
    }
}

#[test]
fn pulse_echo_time() {
    let Some(document) = load("pulse_echo_time") else {
        return;
    };
    let allowed = &document["suggested_tolerance"];
    let (time, place) = (number(&allowed["time_s"]), number(&allowed["point_m"]));
    for case in cases(&document) {
        let id = &case["id"];
        let (face, element) = (surface(&case["bar"]), point(&case["element"]));
        let side = case["bar"]["side"].as_f64().unwrap_or(f64::NAN);
        let (material, expected) = (&case["material"], &case["expected"]);
        let water = number(&material["c1"]);
        let near = |got: f64, want: &Value, tolerance: f64, what: &str| {
            assert!((got - number(want)).abs() < tolerance, "{id} {what}: {got} {want}");
        };
        if case["kind"] == "normal_L" {
            let got = echo::normal_incidence_times(
                &face,
                side,
                element,
                water,
                number(&material["cL"]),
                3,
            )
            .expect("times");
            near(got.water_m, &expected["water_distance_m"], place, "water path");
            near(got.front_s, &expected["front_s"], time, "front");
            near(got.centre_s, &expected["center_s"], time, "centre");
            for (got, want) in got.backwall_s.iter().zip(numbers(&expected["backwall_s"])) {
                assert!((got - want).abs() < time, "{id} far wall");
            }
            continue;
        }
        let hits = expected["hit_points"].as_array().expect("hits");
        let beta = number(&case["beta_rad"]);
        let got = echo::shear_skip(
            &face,
            side,
            element,
            beta,
            water,
            number(&material["cS"]),
            hits.len(),
        )
        .expect("a skip");
        near(got.incidence_rad, &expected["alpha_rad"], 1e-9, "incidence");
        near(got.water_m, &expected["water_path_m"], place, "water path");
        near(got.leg_m, &expected["leg_m"], place, "leg");
        assert!(got.entry.distance(point(&expected["entry"])) < place, "{id} entry");
        for (i, want) in numbers(&expected["t_hit_s"]).into_iter().enumerate() {
            assert!((got.times_s[i] - want).abs() < time, "{id} hit {i} time");
            assert!(got.hits[i].distance(point(&hits[i])) < place, "{id} hit {i}");
        }
    }
}

#[test]
fn sdh_scatter() {
    let Some(document) = load("sdh_scatter") else {
        return;
    };
    let relative = number(&document["suggested_tolerance"]["rel_to_sqrt_a"]);
    for case in cases(&document) {
        let radius = number(&case["a"]);
        // The density does not enter.
        let solid = Solid::new(number(&case["cL"]), number(&case["cS"]), 7800.0).expect("a solid");
        let hole =
            SideDrilledHole::new(radius, &solid, number(&case["frequency"])).expect("a hole");
        for (name, from, to) in [
            ("f_LL", Mode::L, Mode::L),
            ("f_LS", Mode::L, Mode::S),
            ("f_SL", Mode::S, Mode::L),
            ("f_SS", Mode::S, Mode::S),
        ] {
            let got = hole.amplitude(from, to, number(&case["theta_rad"]));
            let want = numbers(&case["expected"][name]);
            let far = (got.re - want[0]).hypot(got.im - want[1]);
            assert!(far < relative * radius.sqrt(), "{} {name}: {got}, off by {far}", case["id"]);
        }
    }
}

fn ray_medium(case: &Value) -> RayMedium {
    let (bar, water) = (&case["bar"], &case["water"]);
    RayMedium {
        fluid: Fluid::new(number(&water["cf"]), number(&water["rhof"])).expect("a fluid"),
        solid: Solid::new(number(&bar["cL"]), number(&bar["cS"]), number(&bar["rho"]))
            .expect("a solid"),
        attenuation: Attenuation::default(),
    }
}

/// The ray columns of the single-frequency cases: a second implementation of the same formula, so
/// the tolerance is rounding of the phase (1e-20 s of travel time, kR of some thousands).
#[test]
fn ray_single_sources() {
    let Some(document) = load("exact_point") else { return };
    let mut compared = 0;
    for case in cases(&document) {
        let (Some(sources), ray) = (case["sources"].as_array(), &case["expected"]["ray"]) else {
            continue;
        };
        if sources.len() != 1 || ray.is_null() {
            continue;
        }
        let centre = point(&sources[0]);
        let facing_rad = (centre * -1.0).angle();
        let element = Element { centre, facing_rad, width_m: 0.0, length_m: 0.01 };
        let aperture = Aperture { elements: &[element], delays_s: &[0.0], weights: None };
        let face =
            Surface::Round { centre: Point::default(), radius_m: number(&case["bar"]["radius"]) };
        let p = numbers(&case["expected"]["p_inc_ref"]);
        let reference = Complex64::new(p[0], p[1]);
        let points = case["expected"]["points"].as_array().expect("points");
        for (name, mode) in [("PL_over_ref", Mode::L), ("PS_over_ref", Mode::S)] {
            let wanted = ray[name].as_array().expect("values");
            for (place, want) in points.iter().map(point).zip(wanted.iter().map(numbers)) {
                let frequency = number(&case["frequency"]);
                // Left out here: rays too close to a critical incidence.
                let Ok(got) =
                    ray::field(&face, &ray_medium(case), &aperture, mode, frequency, place)
                else {
                    continue;
                };
                let far = got.amplitude / reference - Complex64::new(want[0], want[1]);
                assert!(far.norm() < 1e-8, "{} {name} {place:?}: {far}", case["id"]);
                compared += 1;
            }
        }
    }
    assert!(compared > 40, "only {compared} values compared");
}

/// Peak of the envelope against the exact field, where the reference says that rays hold.
#[test]
fn ray_broadband() {
    let Some(document) = load("exact_broadband") else { return };
    let tolerance = number(&document["suggested_tolerance"]["ray_implementation_dB"]);
    for case in cases(&document) {
        let id = &case["id"];
        let radius = number(&case["bar"]["radius"]);
        let face = Surface::Round { centre: Point::default(), radius_m: radius };
        let array = &case["array"];
        let up = std::f64::consts::FRAC_PI_2;
        let (count, pitch) =
            (array["n"].as_u64().expect("a count") as usize, number(&array["pitch"]));
        let away = radius + number(&array["water_path"]);
        let elements = if array["type"] == "arc" {
            arc(away, up, count, pitch, pitch, 0.01)
        } else {
            flat(Point::new(0.0, away), -up, count, pitch, pitch, 0.01)
        };
        let listed = case["element_centres"].as_array().expect("centres");
        // Numbered the same way, or the other: delays come from the law either way.
        let known = |e: &Element| listed.iter().any(|c| e.centre.distance(point(c)) < 1e-9);
        assert!(elements.iter().all(known), "{id}");
        let mode = if case["mode"] == "L" { Mode::L } else { Mode::S };
        let medium = ray_medium(case);
        let focus = point(&case["focus"]);
        let (water, steel) = (medium.fluid.velocity_m_s, medium.solid.velocity_m_s(mode));
        let law = delay::focus(&face, &elements, focus, water, steel, None).expect("a law");
        // The reference's elements are four line sources each.
        let strips = 4;
        let fine = |n: usize, pitch: f64| {
            if array["type"] == "arc" {
                arc(away, up, n, pitch, 0.0, 0.01)
            } else {
                flat(Point::new(0.0, away), -up, n, pitch, 0.0, 0.01)
            }
        };
        let sources = fine(count * strips, pitch / strips as f64);
        let delays: Vec<f64> = law.delays_s.iter().flat_map(|d| [*d; 4]).collect();
        let weights = vec![0.25; sources.len()];
        let aperture = Aperture { elements: &sources, delays_s: &delays, weights: Some(&weights) };
        let pulse =
            Pulse::new(number(&case["pulse"]["f0"]), number(&case["pulse"]["bandwidth_6dB"]))
                .expect("a pulse");
        let at = |place| ray::peak_envelope(&face, &medium, &aperture, mode, &pulse, place);
        // The same aperture without the bar: a contact array in a medium with the water's velocity.
        let no_bar = Solid::new(water, water / 2.0, 1000.0).expect("water");
        let top = Point::new(0.0, radius);
        let none = Attenuation::default();
        let incident = ray::contact_peak(&no_bar, &none, &aperture, Mode::L, &pulse, top);
        let incident = incident.expect("a peak without the bar").amplitude;
        let reference = incident * number(&case["expected"]["focus_gain"]);
        let gain = at(focus).expect("a peak at the focus").amplitude / reference;
        assert!((20.0 * gain.log10()).abs() < tolerance, "{id}: focus gain off by a factor {gain}");
        let name = if mode == Mode::L { "PL_dB" } else { "PS_dB" };
        let (mut worst, mut compared) = (0.0_f64, 0);
        for row in case["expected"]["points"].as_array().expect("points") {
            if row["ray_ok"] != true {
                continue;
            }
            let place = Point::new(number(&row["x"]), number(&row["y"]));
            let peak = at(place).expect("a peak");
            let far = 20.0 * (peak.amplitude / reference).log10() - number(&row[name]);
            // Where rays meet a critical incidence close under the surface the engine warns.
            if peak.flags.near_surface && peak.flags.near_critical {
                continue;
            }
            worst = worst.max(far.abs());
            compared += 1;
        }
        assert!(compared > 5 && worst < tolerance, "{id}: worst {worst} dB of {compared}");
    }
}

//! `calc` answers with units and sources; every command explains itself.

use crate::support::{barwright, number};

/// One value of an answer in JSON.
fn answer(args: &[&str], name: &str) -> (f64, String) {
    let mut all = vec!["--json", "calc"];
    all.extend(args);
    let said = barwright(&all);
    assert_eq!(said.code, 0, "{args:?}: {}", said.err);
    let answer: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
    assert!(!answer["source"].as_str().expect("a source").is_empty());
    assert!(!answer["holds"].as_str().expect("its validity").is_empty());
    let values = answer["values"].as_array().expect("values");
    let found = values
        .iter()
        .find(|v| v["name"] == name)
        .unwrap_or_else(|| panic!("{args:?} does not answer {name}: {answer:#}"));
    (number(&found["value"]), found["unit"].as_str().expect("a unit").to_owned())
}

/// Truth: closed form, worked by separate arithmetic with the same media; tolerances are half of
/// the last digit of the worked value. The water velocity at 20 °C is a printed value.
#[test]
fn answers_agree_with_worked_values() {
    for (args, name, worked, tolerance, unit) in [
        (vec!["water", "--temperature-c", "20"], "sound velocity", 1482.38, 0.005, "m/s"),
        (vec!["refraction", "--shear-deg", "45"], "incidence", 18.786, 5e-4, "deg"),
        (
            vec!["refraction", "--incidence-deg", "10"],
            "refracted longitudinal",
            43.906,
            5e-4,
            "deg",
        ),
        (vec!["interface", "--incidence-deg", "0"], "reflected pressure |R|", 0.93828, 5e-6, ""),
        (vec!["wavelength", "--frequency-mhz", "5"], "longitudinal in steel", 1.184, 5e-7, "mm"),
        (
            vec!["beam", "--size-mm", "10", "--frequency-mhz", "5", "--velocity-m-s", "5920"],
            "near field",
            21.115,
            5e-4,
            "mm",
        ),
        (
            vec!["grating", "--pitch-mm", "1", "--frequency-mhz", "5", "--velocity-m-s", "1482.38"],
            "grating lobe of order 1",
            -17.2,
            0.05,
            "deg",
        ),
        (
            vec!["reflector", "--disc-mm", "2", "--path-mm", "100", "--frequency-mhz", "5"],
            "disc re back wall at the same path",
            -25.50,
            5e-3,
            "dB",
        ),
        (vec!["water-path", "--thickness-mm", "50"], "least water path", 12.52, 5e-3, "mm"),
        (
            vec!["offset", "--diameter-mm", "100", "--shear-deg", "45"],
            "offset over radius",
            0.3220,
            5e-5,
            "",
        ),
        (
            vec!["spacing", "--shots-per-s", "5000", "--speed-m-s", "1"],
            "way between two shots",
            0.2,
            1e-9,
            "mm",
        ),
        (
            vec!["delay", "--step-ns", "10", "--frequency-mhz", "5", "--elements", "16"],
            "loss at the focus re exact delays",
            0.0357,
            5e-5,
            "dB",
        ),
    ] {
        let (value, found_unit) = answer(&args, name);
        assert!((value - worked).abs() <= tolerance, "{args:?} {name}: {value}, worked {worked}");
        assert_eq!(found_unit, unit, "{args:?} {name}");
    }
}

#[test]
fn impossible_questions_are_refused_with_the_number() {
    let said = barwright(&["calc", "water", "--temperature-c", "120"]);
    assert_eq!(said.code, 2);
    assert!(said.err.contains("120"), "{}", said.err);
    let said = barwright(&["calc", "wavelength", "--frequency-mhz", "0"]);
    assert_eq!(said.code, 2, "{}", said.out);
}

#[test]
fn every_command_explains_itself() {
    let help = barwright(&["--help"]).out;
    for command in [
        "demo", "example", "plan", "prove", "refbar", "twin", "capture", "level", "check",
        "screen", "sentence", "ledger", "certify", "serve", "validate", "calc",
    ] {
        assert!(help.contains(&format!("  {command} ")), "{command} is not listed");
        let said = barwright(&[command, "--help"]);
        assert_eq!(said.code, 0);
        assert!(said.out.contains("--json") && said.out.len() > 300, "{command}: {}", said.out);
    }
}

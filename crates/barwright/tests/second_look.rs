//! A second look from the command line: at a bar of the virtual station, and at measured blocks. Kinds of truth: independent code
//! (the virtual station's exact field), measurement.

use std::path::Path;

use crate::support::{barwright, job, json, number, shared};

/// A job folder with a technique for bars of 42 mm, and a scene with one disc opposite the first probe.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let j = folder.path();
    job(j, &["example", "round-42"], 0);
    job(j, &["plan"], 0);
    std::fs::write(
        j.join("scene.toml"),
        r#"
format = 1
seed = 3
station = { element_spread_db = 0.3, probe_spread_db = 0.0, noise_fsh_percent = 1.0, wobble_mm = 0.0 }
bars = [
  { name = "01", flaws = [{ disc = { diameter_mm = 2.0, radius_mm = 9.0, angle_deg = 90.0, z_mm = 900.0 } }] },
  { name = "02" },
]
"#,
    )
    .expect("a scene");
    folder
}

fn spots(look: &serde_json::Value) -> &Vec<serde_json::Value> {
    look["body"]["views"][0]["spots"].as_array().expect("spots")
}

#[test]
fn a_flaw_of_a_round_bar_is_seen_where_it_is() {
    let folder = folder();
    let j = folder.path();
    let technique = json(&j.join("technique.json"));
    // The probe whose middle stands at the disc's angle, and how far off that it is.
    let probes = technique["body"]["probes"].as_array().expect("probes");
    let off = |p: &serde_json::Value| {
        let e = p["elements"].as_array().expect("elements");
        let middle = |k: &str| e.iter().map(|e| number(&e["centre"][k])).sum::<f64>();
        let turn = 90.0 - middle("y").atan2(middle("x")).to_degrees();
        (turn + 180.0).rem_euclid(360.0) - 180.0
    };
    let (probe, turn_deg) = probes
        .iter()
        .map(off)
        .enumerate()
        .min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .expect("a probe");
    let probe = (probe + 1).to_string();
    let take = |bar: &str, name: &str| {
        let args = ["twin", "matrix", bar, "--probe", &probe, "--z-mm", "900", "--name", name];
        job(j, &args, 0);
    };
    take("01", "flawed");
    take("02", "clean");
    let matrix = j.join("matrices/flawed");
    let matrix = matrix.to_str().expect("a path");
    // Both the skin and the far wall shine: the disc is looked for between them.
    let said =
        job(j, &["look", matrix, "--name", "one", "--depth-mm", "5", "35", "--across-mm", "12"], 0);
    println!("{}{}", said.out, said.err);
    let look = json(&j.join("looks/one.json"));
    let spot = &spots(&look)[0];
    // Truth: the scene. Where the bar faces the array the angle is nought, counter-clockwise as in the section.
    let [radius_mm, angle_deg] = [0, 1].map(|i| number(&spot["about_axis"][i]));
    let (radius_mm, angle_deg) = (radius_mm * 1e3, angle_deg.to_degrees());
    println!("at {radius_mm:.2} mm, {angle_deg:.1}° for {turn_deg:.1}°");
    let across_mm = 9.0 * (angle_deg.abs() - turn_deg.abs()).to_radians();
    // A tenth of a wavelength of 1.2 mm, and a face of 2 mm that is met as a whole.
    assert!((radius_mm - 9.0).abs() < 0.25 && across_mm.abs() < 0.3, "{spot}");
    // How wide it is, within three of what is said of that.
    let (size, give) = (number(&spot["size_m"][0]), number(&spot["size_uncertainty_m"][0]));
    assert!((size - 2e-3).abs() < 3.0 * give && give < 0.3e-3, "{size} {give}");
    assert!(j.join("looks/one.svg").exists());
    // The same place of a sound bar shows nothing as high.
    let clean = j.join("matrices/clean");
    let clean = clean.to_str().expect("a path");
    job(j, &["look", clean, "--name", "two", "--depth-mm", "5", "35", "--across-mm", "12"], 0);
    let sound = json(&j.join("looks/two.json"));
    let highest = spots(&sound).first().map_or(0.0, |s| number(&s["height"]));
    assert!(highest < 0.3 * number(&spot["height"]), "{highest} {spot}");

    // The technique's beams of that probe, formed from the matrix.
    let said = job(j, &["capture", "import", matrix, "--probe", &probe, "--name", "tried"], 0);
    let of_probe = technique["body"]["beams"]
        .as_array()
        .expect("beams")
        .iter()
        .filter(|b| number(&b["probe"]) + 1.0 == probe.parse::<f64>().expect("a number"))
        .count();
    assert!(said.out.starts_with(&format!("{of_probe} of ")), "{}", said.out);
    let wrong = job(j, &["capture", "import", matrix, "--probe", "99", "--name", "tried"], 2);
    assert!(wrong.err.contains("probe"), "{}", wrong.err);
}

#[test]
fn a_look_is_kept_with_the_indication_that_asked_for_it() {
    let Some(data) = shared("data/fmc-steel-sdh") else { return };
    let data = data.to_str().expect("a plain path");
    let folder = tempfile::tempdir().expect("a folder");
    let j = folder.path();
    job(j, &["example", "block-50"], 0);
    job(j, &["plan"], 0);
    job(j, &["refbar"], 0);
    job(j, &["capture", "import", data, "--name", "first"], 0);
    let first = j.join("captures/first.parquet");
    job(j, &["level", first.to_str().expect("path")], 1);
    job(j, &["capture", "import", data, "--levelled", "--name", "second"], 0);
    let second = j.join("captures/second.parquet");
    job(j, &["screen", second.to_str().expect("path")], 1);
    job(j, &["sentence", "block"], 1);
    let letter = json(&j.join("bars/block.judgement.json"))["body"]["indications"][0]["letter"]
        .as_str()
        .expect("a letter")
        .to_owned();
    let asked = format!("block:{letter}");
    // Records at full scale make it doubtful: attention.
    let args = [
        "look",
        data,
        "--name",
        "hole",
        "--asked-by",
        &asked,
        "--depth-mm",
        "5",
        "55",
        "--across-mm",
        "15",
    ];
    let said = job(j, &args, 1);
    assert!(
        said.out.contains("full scale") && said.out.contains("wall at 50.0 mm"),
        "{}",
        said.out
    );
    let look = json(&j.join("looks/hole.json"));
    assert_eq!(look["body"]["asked_by"]["letter"], letter.as_str());
    assert_eq!(look["made_from"]["judgement"], json(&j.join("bars/block.judgement.json"))["hash"]);
    // Truth: measurement. Hole stated at 25.0 mm, back wall at 50 mm.
    let near = |depth_mm: f64, within_mm: f64| {
        spots(&look).iter().any(|s| (number(&s["depth_m"]) * 1e3 - depth_mm).abs() < within_mm)
    };
    assert!(near(25.0, 0.5) && near(50.0, 1.0), "{:?}", spots(&look));
    // The record shows it with the bar; a look that no indication asked for is about none.
    job(j, &["ledger", "add", "look", "hole", "--author", "I1"], 0);
    let said = job(j, &["ledger", "bar", "block"], 0);
    assert!(said.out.contains("second_look"), "{}", said.out);
    job(j, &["look", data, "--name", "own", "--depth-mm", "5", "55", "--across-mm", "15"], 1);
    let said = job(j, &["ledger", "add", "look", "own", "--author", "I1"], 2);
    assert!(said.err.contains("no indication asked"), "{}", said.err);
    let unknown = job(j, &["look", data, "--name", "x", "--asked-by", "block:Z"], 2);
    assert!(unknown.err.contains(&letter), "{}", unknown.err);
    assert!(!j.join("looks/x.json").exists());
}

/// A copy of measured data whose description was changed.
fn changed(data: &Path, to: &Path, change: impl Fn(&mut serde_json::Value)) -> String {
    std::fs::create_dir_all(to).expect("a folder");
    std::fs::copy(data.join("fmc.npy"), to.join("fmc.npy")).expect("a copy");
    let mut meta = json(&data.join("meta.json"));
    change(&mut meta);
    std::fs::write(to.join("meta.json"), meta.to_string()).expect("written");
    to.to_str().expect("a path").to_owned()
}

#[test]
fn measured_data_with_a_wrong_description_is_told() {
    let (Some(copper), Some(steel)) =
        (shared("data/fmc-copper-immersion"), shared("data/fmc-steel-sdh"))
    else {
        return;
    };
    let folder = tempfile::tempdir().expect("a folder");
    let j = folder.path();
    let copper_args = |data: &str, code: i32| {
        let args = [
            "look",
            data,
            "--name",
            "two",
            "--flat",
            "--longitudinal-m-s",
            "4660",
            "--depth-mm",
            "5",
            "25",
            "--across-mm",
            "16",
        ];
        job(j, &args, code)
    };
    let right = copper_args(copper.to_str().expect("a path"), 0);
    println!("{}", right.out);
    // Time that counts from elsewhere: the surface between elements far apart tells.
    let wrong = changed(&copper, &j.join("late"), |m| m["first_sample_s"] = 30e-6.into());
    let said = copper_args(&wrong, 1);
    assert!(said.out.contains("origin of time"), "{}", said.out);
    // A wall of known depth tells in contact.
    let wrong = changed(&steel, &j.join("later"), |m| m["first_sample_s"] = 1e-6.into());
    let args = ["look", &wrong, "--name", "three", "--across-mm", "16", "--depth-mm", "5", "60"];
    let said = job(j, &args, 1);
    assert!(said.out.contains("wall at 50.0 mm is drawn"), "{}", said.out);
    // Axes in another order are refused.
    let wrong = changed(&copper, &j.join("axes"), |m| {
        m["axes"] = serde_json::json!(["receive", "transmit", "sample"]);
    });
    let said = copper_args(&wrong, 2);
    assert!(said.err.contains("axes"), "{}", said.err);
    // What is not known is asked for.
    let said = job(j, &["look", copper.to_str().expect("a path"), "--name", "x", "--flat"], 2);
    assert!(said.err.contains("--longitudinal-m-s"), "{}", said.err);
    let said = barwright(&["look", "nowhere", "--name", "../x"]);
    assert_eq!(said.code, 2);
    assert!(said.err.contains("no name of a look"), "{}", said.err);
}

//! Techniques compared and exported, margins written: what is read back is what was planned. Kind of
//! truth: round trips and planted changes.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use crate::support::{self, job};
use barwright_job::Sealed;
use barwright_job::proof::Proof;
use barwright_job::technique::{Beam, Firing, Gate, GateKind, Technique};

/// A job folder with the round example, planned once for all tests.
fn planned() -> (tempfile::TempDir, Sealed<Technique>) {
    static ONCE: LazyLock<PathBuf> = LazyLock::new(|| {
        let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("planned-once");
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).expect("a folder");
        job(&path, &["example", "round-42"], 0);
        job(&path, &["plan"], 0);
        path
    });
    let folder = tempfile::tempdir().expect("a folder");
    for name in ["order.toml", "station.toml", "rules.toml", "technique.json"] {
        std::fs::copy(ONCE.join(name), folder.path().join(name)).expect("a copy");
    }
    let technique = read(&folder.path().join("technique.json"));
    (folder, technique)
}

fn read(path: &Path) -> Sealed<Technique> {
    let text = std::fs::read_to_string(path).expect("technique");
    Sealed::from_json("technique", &text).expect("sealed")
}

/// Writes a technique of the same origin beside the planned one.
fn changed(
    folder: &Path,
    name: &str,
    from: &Sealed<Technique>,
    change: impl FnOnce(&mut Technique),
) -> String {
    let mut body = from.body.clone();
    change(&mut body);
    let origin = ["order", "station", "rules"]
        .into_iter()
        .filter_map(|role| Some((role, from.made_from.get(role)?.clone())));
    let path = folder.join(name);
    std::fs::write(&path, Sealed::seal(body, origin).to_json()).expect("write");
    path.to_str().expect("a plain path").to_owned()
}

fn plain(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

/// Rows of a table by its column names.
fn rows(path: &Path, columns: &[&str]) -> Vec<Vec<String>> {
    let mut reader = csv::Reader::from_path(path).expect("a table");
    let head: Vec<String> = reader.headers().expect("head").iter().map(str::to_owned).collect();
    assert_eq!(head, columns, "{}", path.display());
    reader.records().map(|r| r.expect("a row").iter().map(str::to_owned).collect()).collect()
}

fn int(cell: &str) -> u32 {
    cell.parse().unwrap_or_else(|e| panic!("{cell}: {e}"))
}

/// A number with the power of ten of its unit undone; exact, since the text has all its digits.
fn si(cell: &str, power: i32) -> f64 {
    format!("{cell}e{power}").parse().unwrap_or_else(|e| panic!("{cell}: {e}"))
}

#[test]
fn tables_read_back_give_the_technique() {
    let (folder, technique) = planned();
    let out = folder.path().join("new/tables");
    let said = job(folder.path(), &["technique", "export", "--csv", plain(&out)], 0);
    assert!(said.out.contains(technique.hash.short()), "{}", said.out);
    let t = &technique.body;

    let beams = rows(
        &out.join("beams.csv"),
        &[
            "beam",
            "probe",
            "first_element",
            "elements",
            "mode",
            "gain_db",
            "surface_us",
            "surface_beam",
            "entry_x_mm",
            "entry_y_mm",
            "direction_deg",
            "velocity_m_s",
            "reach_mm",
            "axial_width_mm",
        ],
    );
    // The tables do not hold the predicted echoes; everything else is built anew from them.
    let mut back: Vec<Beam> = beams
        .iter()
        .zip(&t.beams)
        .map(|(r, planned)| {
            let mut b = planned.clone();
            b.id = int(&r[0]);
            b.probe = int(&r[1]);
            b.first_element = int(&r[2]);
            b.mode = serde_json::from_value(r[4].as_str().into()).expect("a wave");
            b.gain_db = si(&r[5], 0);
            b.surface_time_s = si(&r[6], -6);
            b.surface_beam = (!r[7].is_empty()).then(|| int(&r[7]));
            b.axis.entry.x = si(&r[8], -3);
            b.axis.entry.y = si(&r[9], -3);
            b.axis.velocity_m_s = si(&r[11], 0);
            b.axis.reach_m = si(&r[12], -3);
            b.axial_width_m = si(&r[13], -3);
            // Degrees round twice: two units in the last place of an angle up to 2π.
            let turn = si(&r[10], 0).to_radians() - b.axis.direction_rad;
            assert!(turn.abs() <= 4.0 * f64::EPSILON * std::f64::consts::TAU, "beam {}", b.id);
            b.transmit_delays_s.clear();
            b.receive_delays_s.clear();
            b.gates.clear();
            b.gain_curve.clear();
            b
        })
        .collect();
    assert_eq!(back.len(), t.beams.len());

    let laws = ["beam", "probe", "element", "transmit_ns", "receive_ns"];
    for r in rows(&out.join("laws.csv"), &laws) {
        let b = &mut back[int(&r[0]) as usize];
        assert_eq!(int(&r[1]), b.probe);
        assert_eq!(int(&r[2]), b.first_element + b.elements(), "elements follow each other");
        b.transmit_delays_s.push(si(&r[3], -9));
        b.receive_delays_s.push(si(&r[4], -9));
    }
    for (r, b) in beams.iter().zip(&back) {
        assert_eq!(int(&r[3]), b.elements());
    }
    let gates =
        ["beam", "gate", "kind", "counts_from", "start_us", "end_us", "threshold_fsh_percent"];
    for r in rows(&out.join("gates.csv"), &gates) {
        let b = &mut back[int(&r[0]) as usize];
        assert_eq!(int(&r[1]) as usize, b.gates.len());
        let kind: GateKind = serde_json::from_value(r[2].as_str().into()).expect("a kind");
        assert_eq!(r[3], if kind == GateKind::Surface { "firing" } else { "surface" });
        b.gates.push(Gate {
            kind,
            start_s: si(&r[4], -6),
            end_s: si(&r[5], -6),
            threshold_fsh: si(&r[6], -2),
        });
    }
    for r in rows(&out.join("gain_curve.csv"), &["beam", "point", "after_surface_us", "gain_db"]) {
        let curve = &mut back[int(&r[0]) as usize].gain_curve;
        assert_eq!(int(&r[1]) as usize, curve.len());
        curve.push(barwright_job::technique::GainPoint {
            after_surface_s: si(&r[2], -6),
            gain_db: si(&r[3], 0),
        });
    }
    assert_eq!(back, t.beams);

    let mut firings: Vec<Firing> = Vec::new();
    for r in rows(&out.join("schedule.csv"), &["firing", "start_us", "beam", "period_us"]) {
        assert_eq!(si(&r[3], -6), t.schedule.period_s);
        let k = int(&r[0]) as usize;
        if k == firings.len() {
            firings.push(Firing { start_s: si(&r[1], -6), beams: vec![] });
        }
        firings[k].beams.push(int(&r[2]));
    }
    assert_eq!(firings, t.schedule.firings);
}

#[test]
fn an_export_that_cannot_be_written_leaves_nothing() {
    let (folder, _) = planned();
    let j = folder.path();
    // Under a file there is no folder, whoever runs this.
    std::fs::write(j.join("file"), "x").expect("write");
    let said = job(j, &["technique", "export", "--csv", plain(&j.join("file/tables"))], 2);
    assert!(said.err.contains("cannot be written"), "{}", said.err);
    // A folder under a table's name: no other table may appear either.
    std::fs::create_dir_all(j.join("tables/gates.csv/occupied")).expect("folder");
    let said = job(j, &["technique", "export", "--csv", plain(&j.join("tables"))], 2);
    assert!(said.err.contains("gates.csv: cannot be written"), "{}", said.err);
    let left: Vec<_> = std::fs::read_dir(j.join("tables"))
        .expect("folder")
        .map(|e| e.expect("entry").file_name())
        .collect();
    assert_eq!(left, ["gates.csv"], "no table and no temporary file is left");
    // Without a technique there is nothing to write.
    let empty = tempfile::tempdir().expect("a folder");
    let out = empty.path().join("tables");
    let said = job(empty.path(), &["technique", "export", "--csv", plain(&out)], 2);
    assert!(said.err.contains("there is no such file"), "{}", said.err);
    assert!(!out.exists());
}

#[test]
fn a_technique_is_the_same_as_itself_and_planted_changes_are_found() {
    let (folder, technique) = planned();
    let j = folder.path();
    let own = j.join("technique.json");
    let diff = |second: &str, code| job(j, &["technique", "diff", plain(&own), second], code).out;
    let data = |second: &str| -> serde_json::Value {
        let said = job(j, &["--json", "technique", "diff", plain(&own), second], 1);
        serde_json::from_str(&said.out).expect("JSON")
    };
    let copy = changed(j, "copy.json", &technique, |_| {});
    assert!(diff(&copy, 0).contains("the techniques are the same"));

    let last = technique.body.beams.len() as u32 - 1;
    let other = changed(j, "other.json", &technique, |t| {
        t.line_speed_m_s += 0.125;
        t.beams[5].gain_db += 1.5;
        t.beams[6].transmit_delays_s[3] += 12.5e-9;
        let gate = t.beams[7].gates.iter_mut().find(|g| g.kind != GateKind::Surface);
        gate.expect("a gate").end_s -= 0.25e-6;
        t.schedule.period_s += 1e-3;
        t.beams.pop();
        for f in &mut t.schedule.firings {
            f.beams.retain(|b| *b != last);
        }
    });
    let found = data(&other);
    assert_eq!(found["same"], false);
    assert_eq!(found["beams"]["removed"][0]["beam"], last);
    assert_eq!(found["beams"]["added"].as_array().map(Vec::len), Some(0));
    // A beam that followed the removed one's surface echo would be a fourth.
    let of = |beam: u32| {
        let list = found["beams"]["changed"].as_array().expect("a list");
        list.iter().find(|c| c["second"]["beam"] == beam).expect("the beam").clone()
    };
    // Differences of numbers of this size round at 1e-12 of the unit shown.
    let near = |value: &serde_json::Value, wanted: f64| {
        let value = support::number(value);
        assert!((value - wanted).abs() < 1e-6, "{value} is not {wanted}");
    };
    near(&of(5)["gain_db"], 1.5);
    near(&of(6)["delays"]["largest_ns"], 12.5);
    assert_eq!(of(6)["delays"]["law"], "transmit");
    assert_eq!(of(6)["delays"]["element"], technique.body.beams[6].first_element + 3);
    near(&of(7)["gates"][0]["end_us"], -0.25);
    let velocity = technique.body.beams[7].axis.velocity_m_s;
    near(&of(7)["gates"][0]["end_mm"], -0.125e-3 * velocity);
    near(&found["schedule"]["period_ms"][1], technique.body.schedule.period_s * 1e3 + 1.0);
    let text = diff(&other, 1);
    let speed = technique.body.line_speed_m_s;
    // Five digits tell these apart.
    let five = |v: f64| format!("{v:.4e}").parse::<f64>().expect("a number");
    for wanted in [
        format!("line speed: {} m/s, then {} m/s", five(speed), five(speed + 0.125)),
        "1 removed".to_owned(),
        "delays up to +12.500 ns (transmit".to_owned(),
        "gain +1.500 dB".to_owned(),
        "end -0.250 µs".to_owned(),
        technique.hash.short().to_owned(),
    ] {
        assert!(text.contains(&wanted), "no {wanted:?} in\n{text}");
    }
}

#[test]
fn beams_that_only_have_other_numbers_are_not_changed() {
    let (folder, technique) = planned();
    let j = folder.path();
    let swapped = changed(j, "swapped.json", &technique, |t| {
        t.beams.swap(0, 1);
        let to = |b: u32| match b {
            0 => 1,
            1 => 0,
            b => b,
        };
        for (i, b) in t.beams.iter_mut().enumerate() {
            b.id = u32::try_from(i).expect("few beams");
            b.surface_beam = b.surface_beam.map(to);
        }
        for f in &mut t.schedule.firings {
            f.beams.iter_mut().for_each(|b| *b = to(*b));
        }
    });
    let own = j.join("technique.json");
    let said = job(j, &["technique", "diff", plain(&own), &swapped], 1);
    assert!(said.out.contains("0 changed, 2 with another number"), "{}", said.out);
    assert!(!said.out.contains("schedule:"), "{}", said.out);
}

#[test]
fn what_is_no_technique_is_refused() {
    let (folder, _) = planned();
    let j = folder.path();
    job(j, &["refbar"], 0);
    let (own, bar) = (j.join("technique.json"), j.join("reference-bar.json"));
    let said = job(j, &["technique", "diff", plain(&own), plain(&bar)], 2);
    assert!(said.err.contains("reference bar"), "{}", said.err);
    let said = job(j, &["technique", "diff", plain(&j.join("none.json")), plain(&own)], 2);
    assert!(said.err.contains("there is no such file"), "{}", said.err);
    job(j, &["technique", "diff", plain(&own)], 2);
}

#[test]
fn margins_are_written_place_by_place() {
    let (folder, _) = planned();
    let j = folder.path();
    let refused = job(j, &["prove", "--map", "margins.txt"], 2);
    assert!(refused.err.contains("must end with .csv or .json"), "{}", refused.err);
    job(j, &["prove", "--engine", "guess"], 2);
    assert!(!j.join("proof.json").exists());
    let path = j.join("maps/margins.csv");
    let said =
        support::barwright(&["--job", plain(j), "prove", "--engine", "ray", "--map", plain(&path)]);
    assert!(said.code < 2, "{}", said.err);
    let text = std::fs::read_to_string(j.join("proof.json")).expect("proof");
    let proof = Sealed::<Proof>::from_json("proof", &text).expect("sealed").body;
    let columns =
        ["engine", "class", "x_mm", "y_mm", "nominal_db_re_alarm", "worst_db_re_alarm", "asked"];
    let table = rows(&path, &columns);
    let disc = &proof.classes[0];
    let own = |r: &&Vec<String>| r[0] == "exact" && r[1] == "disc" && r[6] == "true";
    let (of, seen) = table.iter().filter(own).fold((0.0, 0.0), |(of, seen), r| {
        let db: Option<f64> = (!r[5].is_empty()).then(|| si(&r[5], 0));
        // Places of a ring stand for an area that grows with its radius.
        let area = si(&r[2], 0).hypot(si(&r[3], 0));
        (of + area, seen + if db.is_some_and(|db| db >= 0.0) { area } else { 0.0 })
    });
    // The file must give the covered share itself; places are rounded to a nanometre or so.
    assert!(of > 1000.0 && (seen / of - disc.worst).abs() < 1e-6, "{seen} of {of}");
    let weakest = disc.weakest.margin_db.map(|db| db as f32);
    let found = table
        .iter()
        .filter(own)
        .filter(|r| !r[5].is_empty())
        .map(|r| r[5].parse::<f32>().expect("dB"))
        .fold(f32::INFINITY, f32::min);
    if let Some(weakest) = weakest {
        assert_eq!(found, weakest);
    }
    assert!(table.iter().any(|r| r[1] == "crack"));
    assert!(table.iter().all(|r| r[0] == "ray" || r[0] == "exact"));
}

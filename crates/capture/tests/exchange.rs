//! A-scans to and from other programs. Truth: property (round trips), closed form (values worked by
//! hand), independent code (Apache Arrow's C++ reader).

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::common::technique as technique_doc;
use crate::common::{bits, folder, header, shots, write};
use barwright_capture::export::{self, SampleType};
use barwright_capture::import::Named;
use barwright_capture::shots::ShotPlace;
use barwright_capture::*;
use barwright_job::screened::{Echo, EchoMark};
use barwright_job::{Hash, Sealed, Technique, technique::Record};
use technique_doc::contact;

const SAMPLES: u32 = 123;

fn record() -> Record {
    Record { first_sample_s: 5.1e-5, sample_rate_hz: 25e6, samples: SAMPLES, full_scale_fsh: 4.0 }
}

/// A technique of 12 beams with the record of [`header`].
fn technique() -> Sealed<Technique> {
    contact(18, record())
}

fn read(file: &Path, map: &str) -> Result<(Shots, Imported)> {
    let map = ImportMap::from_toml("map.toml", map)?;
    let technique = technique();
    let mut all = Shots::new(SAMPLES as usize);
    let done = import_shots(file, &map, &technique, |batch| {
        all.append(batch.clone());
        Ok(())
    })?;
    Ok((all, done))
}

fn fails(file: &Path, map: &str) -> String {
    read(file, map).expect_err("it cannot be read").to_string()
}

fn file(dir: &Path, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
    let path = dir.join(name);
    std::fs::write(&path, content).expect("written");
    path
}

/// An NPY file of format 1.0.
fn npy(dir: &Path, name: &str, descr: &str, fortran: bool, shape: &str, bytes: &[u8]) -> PathBuf {
    let order = if fortran { "True" } else { "False" };
    let mut head =
        format!("{{'descr': '{descr}', 'fortran_order': {order}, 'shape': ({shape}), }}");
    while (10 + head.len() + 1) % 64 != 0 {
        head.push(' ');
    }
    head.push('\n');
    let mut all = b"\x93NUMPY\x01\x00".to_vec();
    all.extend((head.len() as u16).to_le_bytes());
    all.extend(head.as_bytes());
    all.extend(bytes);
    file(dir, name, all)
}

/// A map's samples where values are ours already.
const OURS: &str =
    "[samples]\nfull_scale = 32767.0\nsample_rate_mhz = 25.0\nfirst_sample_us = 51.0\n";

/// A row of `SAMPLES` equal fields.
fn samples(value: &str, between: &str) -> String {
    vec![value; SAMPLES as usize].join(between)
}

// Truth: property (round trip). Exact: nothing is rounded.
#[test]
fn what_was_exported_to_csv_is_imported_as_it_was() {
    let dir = folder();
    let capture = dir.path().join("a.parquet");
    let mut all = shots(SAMPLES as usize, 500);
    // The extremes, and a time that has no short decimal text.
    all.samples[..2].copy_from_slice(&[i16::MIN, i16::MAX]);
    all.time_s[7] = 7.1e-4 / 3.0;
    write(&capture, &header(SAMPLES), &all);
    let csv = dir.path().join("a.csv");
    let reader = CaptureReader::open(&capture).expect("open");
    let map = export::csv_map(reader.header());
    assert_eq!(export_csv(reader, &csv).expect("exported"), 500);
    let (back, done) = read(&csv, &map).expect("imported");
    assert_eq!(bits(&back), bits(&all));
    assert_eq!(done.absent_beams, (2..12).collect::<Vec<u32>>());
    assert!(!done.resampled && done.clipped_shots == 0, "{done:?}");
    // The header comes back too, but for what belongs to the technique.
    let parsed = ImportMap::from_toml("map.toml", &map).expect("a map");
    let made =
        parsed.header(&Named::default(), "H9", &technique(), None, "a.csv").expect("a header");
    let was = header(SAMPLES);
    assert_eq!((made.bar, made.heat, made.length_m), (was.bar, was.heat, was.length_m));
    assert_eq!((made.kind, made.origin, made.record), (was.kind, was.origin, was.record));
    assert_eq!(made.technique, technique().hash);
}

// Truth: independent code (Apache Arrow's C++ reader and numpy). Exact for integers; floats are one
// rounding to single precision, 2^-24 of the value.
#[test]
fn a_foreign_reader_finds_the_exported_parquet() {
    let dir = folder();
    let capture = dir.path().join("a.parquet");
    let all = shots(SAMPLES as usize, 300);
    write(&capture, &header(SAMPLES), &all);
    for (name, kind) in [("i.parquet", SampleType::Int16), ("f.parquet", SampleType::Float32)] {
        let reader = CaptureReader::open(&capture).expect("open");
        let (_, count) = export_parquet(reader, &dir.path().join(name), kind).expect("exported");
        assert_eq!(count, 300);
    }
    let raw: Vec<u8> = all.samples.iter().flat_map(|x| x.to_le_bytes()).collect();
    file(dir.path(), "raw", raw);
    let script = r#"
import json, sys
try:
    import numpy as np, pyarrow as pa, pyarrow.parquet as pq
except ImportError as e:
    print(e, file=sys.stderr); sys.exit(3)
folder = sys.argv[1]
want = np.fromfile(folder + "/raw", "<i2").reshape(-1, 123)
for name, kind in (("i", pa.int16()), ("f", pa.float32())):
    t = pq.read_table(f"{folder}/{name}.parquet")
    assert pa.types.is_list(t.schema.field("ascan").type), t.schema
    assert t.schema.field("ascan").type.value_type == kind, t.schema
    got = np.stack(t["ascan"].to_numpy())
    scale = 1.0 if name == "i" else 4.0 / 32767
    assert got.shape == want.shape and np.allclose(got, want * scale, rtol=1e-7 if name == "f" else 0, atol=0)
    assert np.array_equal(t["z_m"].to_numpy(), np.arange(300) * 1e-3)
    assert np.array_equal(t["beam"].to_numpy(), np.arange(300) % 2)
    assert all(f.metadata and b"unit" in f.metadata for f in t.schema)
    header = json.loads(pq.read_metadata(f"{folder}/{name}.parquet").metadata[b"barwright.header"])
    assert header["record"]["samples"] == 123 and header["bar"] == "17"
"#;
    let python = std::env::var("BARWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    match Command::new(python).arg("-c").arg(script).arg(dir.path()).output() {
        Err(e) => eprintln!("SKIPPED: no Python: {e}"),
        Ok(run) if run.status.code() == Some(3) => {
            eprintln!("SKIPPED: {}", String::from_utf8_lossy(&run.stderr));
        }
        Ok(run) => {
            assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        }
    }
    // An export is no capture, and says so.
    let wrong = CaptureReader::open(&dir.path().join("i.parquet")).expect_err("another kind");
    assert!(matches!(wrong, CaptureError::WrongKind { .. }), "{wrong}");
}

#[test]
fn echoes_are_exported_row_by_row() {
    let dir = folder();
    let (table, csv) = (dir.path().join("e.parquet"), dir.path().join("e.csv"));
    let echo = |beam, mark| Echo {
        beam,
        gate: 1,
        z_m: 0.1234,
        turn_rad: 0.5,
        height_fsh: 0.81,
        after_surface_s: 1.5e-6,
        mark,
    };
    let echoes = [echo(3, EchoMark::Sound), echo(4, EchoMark::CouplingLost)];
    write_echoes(&table, &Hash::of(b"t"), &echoes).expect("written");
    assert_eq!(export_echoes(&table, &csv).expect("exported"), 2);
    let text = std::fs::read_to_string(&csv).expect("read");
    assert_eq!(
        text,
        "beam,gate,z_m,turn_rad,height_fsh,after_surface_s,mark\n\
         3,1,0.1234,0.5,0.81,0.0000015,sound\n4,1,0.1234,0.5,0.81,0.0000015,coupling_lost\n"
    );
}

// Truth: property. A capture that is damaged in its second batch leaves no export, nor a part of one.
#[test]
fn no_half_a_file_is_left() {
    let dir = folder();
    let capture = dir.path().join("a.parquet");
    write(&capture, &header(600), &shots(600, 8000));
    let mut bytes = std::fs::read(&capture).expect("read");
    let middle = bytes.len() * 9 / 10;
    bytes[middle] ^= 1;
    std::fs::write(&capture, bytes).expect("written");
    let open = || CaptureReader::open(&capture).expect("open");
    export_csv(open(), &dir.path().join("b.csv")).expect_err("damaged");
    export_parquet(open(), &dir.path().join("b.parquet"), SampleType::Int16).expect_err("damaged");
    let left: Vec<_> = std::fs::read_dir(dir.path()).expect("a folder").collect();
    assert_eq!(left.len(), 1, "{left:?}");
}

// Truth: closed form. 64 of 127 over a zero of 128 is 64/127 of 200 %: 64/127 * 32767 / 2 of 400 %.
#[test]
fn units_scale_and_beams_are_as_the_map_says() {
    let dir = folder();
    let map = "format = 1\n\
        [csv]\ndelimiter = \";\"\ndecimal_comma = true\nheader_rows = 2\n\
        [csv.columns]\nbeam = \"probe\"\ntime_us = \"t\"\nz_mm = 3\nturn_deg = \"turn\"\nfirst_sample = \"a0\"\n\
        [samples]\nzero = 128.0\nfull_scale = 127.0\nfull_scale_fsh_percent = 200.0\n\
        sample_rate_mhz = 25.0\nfirst_sample_us = 51.0\n\
        [beams.map]\nA1 = 4\nB2 = 7\n\
        [motion]\ntime_from_first_shot = true\n";
    let line = |beam: &str, t: &str, z: &str, x: &str| {
        format!("{beam};{t};{z};180,0;{}\n", samples(x, ";"))
    };
    let text = format!(
        "made by a test\nprobe;t;z;turn;{}\n{}{}",
        (0..SAMPLES).map(|k| format!("a{k}")).collect::<Vec<_>>().join(";"),
        line("A1", "1000,5", "-2,5", "192"),
        line("B2", "1100,5", "12,5", "0,5"),
    );
    let (got, done) = read(&file(dir.path(), "a.csv", text), map).expect("read");
    assert_eq!(got.beam, [4, 7]);
    assert!((got.time_s[1] - 1e-4).abs() < 1e-15 && got.time_s[0] == 0.0, "{:?}", got.time_s);
    assert!((got.z_m[0] + 2.5e-3).abs() < 1e-15 && (got.z_m[1] - 12.5e-3).abs() < 1e-15);
    assert!((got.turn_rad[0] - std::f32::consts::PI).abs() < 1e-6);
    assert!(got.ascan(0).iter().all(|&x| x == 8256), "{}", got.samples[0]);
    // -127.5 of 127 was at their full scale though it is half of ours: the times say so.
    assert!(got.clipped_s[0][0].is_nan());
    assert_eq!(got.clipped_s[1], [5.1e-5, (51e-6 + 122.0 / 25e6) as f32]);
    assert_eq!((done.shots, done.clipped_shots), (2, 0));
}

#[test]
fn samples_beyond_full_scale_stand_at_full_scale_and_are_counted() {
    let dir = folder();
    let map = format!(
        "format = 1\n[csv]\nheader_rows = 0\n[csv.columns]\ntime_s = 1\nfirst_sample = 2\n\
         [beams]\nfixed = 5\n[motion]\nstart_mm = 7.0\nspeed_m_s = 2.0\n{OURS}"
    );
    let text = format!("0,{}\n0.5,{}\n", samples("12", ","), samples("40000", ","));
    let (got, done) = read(&file(dir.path(), "a.csv", text), &map).expect("read");
    assert_eq!(done.clipped_shots, 1);
    assert!(got.ascan(1).iter().all(|&x| x == i16::MAX));
    assert_eq!(got.beam, [5, 5]);
    assert!((got.z_m[1] - 1.007).abs() < 1e-12);
}

// Truth: property. The same numbers in every type, order of axes and byte order are the same shots.
#[test]
fn npy_files_of_all_types_and_orders_give_the_same_shots() {
    let dir = folder();
    let n = SAMPLES as usize;
    let value = |shot: usize, k: usize| ((shot * 37 + k * 11) % 200) as i16 - 100;
    let at: Vec<(usize, usize)> = (0..3).flat_map(|s| (0..n).map(move |k| (s, k))).collect();
    let bytes = |f: &dyn Fn(i16) -> Vec<u8>| {
        at.iter().flat_map(|&(s, k)| f(value(s, k))).collect::<Vec<u8>>()
    };
    let turned: Vec<u8> = (0..n)
        .flat_map(|k| (0..3).map(move |s| (s, k)))
        .flat_map(|(s, k)| value(s, k).to_le_bytes())
        .collect();
    file(dir.path(), "places.csv", "z,b\n0.1,1\n0.2,2\n0.3,3\n");
    let shot = format!("3, {n}");
    let row = "[\"shot\", \"sample\"]";
    let cases: Vec<(PathBuf, &str, f64)> = vec![
        (
            npy(dir.path(), "a.npy", "|i1", false, &shot, &bytes(&|x| vec![(x as i8) as u8])),
            row,
            0.0,
        ),
        (
            npy(dir.path(), "b.npy", "|u1", false, &shot, &bytes(&|x| vec![(x + 128) as u8])),
            row,
            128.0,
        ),
        (
            npy(dir.path(), "c.npy", "<i2", false, &shot, &bytes(&|x| x.to_le_bytes().into())),
            row,
            0.0,
        ),
        (
            npy(dir.path(), "d.npy", ">i2", false, &shot, &bytes(&|x| x.to_be_bytes().into())),
            row,
            0.0,
        ),
        (
            npy(
                dir.path(),
                "e.npy",
                "<f4",
                false,
                &shot,
                &bytes(&|x| f32::from(x).to_le_bytes().into()),
            ),
            row,
            0.0,
        ),
        (
            npy(
                dir.path(),
                "f.npy",
                "<f8",
                false,
                &shot,
                &bytes(&|x| f64::from(x).to_le_bytes().into()),
            ),
            row,
            0.0,
        ),
        (
            npy(dir.path(), "g.npy", "<i2", false, &format!("{n}, 3"), &turned),
            "[\"sample\", \"shot\"]",
            0.0,
        ),
        (npy(dir.path(), "h.npy", "<i2", true, &shot, &turned), row, 0.0),
    ];
    for (path, axes, zero) in cases {
        let map = format!(
            "format = 1\n[npy]\naxes = {axes}\n[npy.places]\nfile = \"places.csv\"\n\
             [npy.places.columns]\nz_m = \"z\"\nbeam = \"b\"\n[motion]\ninterval_us = 100.0\n\
             [beams]\ncounted_from = 1\n[samples]\nfull_scale = 127.0\nzero = {zero:?}\n\
             sample_rate_mhz = 25.0\nfirst_sample_us = 51.0\n"
        );
        let (got, _) = read(&path, &map).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        assert_eq!(got.beam, [0, 1, 2]);
        assert_eq!(got.z_m, [0.1, 0.2, 0.3]);
        for (s, k) in &at {
            let want = (f64::from(value(*s, *k)) * 32767.0 / 127.0).round() as i16;
            assert_eq!(got.ascan(*s)[*k], want, "{} {s} {k}", path.display());
        }
    }
}

#[test]
fn an_axis_of_beams_and_places_in_npy() {
    let dir = folder();
    let n = SAMPLES as usize;
    let bytes: Vec<u8> = (0..2 * 12 * n).flat_map(|i| ((i / n) as i16).to_le_bytes()).collect();
    let path = npy(dir.path(), "bar7.npy", "<i2", false, &format!("2, 12, {n}"), &bytes);
    let places: Vec<u8> =
        [0.0, 5.0, 0.01, 6.0].iter().flat_map(|x: &f64| x.to_le_bytes()).collect();
    npy(dir.path(), "bar7-places.npy", "<f8", false, "2, 2", &places);
    let map = format!(
        "format = 1\n[npy]\naxes = [\"shot\", \"beam\", \"sample\"]\n\
         [npy.places]\nfile = \"{{name}}-places.npy\"\n\
         [npy.places.columns]\ntime_s = 1\nz_mm = 2\n{OURS}"
    );
    let (got, done) = read(&path, &map).expect("read");
    assert_eq!(done.shots, 24);
    assert_eq!(got.beam, (0..12).chain(0..12).collect::<Vec<u32>>());
    assert_eq!((got.time_s[11], got.time_s[12]), (0.0, 0.01));
    assert!(got.z_m[12..].iter().all(|z| (z - 6e-3).abs() < 1e-15));
    assert!((0..24).all(|i| got.ascan(i).iter().all(|&x| x == i as i16)));
}

// Truth: closed form (a pulse in time). 0.3 %: the interpolation's own promise of 0.2 % and a count.
#[test]
fn other_rates_are_brought_to_the_record_where_the_map_allows() {
    let dir = folder();
    let wave = |t: f64| {
        let u = t - 53.4e-6;
        20000.0 * (-(u / 0.5e-6).powi(2)).exp() * (2.0 * std::f64::consts::PI * 5e6 * u).cos()
    };
    let row: Vec<String> =
        (0..700).map(|k| wave(50e-6 + f64::from(k) / 100e6).to_string()).collect();
    let path = file(dir.path(), "a.csv", format!("0,0,0,{}\n", row.join(",")));
    let map = |resample: bool, rate: &str, first: &str| {
        format!(
            "format = 1\n[csv]\nheader_rows = 0\n[csv.columns]\nbeam = 1\ntime_s = 2\nz_m = 3\nfirst_sample = 4\n\
             [samples]\nfull_scale = 32767.0\nsample_rate_mhz = {rate}\nfirst_sample_us = {first}\nresample = {resample}\n"
        )
    };
    let (got, done) = read(&path, &map(true, "100.0", "50.0")).expect("read");
    assert!(done.resampled);
    for (k, &x) in got.ascan(0).iter().enumerate() {
        let want = wave(record().time_s(k as f64));
        assert!((f64::from(x) - want).abs() < 60.0, "sample {k}: {x} against {want:.1}");
    }
    let refused = fails(&path, &map(false, "100.0", "50.0"));
    assert!(
        refused.contains("100.000000 MHz") && refused.contains("samples.resample"),
        "{refused}"
    );
    // What was not recorded is not silence.
    let short = fails(&path, &map(true, "100.0", "52.0"));
    assert!(short.contains("recorded time"), "{short}");
}

#[test]
fn what_cannot_be_read_is_told_by_file_line_and_key() {
    let dir = folder();
    let map = format!(
        "format = 1\n[csv]\n[csv.columns]\nbeam = \"b\"\ntime_s = \"t\"\nz_m = \"z\"\nfirst_sample = \"s0\"\n{OURS}"
    );
    let good = format!("1,0,0,{}", samples("5", ","));
    let names =
        format!("b,t,z,{}", (0..SAMPLES).map(|k| format!("s{k}")).collect::<Vec<_>>().join(","));
    let with = |row: &str| file(dir.path(), "a.csv", format!("{names}\n{good}\n{row}\n"));
    let told = |row: String, parts: &[&str]| {
        let text = fails(&with(&row), &map);
        assert!(parts.iter().all(|p| text.contains(p)), "{text}");
    };
    told(good.replacen("1,0", "1,x", 1), &["a.csv:3", "column 2 (t)", "\"x\" is not a number"]);
    told(good.replace("5,5", "5,nan"), &["a.csv:3", "(s1)", "not a number"]);
    told(format!("{good},7"), &["a.csv:3", "127 fields, the first shot has 126"]);
    told("1,0".into(), &["a.csv:3", "2 fields"]);
    told(good.replacen('1', "99", 1), &["a.csv:3", "(b)", "beams 0 to 11"]);
    told(good.replacen("1,0,0", "1,,0", 1), &["a.csv:3", "(t)", "empty"]);
    told(good.replacen('1', "1.5", 1), &["(b)", "no beam's number"]);
    // Counts that are wrong throughout.
    let short = file(dir.path(), "a.csv", "b,t,z,s0\n1,0,0,5\n");
    let text = fails(&short, &map);
    assert!(
        text.contains("the file has 1 samples") && text.contains("records 123 samples"),
        "{text}"
    );
    // No shots at all, and no file.
    let text = fails(&file(dir.path(), "a.csv", format!("{names}\n")), &map);
    assert!(text.contains("no shots"), "{text}");
    assert!(fails(&dir.path().join("none.csv"), &map).contains("no such file"));
    // The map.
    let wrong = |from: &str, to: &str, parts: &[&str]| {
        let text = fails(&with(&good), &map.replacen(from, to, 1));
        assert!(parts.iter().all(|p| text.contains(p)), "{text}");
    };
    wrong("beam = \"b\"", "baem = \"b\"", &["map.toml:4", "unknown field `baem`", "csv.columns"]);
    wrong("beam = \"b\"", "beam = 0", &["map.toml:4", "number from 1"]);
    wrong("beam = \"b\"", "beam = \"B\"", &["map.toml", "csv.columns.beam", "columns b, t, z, s0"]);
    wrong("beam = \"b\"", "beam = 500", &["csv.columns.beam is 500", "126 columns"]);
    wrong("beam = \"b\"\n", "", &["csv.columns.beam is absent"]);
    wrong("time_s = \"t\"\n", "", &["csv.columns.time_s is absent", "motion.interval_us"]);
    wrong("time_s", "time_ms = \"t\"\ntime_s", &["given more than once"]);
    wrong("full_scale = 32767.0", "full_scale = 0.0", &["samples.full_scale is 0"]);
    wrong("format = 1", "format = 2", &["format 2", "newer"]);
    wrong("[csv]\n", "[csv]\ndecimal_comma = true\n", &["csv.delimiter is a comma"]);
    wrong(
        "[csv]\n",
        "[npy]\naxes = [\"shot\", \"sample\"]\n[csv]\n",
        &["exactly one of [csv] and [npy]"],
    );
}

#[test]
fn npy_files_that_do_not_fit_are_told() {
    let dir = folder();
    let n = SAMPLES as usize;
    let path = npy(dir.path(), "a.npy", "<i2", false, &format!("2, {n}"), &vec![0; 4 * n]);
    let map = |extra: &str| {
        format!(
            "format = 1\n[npy]\naxes = [\"shot\", \"sample\"]\n{extra}\n[motion]\ninterval_us = 10.0\n{OURS}"
        )
    };
    let places = "[npy.places]\nfile = \"p.csv\"\n[npy.places.columns]\nbeam = 1\nz_mm = 2\n";
    let told = |rows: &str, parts: &[&str]| {
        file(dir.path(), "p.csv", rows);
        let text = fails(&path, &map(places));
        assert!(parts.iter().all(|p| text.contains(p)), "{text}");
    };
    told("b,z\n1,0\n", &["p.csv", "the NPY file has more shots"]);
    told("b,z\n1,0\n1,1\n1,2\n", &["p.csv:4", "more rows than the 2 shots"]);
    told("b,z\n1,0\n1,?\n", &["p.csv:3", "\"?\" is not a number"]);
    let text = fails(&path, &map(""));
    assert!(text.contains("npy.places.columns.beam is absent"), "{text}");
    let other = npy(dir.path(), "o.npy", "<c8", false, &format!("2, {n}"), &vec![0; 16 * n]);
    file(dir.path(), "p.csv", "b,z\n1,0\n1,1\n");
    assert!(fails(&other, &map(places)).contains("type of number"));
    let cut = npy(dir.path(), "c.npy", "<i2", false, &format!("3, {n}"), &vec![0; 4 * n]);
    assert!(fails(&cut, &map(places)).contains("does not fit"));
}

// Truth: property. A row without end is refused before it fills the memory: no line's end at all, or
// a quote that never closes.
#[test]
fn rows_without_end_are_refused() {
    let dir = folder();
    let map = format!(
        "format = 1\n[csv]\n[csv.columns]\nbeam = 1\ntime_s = 2\nz_m = 3\nfirst_sample = 4\n{OURS}"
    );
    let text = fails(&file(dir.path(), "a.csv", vec![b'7'; 40 << 20]), &map);
    assert!(text.contains("a.csv:1") && text.contains("longer than"), "{text}");
    let open = format!("a,b,c,d\n\"{}", "7,7,7,7\n".repeat(5 << 20));
    let text = fails(&file(dir.path(), "a.csv", open), &map);
    assert!(text.contains("a.csv:2") && text.contains("open quote"), "{text}");
}

// Truth: property. Memory stays bounded: batches of 8 MiB, whatever the file's size.
#[test]
fn large_files_come_in_batches() {
    let dir = folder();
    let mut big = Shots::new(SAMPLES as usize);
    for i in 0..40_000_u32 {
        let place = ShotPlace { pass: 0, beam: 0, time_s: f64::from(i), z_m: 0.0, turn_rad: 0.0 };
        big.push(place).fill((i % 9) as i16);
    }
    let capture = dir.path().join("a.parquet");
    write(&capture, &header(SAMPLES), &big);
    let csv = dir.path().join("a.csv");
    let reader = CaptureReader::open(&capture).expect("open");
    let map = export::csv_map(reader.header());
    export_csv(reader, &csv).expect("exported");
    let map = ImportMap::from_toml("map.toml", &map).expect("a map");
    let (mut batches, mut all) = (0, 0);
    import_shots(&csv, &map, &technique(), |batch| {
        batches += 1;
        all += batch.len();
        assert!(batch.samples.len() * 2 < (8 << 20) + 1000);
        Ok(())
    })
    .expect("imported");
    assert_eq!((batches, all), (2, 40_000));
}

// The example's keys are those of the reader.
#[test]
fn the_example_can_be_read() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples");
    for name in ["import-map-csv.toml", "import-map-npy.toml"] {
        let text = std::fs::read_to_string(root.join(name)).expect("an example");
        ImportMap::from_toml(name, &text).expect("a map");
    }
}

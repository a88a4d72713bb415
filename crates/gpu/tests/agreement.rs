//! Both engines answer alike: drawn batches, and the independent program's values. Needs a device; without
//! one these tests say so and end.
#![cfg(feature = "cuda")]

#[path = "../../wave/tests/support/mod.rs"]
mod values;

use crate::support::{Echoes, drawn, worst_db};
use barwright_gpu::{Device, DeviceError};
use barwright_wave::cylinder::batch::{
    BarBand, FieldEngine, MapBatch, MapItem, Processors, RingShares, Wanted,
};
use barwright_wave::cylinder::{LineArray, LineSource};
use barwright_wave::{Mode, Point};
use num_complex::Complex64;
use serde_json::Value;

fn device() -> Option<Device> {
    match Device::open() {
        Ok(device) => Some(device),
        Err(
            e @ (DeviceError::NoDriver | DeviceError::NoDevice | DeviceError::NoCompiler { .. }),
        ) => {
            eprintln!("SKIPPED: {e}");
            None
        }
        Err(e) => panic!("a device that does not work: {e}"),
    }
}

/// Truth: the engine on the processors. Tolerance: the 0.02 dB within which engines agree.
#[test]
fn drawn_maps_agree() {
    let Some(device) = device() else { return };
    let mut worst = 0.0_f64;
    for seed in 0..20 {
        let case = drawn(seed);
        let batch = case.batch();
        let got = device.maps(&batch, Wanted::Maps).expect("maps");
        let want = Processors.maps(&batch, Wanted::Maps).expect("maps");
        for (got, want) in got.maps.iter().zip(&want.maps) {
            let off = worst_db(got, want);
            worst = worst.max(off);
            assert!(off < 0.02, "seed {seed}, {:?}: {off} dB", case.mode);
        }
        assert_eq!(got.maps.len(), case.items.len());
        // Reduced answers alone are the same.
        let reduced = device.maps(&batch, Wanted::Extremes).expect("maps");
        assert_eq!(reduced.extremes, got.extremes);
        assert!(reduced.maps.is_empty());
    }
    println!("drawn maps: {worst:.4} dB at worst");
}

/// Property: a batch that is cut to little memory answers as one that is not.
#[test]
fn cut_batches_agree() {
    let Some(device) = device() else { return };
    let case = drawn(3);
    let whole = device.maps(&case.batch(), Wanted::Maps).expect("maps");
    let echoes = Echoes::drawn(3);
    let whole_echoes = device.echoes(&echoes.batch()).expect("echoes");
    let small = device.with_memory(200 << 20);
    assert_eq!(small.maps(&case.batch(), Wanted::Maps).expect("maps"), whole);
    assert_eq!(small.echoes(&echoes.batch()).expect("echoes"), whole_echoes);
    let tiny = small.with_memory(1 << 20);
    let error = tiny.maps(&case.batch(), Wanted::Maps).expect_err("a mebibyte is too little");
    assert!(error.to_string().contains("MiB"), "{error}");
}

/// Truth: the engine on the processors. Tolerances: 0.02 dB of the amplitude within 40 dB of the strongest
/// echo; its time to a tenth of the pulse's period where it is one clear peak; directions to 1e-3 beside
/// single precision.
#[test]
fn drawn_echoes_agree() {
    let Some(device) = device() else { return };
    let (mut worst, mut worst_s, mut worst_sine) = (0.0_f64, 0.0_f64, 0.0_f64);
    let (mut compared, mut elsewhere) = (0, 0);
    for seed in 0..20 {
        let echoes = Echoes::drawn(seed);
        let batch = echoes.batch();
        let got = device.echoes(&batch).expect("echoes");
        let want = Processors.echoes(&batch).expect("echoes");
        for (got, want) in got.iter().zip(&want) {
            let largest = want.iter().flatten().map(|p| p.amplitude).fold(0.0, f64::max);
            for (got, want) in got.iter().zip(want) {
                assert_eq!(got.len(), want.len());
                for (g, w) in got.iter().zip(want).filter(|x| x.1.amplitude > 0.01 * largest) {
                    compared += 1;
                    let off = (20.0 * (g.amplitude / w.amplitude).log10()).abs();
                    worst = worst.max(off);
                    assert!(off < 0.02, "seed {seed}: {g:?} against {w:?}, {off} dB");
                    let off_s = (g.time_s - w.time_s).abs();
                    if off_s > 2e-8 {
                        // Two tops of one height.
                        elsewhere += 1;
                    } else {
                        worst_s = worst_s.max(off_s);
                    }
                    worst_sine = worst_sine.max((g.sine - w.sine).abs());
                }
            }
        }
    }
    println!(
        "drawn echoes: {worst:.4} dB, {worst_s:.1e} s, sine {worst_sine:.1e}; {compared} compared, \
         {elsewhere} with their top elsewhere"
    );
    assert!(compared > 1000 && worst_sine < 1e-3);
    assert!(elsewhere * 100 <= compared, "{elsewhere} of {compared}");
}

/// Truth: independent program (`exact_broadband.json`, points whose value hardly depends on where the first
/// passage is cut). Tolerance: the file's 0.05 dB for the value, and 0.02 dB between both engines. Points lie
/// on rings of their own, each read at the one angle a grid of 7200 is nearest to: the field is asked for a
/// bar turned so that the point lies on the grid.
#[test]
fn check_values_agree() {
    let Some(device) = device() else { return };
    let folder = std::env::var("BARWRIGHT_CHECK_VALUES").unwrap_or_else(|_| {
        concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/check-values").into()
    });
    let Ok(text) = std::fs::read_to_string(format!("{folder}/exact_broadband.json")) else {
        eprintln!("SKIPPED: no check values at {folder}");
        return;
    };
    let file: Value = serde_json::from_str(&text).expect("JSON");
    let number = |v: &Value| v.as_f64().expect("a number");
    let (mut compared, mut worst, mut between) = (0, 0.0_f64, 0.0_f64);
    for json in file["cases"].as_array().expect("cases") {
        let case = values::Case::new(json);
        let (centre, width) =
            (number(&json["pulse"]["f0"]), number(&json["pulse"]["bandwidth_6dB"]));
        let frequencies = values::band_hz(centre, width, 3.8, 1.0 / 40.96e-6);
        let spectrum: Vec<Complex64> =
            frequencies.iter().map(|f| values::gaussian(*f, centre, width).into()).collect();
        let mode = if json["mode"] == "L" { Mode::L } else { Mode::S };
        let places: Vec<&Value> = json["expected"]["points"]
            .as_array()
            .expect("points")
            .iter()
            .filter(|p| number(&p["definition_spread_dB"]) < 0.05)
            .collect();
        let at: Vec<Point> = std::iter::once(values::point(&json["focus"]))
            .chain(places.iter().map(|p| Point::new(number(&p["x"]), number(&p["y"]))))
            .collect();
        // One item for each point: the array turned so that the point lies at the angle nought.
        let (array, drive) = (case.array(), case.drive());
        let arrays: Vec<LineArray> = at.iter().map(|p| turned(&array, -p.angle())).collect();
        let shares = at.iter().map(|p| p.radius() / case.radius_m).collect();
        let rings = RingShares { shares, angles: 256 };
        let items: Vec<MapItem> = (0..at.len())
            .map(|k| MapItem { bar: 0, array: k, drive: drive.clone(), centre: Point::default() })
            .collect();
        let bars = [BarBand {
            radius_m: case.radius_m,
            solid: case.solid,
            fluid: case.fluid,
            attenuation: Vec::new(),
        }];
        let batch = MapBatch {
            frequencies_hz: &frequencies,
            spectrum: &spectrum,
            mode,
            bars: &bars,
            arrays: &arrays,
            items: &items,
            rings: &rings,
            sector: (0, 1),
            times: frequencies.len() * 3 / 2 + 1,
        };
        let own = |engine: &dyn FieldEngine| -> Vec<f64> {
            let maps = engine.maps(&batch, Wanted::Maps).expect("maps").maps;
            maps.iter().enumerate().map(|(k, map)| map[k]).collect()
        };
        let got = own(&device);
        let plain = own(&Processors);
        between = between.max(worst_db(&got, &plain));
        let key = if mode == Mode::L { "PL_dB" } else { "PS_dB" };
        for (k, place) in places.iter().enumerate() {
            let db = 20.0 * (got[k + 1] / got[0]).log10();
            let off = (db - number(&place[key])).abs();
            worst = worst.max(off);
            compared += 1;
            assert!(off < 0.05, "{}, {place}: {db} dB", json["id"]);
        }
    }
    println!("check values: {compared} points, {worst:.4} dB; both engines {between:.4} dB");
    assert!(compared > 50 && between < 0.02, "{compared} points, {between} dB between the engines");
}

fn turned(array: &LineArray, angle_rad: f64) -> LineArray {
    let turned = |s: &LineSource| LineSource { at: s.at.rotated(angle_rad), weight: s.weight };
    let elements = array.elements().iter().map(|e| e.iter().map(turned).collect()).collect();
    LineArray::from_sources(elements).expect("an array")
}

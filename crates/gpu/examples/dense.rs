//! Times a dense proof on both engines: `dense RULES STATION ORDER [COMBINATIONS] [DIAMETER_MM]`.
//!
//! `cargo run --release -p barwright-gpu --features cuda --example dense -- examples/rules-th-k2.toml
//! examples/station-line-1.toml examples/order-round-65.toml 1000 60`

use std::sync::Mutex;
use std::time::Instant;

use barwright_gpu::{Choice, Engine};
use barwright_job::dense::DenseProof;
use barwright_job::{Order, Rules, Station};
use barwright_plan::{DenseOptions, dense, technique};
use barwright_wave::cylinder::batch::{
    EchoAnswer, EchoBatch, EngineError, FieldEngine, MapBatch, MapsAnswer, Processors, Wanted,
};

/// Combinations that both engines compute to be compared.
const COMPARED: usize = 48;

/// Notes how long an engine computes.
struct Timed<'a>(&'a Engine, Mutex<(f64, usize)>);

impl FieldEngine for Timed<'_> {
    fn name(&self) -> String {
        self.0.name()
    }

    fn maps(&self, batch: &MapBatch<'_>, wanted: Wanted) -> Result<MapsAnswer, EngineError> {
        self.0.maps(batch, wanted)
    }

    fn echoes(&self, batch: &EchoBatch<'_>) -> Result<EchoAnswer, EngineError> {
        let clock = Instant::now();
        let answer = self.0.echoes(batch);
        if let Ok(mut told) = self.1.lock() {
            told.0 += clock.elapsed().as_secs_f64();
            told.1 += batch.items.len();
        }
        answer
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let usage = "dense RULES STATION ORDER [COMBINATIONS] [DIAMETER_MM] [auto|cpu|gpu]";
    let read = |i: usize| -> Result<(String, String), Box<dyn std::error::Error>> {
        let path = arguments.get(i).ok_or(usage)?;
        Ok((path.clone(), std::fs::read_to_string(path)?))
    };
    let (rules, station, mut order) = (read(0)?, read(1)?, read(2)?);
    let combinations = arguments.get(3).map_or(Ok(1000), |a| a.parse())?;
    if let Some(diameter) = arguments.get(4) {
        let mm: f64 = diameter.parse()?;
        let lines = order.1.lines().map(|line| match line.split_once("diameter_mm") {
            // The section's own line comes first.
            Some(("", _)) if line.contains("65.0") => format!("diameter_mm = {mm:.1}"),
            _ => line.to_owned(),
        });
        order.1 = lines.collect::<Vec<_>>().join("\n");
    }
    let choice: Choice = arguments.get(5).map_or(Ok(Choice::Auto), |a| a.parse())?;
    let rules = Rules::from_toml(&rules.0, &rules.1)?;
    let station = Station::from_toml(&station.0, &station.1)?;
    let order = Order::from_toml(&order.0, &order.1)?;
    let clock = Instant::now();
    let technique = technique(&order, &station, &rules)?;
    println!(
        "technique of {} beams in {:.1} s",
        technique.body.beams.len(),
        clock.elapsed().as_secs_f64()
    );
    let clock = Instant::now();
    let engine = Engine::open(choice);
    println!("{} opened in {:.2} s", engine.name(), clock.elapsed().as_secs_f64());
    let options = DenseOptions { combinations, ..DenseOptions::default() };
    let clock = Instant::now();
    let timed = Timed(&engine, Mutex::default());
    let proof = dense(&order, &station, &technique, &options, &timed, &|_| {})?;
    let seconds = clock.elapsed().as_secs_f64();
    let (fields_s, fields) = timed.1.into_inner().unwrap_or_default();
    println!(
        "{fields} fields of both ways in {fields_s:.2} s of it, all transfers and checks included"
    );
    println!(
        "{} combinations in {} directions, {} one by one: {seconds:.2} s",
        proof.combinations, proof.directions, proof.one_by_one
    );
    for sentence in engine.sentences() {
        println!("{sentence}");
    }
    tell(&proof);
    if engine.is_on_device() {
        // The same on the processors, as far as patience goes.
        let few = DenseOptions { combinations: combinations.min(COMPARED), ..options };
        let by =
            |engine: &dyn FieldEngine| dense(&order, &station, &technique, &few, engine, &|_| {});
        let clock = Instant::now();
        let plain = by(&Processors)?;
        println!(
            "{} combinations on {}: {:.2} s",
            plain.combinations,
            plain.engine,
            clock.elapsed().as_secs_f64()
        );
        compare(&by(&engine)?, &plain);
    }
    Ok(())
}

/// Says how far the worst margins of two engines stand apart.
fn compare(a: &DenseProof, b: &DenseProof) {
    let (mut places, mut worst, mut one_sees) = (0, 0.0_f32, 0);
    for (a, b) in a.classes.iter().zip(&b.classes) {
        let both =
            [(&a.map.worst_db, &b.map.worst_db), (&a.map.one_by_one_db, &b.map.one_by_one_db)];
        for (a, b) in both.into_iter().flat_map(|(a, b)| a.iter().zip(b)) {
            places += 1;
            match (a, b) {
                (Some(a), Some(b)) => worst = worst.max((a - b).abs()),
                (None, None) => {}
                _ => one_sees += 1,
            }
        }
    }
    println!(
        "worst margins of both engines at {places} places: {worst:.5} dB apart at most, {one_sees} seen by one only"
    );
}

fn tell(proof: &DenseProof) {
    for class in &proof.classes {
        println!(
            "{:?} (ordered {:.1} %): nominal {:.2}, one by one {:.2}, combined {:.2}, least of one {:.2} %: {}",
            class.class,
            100.0 * class.ordered,
            100.0 * class.nominal,
            100.0 * class.one_by_one,
            100.0 * class.combined,
            100.0 * class.lowest,
            class.lowest_in.words
        );
        for ring in class.rings.iter().rev().take(3) {
            let db = |v: Option<f32>| v.map_or("unseen".into(), |v| format!("{v:.2} dB"));
            println!(
                "    radius {:.1} mm: worst {} at {:.0}° in {} ({}); one by one {}, nominal {}",
                1e3 * ring.radius_m,
                db(ring.worst_db),
                ring.angle_rad.to_degrees(),
                ring.of.combination,
                ring.of.words,
                db(ring.one_by_one_db),
                db(ring.nominal_db)
            );
        }
    }
}

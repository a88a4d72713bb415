//! Dense proofs: properties.

use crate::common;

use std::sync::LazyLock;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use barwright_job::dense::DenseProof;
use barwright_job::{Order, Sealed, Technique, proof::ProvedClass};
use barwright_plan::{DenseOptions, PlanError, dense, technique};
use barwright_wave::cylinder::batch::{
    EchoAnswer, EchoBatch, EngineError, FieldEngine, MapBatch, MapsAnswer, Processors, Wanted,
};

static TECHNIQUE: LazyLock<Sealed<Technique>> = LazyLock::new(|| {
    let (order, station, rules) = common::round();
    technique(&order, &station, &rules).expect("a technique")
});

fn proved(combinations: usize, seed: u64) -> DenseProof {
    let (order, station, _) = common::round();
    let options = DenseOptions { combinations, seed, cancelled: None };
    dense(&order, &station, &TECHNIQUE, &options, &Processors, &|_| {}).expect("a dense proof")
}

fn is_at_most(value: Option<f32>, than: Option<f32>) -> bool {
    match (value, than) {
        (None, _) => true,
        (Some(_), None) => false,
        (Some(v), Some(t)) => v <= t,
    }
}

// Properties: more combinations are never better anywhere; the first ones do not depend on how many follow; the
// worst of a ring is the worst of its places; what is cited has words; the document comes back as it went.
#[test]
fn more_combinations_are_never_better() {
    let (few, more) = (proved(2, 7), proved(5, 7));
    assert_eq!((few.combinations, more.combinations, more.directions), (2, 5, 6));
    let mut compared = 0;
    for (few, more) in few.classes.iter().zip(&more.classes) {
        for ((a, b), (from, to)) in few
            .map
            .worst_db
            .iter()
            .zip(&more.map.worst_db)
            .zip(few.map.combination.iter().zip(&more.map.combination))
        {
            assert!(is_at_most(*b, *a), "{:?}: {b:?} after {a:?}", few.class);
            assert!(a != b || from == to, "the first of like combinations is named");
            compared += 1;
        }
        assert!(more.combined <= few.combined && more.lowest <= few.lowest);
        assert!(more.combined <= more.lowest && more.one_by_one <= more.nominal);
        let angles = more.map.angles_rad.len();
        for ring in &more.rings {
            let own = more.map.radii_m.iter().position(|r| *r == ring.radius_m).expect("a ring");
            let values = &more.map.worst_db[own * angles..(own + 1) * angles];
            assert!(values.iter().all(|v| is_at_most(ring.worst_db, *v)));
            assert!(is_at_most(ring.one_by_one_db, ring.nominal_db));
            assert!(ring.of.combination < 5 && ring.of.words.contains("towards"), "{:?}", ring.of);
        }
    }
    assert!(compared > 100, "{compared}");
}

// Properties: the same seed gives the same, another one other directions; the classes are the order's; tolerances
// one by one are nowhere better than nominal, and worse somewhere.
#[test]
fn seeds_and_classes() {
    let (a, b) = (proved(3, 1), proved(3, 1));
    assert_eq!(a, b);
    let classes: Vec<ProvedClass> = a.classes.iter().map(|c| c.class).collect();
    assert!(classes.contains(&ProvedClass::Disc) && classes.contains(&ProvedClass::Crack));
    // Twelve directions off centre, two ends each of size and water, a lost element.
    assert_eq!(a.one_by_one, 17);
    for class in &a.classes {
        let one_by_one = class.map.one_by_one_db.iter().zip(&class.map.nominal_db);
        assert!(one_by_one.clone().all(|(o, n)| is_at_most(*o, *n)));
        assert!(one_by_one.filter(|(o, n)| o != n).count() > 10, "{:?}", class.class);
    }
    // Directions are drawn for the grid too.
    let other = proved(3, 2);
    assert_ne!(a.classes[0].map.worst_db, other.classes[0].map.worst_db);
    assert_eq!(a.classes[0].map.one_by_one_db, other.classes[0].map.one_by_one_db);
}

/// The processors under another name from some call on, as an engine that gave its device up.
struct GivesUp(AtomicUsize);

impl FieldEngine for GivesUp {
    fn name(&self) -> String {
        if self.0.load(Ordering::SeqCst) < 3 { "a device".into() } else { Processors.name() }
    }

    fn maps(&self, batch: &MapBatch<'_>, wanted: Wanted) -> Result<MapsAnswer, EngineError> {
        Processors.maps(batch, wanted)
    }

    fn echoes(&self, batch: &EchoBatch<'_>) -> Result<EchoAnswer, EngineError> {
        self.0.fetch_add(1, Ordering::SeqCst);
        Processors.echoes(batch)
    }
}

// Property: a proof in which one engine took over from another is begun anew by the second.
#[test]
fn engines_are_not_mixed() {
    let (order, station, _) = common::round();
    let options = DenseOptions { combinations: 2, ..DenseOptions::default() };
    let engine = GivesUp(AtomicUsize::new(0));
    let proof =
        dense(&order, &station, &TECHNIQUE, &options, &engine, &|_| {}).expect("a dense proof");
    assert_eq!(proof, proved(2, 1));
    // Both kinds of wave, one by one and together, twice.
    assert_eq!(engine.0.load(Ordering::SeqCst), 8);
}

#[test]
fn what_cannot_be_proved_is_refused() {
    let (order, station, _) = common::round();
    let ask = |order: &Order, options: &DenseOptions<'_>| {
        dense(order, &station, &TECHNIQUE, options, &Processors, &|_| {}).expect_err("refused")
    };
    let none = DenseOptions { combinations: 0, ..DenseOptions::default() };
    assert!(ask(&order, &none).to_string().contains("combinations: none"));
    let stop = AtomicBool::new(true);
    let stopped = DenseOptions { combinations: 1, cancelled: Some(&stop), seed: 1 };
    assert_eq!(ask(&order, &stopped), PlanError::Cancelled);
    let text = include_str!("../../../examples/order-round-65.toml");
    let other = Order::from_toml("order-round-65.toml", text).expect("an order");
    assert!(matches!(ask(&other, &DenseOptions::default()), PlanError::Document(_)));
}

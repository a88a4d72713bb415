//! The firing order: free of faults, never longer than the plain one, near its lower bound.

use crate::common;

use std::sync::LazyLock;

use barwright_job::{
    Order, Rules, Station, Technique,
    order::SectionSpec,
    technique::{Beam, Firing, Schedule},
};
use barwright_plan::{
    bench::Bench,
    schedule::{self, Fault, faults, greedy, make},
    technique,
};
use barwright_wave::Mode;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Order, station and rules with the technique they give.
struct Case {
    order: Order,
    station: Station,
    rules: Rules,
    technique: Technique,
}

impl Case {
    fn round(diameter_mm: f64) -> Self {
        let (mut order, station, rules) = common::round();
        if let SectionSpec::Round(r) = &mut order.section {
            r.diameter_mm = diameter_mm;
        }
        let technique = technique(&order, &station, &rules).expect("a technique").body;
        Self { order, station, rules, technique }
    }

    /// Calls with a bench of so many apertures.
    fn with<T>(&self, apertures: u32, call: impl FnOnce(&Bench<'_>) -> T) -> T {
        let mut station = self.station.clone();
        station.electronics.parallel_apertures = apertures;
        call(&Bench::new(&self.order, &station, &self.rules).expect("a bench"))
    }
}

static ROUND_42: LazyLock<Case> = LazyLock::new(|| Case::round(42.0));

/// Checks a schedule against faults, the plain order and the bound; returns how far it lies over the
/// bound.
fn sound(bench: &Bench<'_>, case: &Case, beams: &[Beam]) -> f64 {
    let record = &case.technique.record;
    let timed = make(bench, beams, record);
    let s = &timed.schedule;
    let found = faults(bench, beams, record, s);
    assert!(found.is_empty(), "{} beams: {}", beams.len(), found[0]);
    let plain = greedy(bench, beams, record);
    assert!(faults(bench, beams, record, &plain).is_empty());
    assert!(s.period_s <= plain.period_s);
    let least = s.least_period_s.expect("a bound");
    // One trigger step of 10 ns for each firing: starts are whole steps, the bound is not.
    assert!(least <= s.period_s + 1e-8 * s.firings.len() as f64, "{least} {}", s.period_s);
    s.period_s / least - 1.0
}

// Truth: the lower bound. 5 % is what is wanted. Seen for 48 longitudinal and 72 shear beams of a
// 42 mm bar: 0.6 % with one aperture, 0.7 % with two and 3.0 % with six; for 20 mm 0.3 % at most. 3.5 % leaves
// room for another seed, no more.
#[test]
fn examples_lie_within_five_percent_of_the_bound() {
    for case in [&*ROUND_42, &Case::round(20.0)] {
        let beams = &case.technique.beams;
        let mut last = f64::INFINITY;
        for apertures in [1, 2, 6] {
            let (over, period_s) = case.with(apertures, |bench| {
                let period_s = make(bench, beams, &case.technique.record).schedule.period_s;
                (sound(bench, case, beams), period_s)
            });
            eprintln!("{} apertures: {:.2} % over the bound", apertures, over * 100.0);
            assert!(over <= 0.035, "{apertures} apertures: {over}");
            // More apertures never cost time: fewer are tried as well.
            assert!(period_s <= last);
            last = period_s;
        }
    }
}

// Truth: property, over random subsets of the beams (seeds fixed).
#[test]
fn any_beams_have_a_sound_order() {
    let case = &*ROUND_42;
    let mut random = Xoshiro256PlusPlus::seed_from_u64(4207);
    for share in [0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8] {
        for apertures in [1, 2, 6] {
            let mut beams: Vec<Beam> = case.technique.beams.clone();
            beams.retain(|_| random.random_bool(share));
            for (i, beam) in beams.iter_mut().enumerate() {
                beam.id = i as u32;
            }
            if !beams.is_empty() {
                case.with(apertures, |bench| sound(bench, case, &beams));
            }
        }
    }
}

// Truth: property (bad input). No beams have no firings and no faults.
#[test]
fn no_beams_are_no_fault() {
    let case = &*ROUND_42;
    case.with(6, |bench| {
        let timed = make(bench, &[], &case.technique.record);
        assert!(timed.schedule.firings.is_empty());
        assert!(faults(bench, &[], &case.technique.record, &timed.schedule).is_empty());
    });
}

// Truth: property (determinism): one thread gives the same as many.
#[test]
fn threads_do_not_matter() {
    let case = &*ROUND_42;
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let alone =
        case.with(6, |b| one.install(|| make(b, &case.technique.beams, &case.technique.record)));
    assert_eq!(alone.schedule, case.technique.schedule);
}

/// Plants a fault into the example's schedule and returns what the checker says.
fn planted(plant: impl FnOnce(&mut Schedule)) -> Vec<Fault> {
    let case = &*ROUND_42;
    let mut schedule = case.technique.schedule.clone();
    plant(&mut schedule);
    case.with(6, |b| faults(b, &case.technique.beams, &case.technique.record, &schedule))
}

/// Firings of one beam of a kind each, at equal waits.
fn one_by_one(beams: &[Beam], wait_s: f64) -> Schedule {
    let firings: Vec<Firing> = beams
        .iter()
        .enumerate()
        .map(|(i, b)| Firing { start_s: i as f64 * wait_s, beams: vec![b.id] })
        .collect();
    Schedule { period_s: firings.len() as f64 * wait_s, least_period_s: None, firings }
}

// Truth: planted faults, each of which must be found.
#[test]
fn planted_faults_of_time_and_electronics_are_found() {
    let has = |found: Vec<Fault>, what: &dyn Fn(&Fault) -> bool, name: &str| {
        assert!(found.iter().any(what), "{name}: {found:?}");
    };
    has(
        planted(|s| drop(s.firings.remove(3))),
        &|f| matches!(f, Fault::Times { times: 0, .. }),
        "a beam that never fires",
    );
    has(
        planted(|s| s.firings[5].beams = s.firings[4].beams.clone()),
        &|f| matches!(f, Fault::Times { times: 2, .. }),
        "a beam that fires twice",
    );
    has(
        planted(|s| s.firings[0].beams.push(900)),
        &|f| matches!(f, Fault::Unknown { beam: 900, .. }),
        "a beam that there is not",
    );
    has(
        planted(|s| s.firings.swap(3, 4)),
        &|f| matches!(f, Fault::Time { .. }),
        "starts that do not rise",
    );
    has(
        planted(|s| s.period_s = f64::NAN),
        &|f| matches!(f, Fault::Time { .. }),
        "a period that is no number",
    );
    has(
        planted(|s| s.firings[7].start_s = s.firings[6].start_s + 40e-6),
        &|f| matches!(f, Fault::Repetition { firing: 6, .. }),
        "a wait shorter than 20 kHz allow",
    );
    has(
        planted(|s| s.firings[7].start_s = s.firings[6].start_s + 70e-6),
        &|f| matches!(f, Fault::Listening { firing: 6, .. }),
        "a record cut off",
    );
}

// Truth: planted faults. All waits equal to the record's: longitudinal echoes of one firing stand in
// the gates of the next.
#[test]
fn ghosts_and_cross_talk_are_found() {
    let case = &*ROUND_42;
    let (beams, record) = (&case.technique.beams, &case.technique.record);
    let found =
        case.with(6, |b| faults(b, beams, record, &one_by_one(beams, record.last_sample_s())));
    assert!(found.iter().any(|f| matches!(f, Fault::Ghost { .. })), "{found:?}");
    assert!(!found.iter().any(|f| matches!(f, Fault::Listening { .. })));

    // Opposite probes at once: the through-transmitted wave.
    let facing = |a: &Beam, b: &Beam| {
        a.mode == Mode::L && b.mode == Mode::L && a.axis.entry.distance(b.axis.entry * -1.0) < 1e-6
    };
    let (a, b) = beams
        .iter()
        .flat_map(|a| beams.iter().map(move |b| (a, b)))
        .find(|(a, b)| facing(a, b))
        .expect("opposite beams");
    let together = |pair: [u32; 2]| {
        // Far apart in time, so that only what fires together can disturb.
        let mut s = one_by_one(beams, 5e-3);
        s.firings[pair[0] as usize].beams = pair.to_vec();
        s.firings.remove(pair[1] as usize);
        case.with(6, |bench| faults(bench, beams, record, &s))
    };
    let found = together([a.id.min(b.id), a.id.max(b.id)]);
    assert!(!found.is_empty());
    assert!(found.iter().all(|f| matches!(f, Fault::CrossTalk { .. })), "{found:?}");

    // One probe twice, and beams of different kinds.
    let same = beams.iter().find(|b| b.probe == beams[0].probe && b.id != 0).expect("a beam");
    let found = together([0, same.id]);
    assert!(found.iter().any(|f| matches!(f, Fault::Together { .. })), "{found:?}");
    let shear = beams.iter().find(|b| b.mode == Mode::S && b.probe != 0).expect("a shear beam");
    let found = together([0, shear.id]);
    assert!(found.iter().any(|f| matches!(f, Fault::Together { .. })), "{found:?}");
}

// Truth: the electronics' figures. Each limit is kept by the maker and its breach is found.
#[test]
fn channels_and_data_rate_are_kept_and_their_breach_is_found() {
    let case = &*ROUND_42;
    let (beams, record) = (&case.technique.beams, &case.technique.record);
    let mut station = case.station.clone();
    station.electronics.channels = Some(50);
    // Half of what the free order needs.
    let free = &case.technique.schedule;
    let rate = f64::from(record.samples) * 2e-6 * beams.len() as f64 / free.period_s;
    station.electronics.data_rate_mb_s = Some(rate / 2.0);
    let bench = Bench::new(&case.order, &station, &case.rules).expect("a bench");
    let timed = make(&bench, beams, record);
    assert!(faults(&bench, beams, record, &timed.schedule).is_empty());
    // Twice the period, to the trigger's step.
    assert!((timed.schedule.period_s / (2.0 * free.period_s) - 1.0).abs() < 1e-4);
    assert!(timed.bound.words.contains("data"));
    let found = faults(&bench, beams, record, free);
    assert!(found.iter().any(|f| matches!(f, Fault::DataRate { .. })), "{found:?}");
    // Three apertures of as many elements as the shear beams have need more than 50 channels.
    let own = beams.iter().find(|b| b.mode == Mode::S).map_or(0, |b| b.elements());
    assert!(3 * own > 50, "{own}");
    let shear: Vec<u32> = beams.iter().filter(|b| b.mode == Mode::S).map(|b| b.id).collect();
    let mut s = one_by_one(beams, 5e-3);
    let three: Vec<u32> = shear.iter().copied().step_by(4).take(3).collect();
    s.firings.retain(|f| !three[1..].contains(&f.beams[0]));
    for f in &mut s.firings {
        if f.beams[0] == three[0] {
            f.beams = three.clone();
        }
    }
    let found = faults(&bench, beams, record, &s);
    assert!(
        found.iter().any(|f| {
            matches!(f, Fault::Channels { elements, allowed: 50, .. } if *elements as u32 == 3 * own)
        }),
        "{found:?}"
    );
    let narrow = case.with(2, |b| faults(b, beams, record, &s));
    assert!(
        narrow.iter().any(|f| matches!(f, Fault::Apertures { beams: 3, allowed: 2, .. })),
        "{narrow:?}"
    );
}

// Truth: closed form. A block in contact fires its beams one by one at the shortest wait.
#[test]
fn a_block_fires_one_by_one() {
    let (order, station, rules) = common::block();
    let t = technique(&order, &station, &rules).expect("a technique").body;
    let bench = Bench::new(&order, &station, &rules).expect("a bench");
    let base_s = t.record.last_sample_s().max(1.0 / station.electronics.max_prf_hz);
    let wanted = t.beams.len() as f64 * base_s;
    // A trigger step of 10 ns for each firing.
    assert!((t.schedule.period_s - wanted).abs() <= 1e-8 * t.beams.len() as f64);
    assert!(faults(&bench, &t.beams, &t.record, &t.schedule).is_empty());
    assert!(schedule::allowed_db(&bench) < 0.0);
}

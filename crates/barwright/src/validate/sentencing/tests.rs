//! A small lot, judged.

use super::*;

// Truth: the virtual station, which the judge does not know; and a property: results do not depend on
// threads.
#[test]
fn a_small_lot_is_judged_near_the_truth_on_any_number_of_threads() {
    let options = Options { bars: 6, seed: 3, kind: LotKind::Mixed, noise_db: None };
    let setup = Setup::new(&options).expect("a levelled station");
    let judged = setup.judge_all(|| {}).expect("judged bars");
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
    let again = one.install(|| setup.judge_all(|| {})).expect("judged bars");
    let bytes = |j: &[Judged]| serde_json::to_string(j).expect("plain data");
    assert_eq!(bytes(&judged), bytes(&again));

    let f = figures::figures(&options, setup.noise, judged);
    let said = text(&f);
    assert!(f.cases.len() >= 5 && f.ordered.of >= 2, "too little was compared\n{said}");
    assert_eq!(f.ordered.missed, 0, "{said}");
    assert!(f.false_calls.is_empty(), "{said}");
    let of =
        |name: &str| f.quantities.iter().find(|q| q.name.starts_with(name)).expect("a quantity");
    for name in ["place in the section", "place around", "length"] {
        assert!(of(name).met, "{name}\n{said}");
    }
    // Two shots apart, and a beam wide: a middle cannot err by half of either.
    assert!(of("place along").worst < 2.5, "{said}");
    // Between two beams an echo is 3.5 dB lower, between two shots near the surface 3.6 dB higher
    // (docs/sentencing.md).
    assert!(of("equivalent disc").worst < 4.5, "{said}");
    // A crack of half the length of the reference notch or less reads up to 3 dB lower.
    assert!(of("crack depth").worst < 3.5, "{said}");
}

// Truth: the noise is measured by the check, another judge.
#[test]
fn the_noise_stands_where_it_is_asked_for() {
    let options = Options { bars: 2, seed: 3, kind: LotKind::Sound, noise_db: Some(14.0) };
    let f = run(&options, || {}).expect("figures");
    // 1 dB: the highest of so many peaks scatters from one level to the next.
    assert!((f.noise.target_over_noise_db - 14.0).abs() <= 1.0, "{:?}", f.noise);
    assert!(f.noise.rms_fsh_percent > 1.5, "noisier than the demo: {:?}", f.noise);
    assert_eq!((f.sound_bars, f.cases.len(), f.false_calls.len()), (2, 0, 0), "{}", text(&f));
}

//! How likely a flaw is found. Kinds of truth: published (MIL-HDBK-1823A examples 1 to 3 and table G-I; a reference fit
//! of a published hit/miss table), independent code (figures of that fit), closed forms and properties.

use crate::pod_tables::{EXAMPLE_1, EXAMPLE_3_HITS, EXAMPLE_3_MISSES, TEN_HITS, TEN_MISSES};
use barwright_evaluate::pod::{
    PodError, SignalScale, false_calls, hit_miss, noise_heights, signal_response,
};
use barwright_job::pod::{Censored, Link, Pod, Scale, Trial};
use proptest::prelude::*;
use rand::SeedableRng as _;
use rand_distr::{Distribution as _, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;

fn trials(hits: &[f64], misses: &[f64]) -> Vec<Trial> {
    let of = |sizes: &[f64], response| -> Vec<(f64, f64)> {
        sizes.iter().map(|size| (*size, response)).collect()
    };
    let all = [of(hits, 1.0), of(misses, 0.0)].concat();
    let trial = |(k, (size, response)): (usize, (f64, f64))| Trial {
        target: u32::try_from(k).expect("few"),
        size,
        response,
        censored: Censored::None,
    };
    all.into_iter().enumerate().map(trial).collect()
}

fn signals(limits: [f64; 2]) -> Vec<Trial> {
    let censored = |height: f64| match height {
        h if h <= limits[0] => Censored::Below,
        h if h >= limits[1] => Censored::Above,
        _ => Censored::None,
    };
    let trial = |(k, (size, response)): (usize, (f64, f64))| Trial {
        target: u32::try_from(k).expect("few"),
        size,
        response,
        censored: censored(response),
    };
    EXAMPLE_1.into_iter().enumerate().map(trial).collect()
}

#[track_caller]
fn near(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found} is not {wanted} within {within}");
}

/// The figures that the handbook prints, to its digits.
fn demand_example_1(pod: &Pod) {
    // Figure G-4: the line.
    near(pod.coefficients[0], -975.275, 5e-3);
    near(pod.coefficients[1], 540.414, 5e-3);
    near(pod.coefficients[2], 154.244, 5e-3);
    // Figure G-6: the curve and its covariance.
    near(pod.mu, 2.174_77, 5e-5);
    near(pod.sigma, 0.285_42, 5e-5);
    for (found, wanted) in pod.covariance.into_iter().zip([0.002_429, -0.000_585, 0.000_703]) {
        near(found, wanted, 5e-6);
    }
    near(pod.a50, 8.8002, 5e-4);
    near(pod.a90, 12.6866, 5e-4);
    near(pod.a90_95.expect("bounded"), 13.6755, 5e-4);
}

#[test]
fn example_1_of_the_handbook_signals() {
    let pod = signal_response(&signals([50.0, 1375.0]), Scale::Log, SignalScale::Linear, 200.0);
    let pod = pod.expect("a curve");
    demand_example_1(&pod);
    assert_eq!((pod.targets, pod.repeats), (92, 1.0));
    println!(
        "example 1: a50 {:.4}, a90 {:.4}, a90/95 {:.4} mils",
        pod.a50,
        pod.a90,
        pod.a90_95.expect("bounded")
    );
    // Its noise: the eight heights below 8.5 mils, probability of a false call 0.11.
    let noise: Vec<f64> =
        EXAMPLE_1.iter().filter(|(size, _)| *size < 8.5).map(|(_, h)| *h).collect();
    let noise = noise_heights(&noise, 200.0).expect("heights");
    near(noise.rate, 0.11, 5e-4);
    near(noise.heights.expect("known")[0], 157.5, 1e-9);
}

#[test]
fn several_inspections_of_a_flaw_tell_nothing_more_of_flaws() {
    // As the handbook's example 2 has it (covariance times the number of repeats; inferred from its figures): the same
    // data given four times give the same curve and the same bound.
    let once = signals([50.0, 1375.0]);
    let four: Vec<Trial> = (0..4).flat_map(|_| once.iter().copied()).collect();
    let fit = |trials: &[Trial]| {
        signal_response(trials, Scale::Log, SignalScale::Linear, 200.0).expect("a curve")
    };
    let (one, many) = (fit(&once), fit(&four));
    assert_eq!((many.targets, many.repeats), (92, 4.0));
    demand_example_1(&many);
    near(many.a90_95.expect("bounded"), one.a90_95.expect("bounded"), 1e-6);
    // Hit/miss likewise.
    let once = trials(&EXAMPLE_3_HITS, &EXAMPLE_3_MISSES);
    let three: Vec<Trial> = (0..3).flat_map(|_| once.iter().copied()).collect();
    let fit = |trials: &[Trial]| hit_miss(trials, Scale::Linear, Link::Logit).expect("a curve");
    near(fit(&three).a90_95.expect("bounded"), fit(&once).a90_95.expect("bounded"), 1e-6);
}

#[test]
fn example_3_of_the_handbook_hit_and_miss() {
    let data = trials(&EXAMPLE_3_HITS, &EXAMPLE_3_MISSES);
    let pod = hit_miss(&data, Scale::Linear, Link::Logit).expect("a curve");
    near(pod.coefficients[0], -4.5974, 5e-5);
    near(pod.coefficients[1], 39.765, 5e-4);
    near(pod.fit, 77.494, 5e-4);
    near(pod.a50, 0.1156, 5e-5);
    near(pod.a90, 0.1709, 5e-5);
    near(pod.a90_95.expect("bounded"), 0.1974, 5e-5);
    near(pod.sigma, 0.025_147, 5e-7);
    println!(
        "example 3: a50 {:.4}, a90 {:.4}, a90/95 {:.4} inch",
        pod.a50,
        pod.a90,
        pod.a90_95.expect("bounded")
    );
    // On the logarithm of the sizes the handbook has another bound.
    let log = hit_miss(&data, Scale::Log, Link::Logit).expect("a curve");
    near(log.a90_95.expect("bounded"), 0.2106, 5e-5);
    near(log.fit, 80.459, 5e-4);
}

#[test]
fn a_published_table_of_ten_inspectors() {
    let pod =
        hit_miss(&trials(&TEN_HITS, &TEN_MISSES), Scale::Linear, Link::Logit).expect("a curve");
    // A reference fit by another program, published beside the table.
    near(pod.coefficients[0], -11.832_651_05, 1e-6);
    near(pod.coefficients[1], 45.306_783_76, 1e-6);
    near(pod.a90, 0.309_663_906, 1e-6);
    // Its information criterion: deviance and twice the two coefficients.
    near(pod.fit + 4.0, 28.456_739_68, 1e-6);
}

#[test]
fn false_calls_of_table_g_1() {
    // MIL-HDBK-1823A, table G-I: calls, places, 50 % and 95 % values, to its four digits, of which
    // one was cut off and not rounded (0.01487 is printed as 0.0148).
    for (calls, places, half, most) in [
        (0, 60, 0.0115, 0.0487),
        (1, 60, 0.0278, 0.0766),
        (0, 200, 0.0035, 0.0148),
        (1, 200, 0.0084, 0.0235),
        (0, 150, 0.0046, 0.0198),
    ] {
        let noise = false_calls(calls, places).expect("places");
        near(noise.rate, half, 1e-4);
        near(noise.rate_upper_95.expect("bounded"), most, 1e-4);
    }
    assert!(
        false_calls(3, 3).is_none() && false_calls(0, 0).is_none() && false_calls(4, 3).is_none()
    );
}

#[test]
fn what_the_data_lack_is_said_and_no_false_bound_given() {
    let logit =
        |hits: &[f64], misses: &[f64]| hit_miss(&trials(hits, misses), Scale::Linear, Link::Logit);
    // A step fits.
    let e = logit(&[3.0, 4.0, 5.0], &[1.0, 2.0]).expect_err("separable");
    assert!(matches!(e, PodError::Separable { largest_miss: 2.0, smallest_hit: 3.0 }), "{e}");
    // They touch: quasi-separable, no best curve either.
    let e = logit(&[2.0, 4.0, 5.0], &[1.0, 2.0]).expect_err("separable");
    assert!(matches!(e, PodError::Separable { .. }), "{e}");
    assert!(matches!(
        logit(&[1.0, 2.0, 3.0, 4.0], &[]),
        Err(PodError::OneSided { what: "found", .. })
    ));
    assert!(matches!(
        logit(&[], &[1.0, 2.0, 3.0, 4.0]),
        Err(PodError::OneSided { what: "missed", .. })
    ));
    assert!(matches!(logit(&[1.0, 2.0], &[1.5]), Err(PodError::TooFew { found: 3, .. })));
    assert!(matches!(logit(&[1.0, 2.0], &[3.0, 4.0]), Err(PodError::NoGrowth { .. })));
    assert!(matches!(
        logit(&[1.0, 3.0, f64::NAN, 4.0], &[2.0]),
        Err(PodError::Number { trial: 3, .. })
    ));
    // Few and mixed: a curve, no bound, and both are said.
    let pod = logit(&[2.0, 1.0, 3.0, 1.5, 2.6], &[1.4, 2.5, 1.2, 2.2, 2.7]).expect("a curve");
    assert_eq!(pod.a90_95, None);
    let said: Vec<&str> = pod.findings.iter().map(|f| f.message.as_str()).collect();
    assert!(said.iter().any(|m| m.contains("do not bound a90")), "{said:?}");
    assert!(said.iter().any(|m| m.contains("10 flaws")), "{said:?}");

    let signal = |trials: &[Trial]| signal_response(trials, Scale::Log, SignalScale::Linear, 200.0);
    let lost: Vec<Trial> = signals([50.0, 1375.0])
        .into_iter()
        .map(|t| Trial { censored: Censored::Below, ..t })
        .collect();
    assert!(matches!(signal(&lost), Err(PodError::AllCensored { known: 0, .. })));
    let falling: Vec<Trial> = signals([50.0, 1375.0])
        .into_iter()
        .map(|t| Trial { response: 2000.0 - t.response, censored: Censored::None, ..t })
        .collect();
    assert!(matches!(signal(&falling), Err(PodError::NoGrowth { .. })));
    let mut bad = signals([50.0, 1375.0]);
    bad[2].size = 0.0;
    assert!(matches!(signal(&bad), Err(PodError::Number { trial: 3, .. })));
    // Every height on one line: no scatter, no uncertainty, and no fault.
    let exact: Vec<Trial> = (1..=10)
        .map(|k| Trial {
            target: k,
            size: f64::from(k),
            response: 100.0 * f64::from(k).ln(),
            censored: Censored::None,
        })
        .collect();
    let pod = signal(&exact).expect("a line");
    near(pod.a50, 2.0_f64.exp(), 1e-6);
    near(pod.a90_95.expect("bounded"), pod.a90, 1e-6);
}

/// Made data with a known curve: signals on a line, with noise lost below and clipped above.
fn made(seed: u64, count: u32) -> Vec<Trial> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let noise = Normal::new(0.0, 12.0).expect("a normal curve");
    (0..count)
        .map(|target| {
            let size: f64 = random.random_range(0.3..3.0);
            let height = 40.0 + 45.0 * size.ln() + noise.sample(&mut random);
            let censored = match height {
                h if h <= 15.0 => Censored::Below,
                h if h >= 80.0 => Censored::Above,
                _ => Censored::None,
            };
            Trial { target, size, response: height.clamp(15.0, 80.0), censored }
        })
        .collect()
}

#[test]
fn the_bound_holds_as_often_as_it_says() {
    // Closed form: with decision at 50 the true a90 is exp((50 - 40 + 1.2816 · 12) / 45).
    let truth = ((10.0 + 1.281_551_565_5 * 12.0) / 45.0_f64).exp();
    const RUNS: u32 = 400;
    let (mut held, mut mean) = (0, 0.0);
    for run in 0..RUNS {
        let data = made(u64::from(run), 80);
        let pod = signal_response(&data, Scale::Log, SignalScale::Linear, 50.0).expect("a curve");
        held += u32::from(pod.a90_95.expect("bounded") >= truth);
        mean += pod.a90 / f64::from(RUNS);
    }
    // 95 % of 400 runs are 380, three standard deviations of that count 13. It held in 363 here: the delta method
    // is one of many flaws, and the maximum-likelihood scatter is over n; `not_covered` says so. Less
    // than 355, or more than 393, would be another program.
    assert!((355..=393).contains(&held), "{held} of {RUNS}");
    near(mean, truth, 0.02 * truth);
    println!(
        "the bound held in {held} of {RUNS} runs; a90 {mean:.4} on average, {truth:.4} in truth"
    );
}

#[test]
fn the_hit_miss_bound_holds_at_least_as_often_as_it_says() {
    // POD = 1 / (1 + exp(-(x - 1) / 0.25)): a90 is 1 + 0.25 ln 9.
    let truth = 1.0 + 0.25 * 9.0_f64.ln();
    let mut random = Xoshiro256PlusPlus::seed_from_u64(7);
    const RUNS: u32 = 300;
    let (mut held, mut tried) = (0, 0);
    for _ in 0..RUNS {
        let (mut hits, mut misses) = (Vec::new(), Vec::new());
        for _ in 0..80 {
            let x: f64 = random.random_range(0.2..2.0);
            let p = 1.0 / (1.0 + (-(x - 1.0) / 0.25).exp());
            if random.random::<f64>() < p { hits.push(x) } else { misses.push(x) }
        }
        let Ok(pod) = hit_miss(&trials(&hits, &misses), Scale::Linear, Link::Logit) else {
            continue;
        };
        tried += 1;
        // Where the data give no bound, none is claimed.
        held += u32::from(pod.a90_95.is_none_or(|a| a >= truth));
    }
    // 3.841 is a one-sided 97.5 % bound: of 300, 292; three standard deviations are 8.
    assert!(tried > 290 && held * 1000 >= tried * 945, "{held} of {tried}");
    println!("the bound held in {held} of {tried} runs");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    // Another unit of size moves every size with it and nothing else; heights likewise.
    #[test]
    fn units_do_not_matter(seed in 0_u64..500, size in 0.01_f64..100.0, height in 0.01_f64..100.0) {
        let data = made(seed, 60);
        let other: Vec<Trial> = data
            .iter()
            .map(|t| Trial { size: t.size * size, response: t.response * height, ..*t })
            .collect();
        let fit = |data: &[Trial], decision| signal_response(data, Scale::Log, SignalScale::Linear, decision);
        let (a, b) = (fit(&data, 50.0).expect("a curve"), fit(&other, 50.0 * height).expect("a curve"));
        for (a, b) in [(a.a50, b.a50), (a.a90, b.a90), (a.a90_95.expect("bounded"), b.a90_95.expect("bounded"))] {
            // Both end where a step gains less than 1e-12 of the likelihood.
            prop_assert!((b / (a * size) - 1.0).abs() < 1e-5, "{} {}", a * size, b);
        }
    }

    // The curve rises, the bound lies outside it, and order does not matter.
    #[test]
    fn the_curve_rises_and_the_bound_is_outside(seed in 0_u64..500) {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
        let (mut hits, mut misses) = (vec![2.9], vec![0.1]);
        for _ in 0..60 {
            let x: f64 = random.random_range(0.0..3.0);
            if random.random::<f64>() < x / 3.0 { hits.push(x) } else { misses.push(x) }
        }
        for link in [Link::Logit, Link::Probit, Link::Cloglog, Link::Loglog] {
            let data = trials(&hits, &misses);
            let pod = hit_miss(&data, Scale::Linear, link).expect("a curve");
            prop_assert!(pod.curve.windows(2).all(|w| w[0].size < w[1].size));
            prop_assert!(pod.curve.iter().all(|p| p.size_95.is_none_or(|bound| bound > p.size)));
            let back: Vec<Trial> = data.into_iter().rev().collect();
            let again = hit_miss(&back, Scale::Linear, link).expect("a curve");
            prop_assert!((again.a90 / pod.a90 - 1.0).abs() < 1e-6);
        }
    }
}

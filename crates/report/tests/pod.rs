//! The report of a probability of detection: what it says, and what it must not claim. Properties; the curve is made by
//! hand. Text is read back with `pdftotext`; without it that part is skipped.
#![allow(clippy::unwrap_used)]

use crate::support;

use std::{path::PathBuf, process::Command};

use barwright_job::{
    Sealed,
    pod::{Bound, Censored, CurvePoint, Link, Measured, Noise, Pod, Scale, Trial},
};
use barwright_report::{
    Palette,
    papers::{PodInput, pod_report},
    pod_curve, pod_signals,
};

fn pod(measured: Measured, bounded: bool) -> Pod {
    let shares: Vec<f64> = (1..100).map(|k| f64::from(k) / 100.0).collect();
    let size = |p: f64| 1.0 + 0.2 * (p / (1.0 - p)).ln();
    let signal = measured == Measured::Signal;
    Pod {
        subject: "Side-drilled holes in the <reference> block, 5 MHz".into(),
        unit: "mm".into(),
        measured,
        scale: if signal { Scale::Log } else { Scale::Linear },
        link: Link::Logit,
        signal_unit: if signal { "% FSH".into() } else { String::new() },
        decision: signal.then_some(50.0),
        coefficients: vec![-5.0, 5.0],
        mu: 1.0,
        sigma: 0.2,
        covariance: [0.001, 0.0, 0.001],
        a50: size(0.5),
        a90: size(0.9),
        a90_95: bounded.then(|| size(0.9) + 0.1),
        bound: if signal { Bound::Wald } else { Bound::LikelihoodRatio },
        fit: 42.0,
        targets: 40,
        repeats: 1.0,
        curve: shares
            .iter()
            .map(|&pod| CurvePoint {
                pod,
                size: size(pod).max(0.05),
                size_95: bounded.then(|| size(pod).max(0.05) + 0.1),
            })
            .collect(),
        trials: (0..40)
            .map(|k| Trial {
                target: k,
                size: 0.3 + 0.05 * f64::from(k),
                response: if signal {
                    10.0 + 2.0 * f64::from(k)
                } else {
                    f64::from(u8::from(k > 12))
                },
                censored: if signal && k < 3 { Censored::Below } else { Censored::None },
            })
            .collect(),
        noise: (!signal).then_some(Noise {
            places: 200,
            false_calls: Some(1),
            heights: None,
            rate: 0.0084,
            rate_upper_95: Some(0.0235),
        }),
        findings: vec![],
        conditions: Vec::new(),
        not_covered: vec!["other steel".into()],
    }
}

fn words(name: &str, pod: Pod) -> Option<String> {
    let sealed = Sealed::seal(pod, []);
    let set = || pod_report(&PodInput { issue: support::issue(&[]), pod: &sealed }).unwrap();
    let pdf = set();
    assert_eq!(pdf, set(), "equal input, equal bytes");
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("pod-{name}.pdf"));
    std::fs::write(&path, pdf).unwrap();
    let Ok(out) = Command::new("pdftotext").arg("-layout").arg(&path).arg("-").output() else {
        eprintln!("SKIPPED: pdftotext is not on this machine");
        return None;
    };
    let text = String::from_utf8(out.stdout).unwrap();
    Some(text.split_whitespace().collect::<Vec<_>>().join(" "))
}

#[test]
fn the_report_names_bound_data_false_calls_and_what_it_does_not_cover() {
    let Some(text) = words("hits", pod(Measured::HitMiss, true)) else { return };
    for wanted in [
        "a90/95 1.539 mm",
        "likelihood ratio",
        "other steel",
        "1 false calls at 200 places",
        "Cautions",
        "<reference>",
        "27 of 40",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    let text = words("signals", pod(Measured::Signal, true)).unwrap();
    for wanted in ["delta method", "50.00 % FSH", "3 lost in noise, 0 clipped", "is not known"] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
}

#[test]
fn without_a_bound_no_size_is_promised() {
    let Some(text) = words("unbounded", pod(Measured::HitMiss, false)) else { return };
    assert!(text.contains("NO a90/95") && text.contains("not bounded"), "{text}");
    assert!(!text.contains("were found with a probability of 90 % or more"), "{text}");
}

#[test]
fn pictures_are_well_formed_whatever_the_numbers() {
    for measured in [Measured::HitMiss, Measured::Signal] {
        for value in [0.0, 1e-9, 1e9, f64::NAN, f64::INFINITY] {
            let mut broken = pod(measured, true);
            broken.a50 = value;
            broken.a90_95 = Some(value);
            broken.curve[3].size = value;
            broken.trials[2].response = value;
            broken.unit = "<&>".into();
            let look = Palette::page();
            for svg in
                [Some(pod_curve(&broken, &look)), pod_signals(&broken, &look)].into_iter().flatten()
            {
                roxmltree::Document::parse(&svg).unwrap();
                assert!(!svg.contains("NaN") && !svg.contains("inf"), "{value}");
            }
        }
    }
    assert!(pod_signals(&pod(Measured::HitMiss, true), &Palette::page()).is_none());
}

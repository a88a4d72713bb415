//! The report of a probability of detection.

use barwright_job::{
    Sealed,
    pod::{Bound, Censored, Link, Measured, Noise, Pod, Scale},
};
use barwright_phrase::say;
use serde_json::{Value, json};

use super::{
    Issue, Result,
    engine::{self, Paper},
    parts,
};
use crate::{Palette, pod_curve, pod_signals, text};

/// What the report is made from.
#[derive(Debug, Clone, Copy)]
pub struct PodInput<'a> {
    /// Moment and ledger.
    pub issue: Issue<'a>,
    /// The curve.
    pub pod: &'a Sealed<Pod>,
}

/// The report as PDF. The bound's convention, the data and what the result does not cover stand on it.
///
/// # Errors
/// An unreadable moment.
pub fn pod_report(input: &PodInput<'_>) -> Result<Vec<u8>> {
    let p = &input.pod.body;
    let mut data = parts::frame(
        say!("Probability of detection"),
        std::slice::from_ref(&p.subject),
        &input.issue,
    );
    let size = |a: f64| format!("{} {}", figure(a), p.unit);
    data["bounded"] = json!(p.a90_95.is_some());
    data["large"] = json!(match p.a90_95 {
        Some(a) => say!("a90/95 {}", size(a)),
        None => say!("NO a90/95").to_owned(),
    });
    data["sentence"] = json!(match p.a90_95 {
        Some(a) => say!(
            "Flaws of {} and more were found with a probability of 90 % or more, with 95 % confidence, under the conditions of the trials.",
            size(a)
        ),
        None => say!("The data do not say from which size on 90 % of the flaws are found with 95 % confidence.").to_owned(),
    });
    data["subject"] = json!(p.subject);
    data["facts"] = json!(facts(p));
    data["curve_table"] = p
        .curve
        .iter()
        .map(|c| {
            json!([
                text::percent(c.pod, 0),
                figure(c.size),
                c.size_95.map_or_else(|| "–".to_owned(), figure)
            ])
        })
        .collect();
    data["unit"] = json!(p.unit);
    data["bound"] = json!(bound(p.bound));
    data["noise"] = json!(p.noise.as_ref().map(noise));
    data["conditions"] = json!(p.conditions);
    data["not_covered"] = json!(p.not_covered);
    data["findings"] = parts::findings(&p.findings);
    data["evidence"] = parts::hashes("probability of detection", input.pod);
    let look = Palette::paper();
    let mut pictures = vec![("curve", pod_curve(p, &look))];
    let signals = pod_signals(p, &look);
    data["signals"] = json!(signals.is_some());
    pictures.extend(signals.map(|picture| ("signals", picture)));
    engine::set(Paper { name: "pod.typ", data, pictures }, &input.issue)
}

/// A size to four digits, as the handbook prints them.
fn figure(size: f64) -> String {
    let digits = 3 - size.abs().max(1e-9).log10().floor() as i32;
    text::number(size, digits.clamp(0, 6) as usize)
}

fn facts(p: &Pod) -> Vec<Value> {
    let size = |a: f64| format!("{} {}", figure(a), p.unit);
    let censored = |which| p.trials.iter().filter(|t| t.censored == which).count();
    let mut facts = vec![
        json!([say!("Model"), model(p)]),
        json!([say!("Flaws"), p.targets.to_string()]),
        json!([say!("Inspections"), p.trials.len().to_string()]),
        json!([say!("a50"), size(p.a50)]),
        json!([say!("a90"), size(p.a90)]),
        json!([say!("a90/95"), p.a90_95.map_or_else(|| say!("not bounded").to_owned(), size)]),
        json!([
            say!("mu, sigma"),
            format!("{}, {}", text::number(p.mu, 5), text::number(p.sigma, 5))
        ]),
        json!([
            say!("Coefficients"),
            p.coefficients.iter().map(|c| text::number(*c, 4)).collect::<Vec<_>>().join(", ")
        ]),
    ];
    match p.measured {
        Measured::Signal => {
            let decision = text::maybe(p.decision, 2);
            facts.push(json!([say!("Decision"), format!("{decision} {}", p.signal_unit)]));
            let words = say!(
                "{} lost in noise, {} clipped",
                censored(Censored::Below),
                censored(Censored::Above)
            );
            facts.push(json!([say!("Heights"), words]));
        }
        Measured::HitMiss => {
            let hits = p.trials.iter().filter(|t| t.response == 1.0).count();
            facts.push(json!([say!("Found"), say!("{hits} of {}", p.trials.len())]));
            facts.push(json!([say!("Deviance"), text::number(p.fit, 3)]));
        }
    }
    facts
}

fn model(p: &Pod) -> String {
    let scale = match p.scale {
        Scale::Linear => say!("size as it is"),
        Scale::Log => say!("logarithm of the size"),
    };
    let shape = match (p.measured, p.link) {
        (Measured::Signal, _) => say!("signal response, censored normal regression"),
        (_, Link::Logit) => say!("hit/miss, logit"),
        (_, Link::Probit) => say!("hit/miss, probit"),
        (_, Link::Cloglog) => say!("hit/miss, complementary log-log"),
        (_, Link::Loglog) => say!("hit/miss, log-log"),
    };
    format!("{shape}; {scale}")
}

fn bound(bound: Bound) -> &'static str {
    match bound {
        Bound::Wald => say!("delta method (Wald), one-sided at 1.645 standard errors"),
        Bound::LikelihoodRatio => say!(
            "likelihood ratio, where twice the logarithm of the likelihood has fallen by 3.841 (one degree of freedom)"
        ),
    }
}

fn noise(noise: &Noise) -> String {
    let rate = text::number(noise.rate * 100.0, 2);
    match (noise.false_calls, noise.rate_upper_95) {
        (Some(calls), Some(most)) => say!(
            "{calls} false calls at {} places without a flaw: {rate} % (median), at most {} % with 95 % confidence.",
            noise.places,
            text::number(most * 100.0, 2)
        ),
        _ => say!(
            "Heights at {} places without a flaw, taken as a normal curve, reach the decision in {rate} % of the places.",
            noise.places
        ),
    }
}

//! A proof in words: its weakest place and what it leaves uncovered.

use barwright_job::{
    Finding, Technique,
    finding::Topic,
    proof::{ClassProof, Weakest},
    technique::Section,
};
use barwright_wave::Point;

use crate::conditions::Conditions;
use crate::coverage::Margin;

/// The weakest of some places.
pub(super) fn weakest(t: &Technique, cases: &[Conditions], places: &[(Point, Margin)]) -> Weakest {
    let key = |m: &Margin| m.worst_db.map_or(f64::NEG_INFINITY, f64::from);
    let Some((p, m)) = places.iter().min_by(|a, b| key(&a.1).total_cmp(&key(&b.1))) else {
        return Weakest {
            x_m: 0.0,
            y_m: 0.0,
            margin_db: None,
            cause: "the order asks for no place".into(),
        };
    };
    let place = place_words(t, *p);
    let case = m.worst_case.and_then(|i| cases.get(i)).map(|c| c.words.as_str());
    let cause = cause(&place, m, case, "no beam's gate reaches it", "the echo leaves the gate");
    Weakest { x_m: p.x, y_m: p.y, margin_db: m.worst_db.map(f64::from), cause }
}

/// Why a place has its margin. `unreached`: said of a place without a beam; `lost`: what happens where a
/// deviation leaves no margin.
pub(crate) fn cause(
    place: &str,
    m: &Margin,
    case: Option<&str>,
    unreached: &str,
    lost: &str,
) -> String {
    match (m.beam, m.nominal_db, m.worst_db, case) {
        (None, ..) => format!("{place}: {unreached}"),
        (Some(beam), Some(nominal), None, Some(case)) => {
            format!("{place}: nominal {nominal:+.1} dB by beam {beam}; with {case} {lost}")
        }
        (Some(beam), Some(nominal), Some(_), Some(case)) => {
            format!("{place}: nominal {nominal:+.1} dB by beam {beam}; worst with {case}")
        }
        (Some(beam), ..) => format!("{place}: best beam is {beam}, nominal is the worst case"),
    }
}

/// Where a place is: depth and angle, and whether it lies between two probes.
fn place_words(t: &Technique, p: Point) -> String {
    let depth = t.section.depth_m(p).max(0.0) * 1e3;
    if !matches!(t.section, Section::Round { .. }) {
        return format!("{depth:.1} mm deep, x {:.1} mm", p.x * 1e3);
    }
    let angle = p.angle().rem_euclid(std::f64::consts::TAU).to_degrees();
    let between = t.probes.iter().all(|probe| {
        let (Some(a), Some(b)) = (probe.elements.first(), probe.elements.last()) else {
            return true;
        };
        let span = crate::echo::turn(b.centre.angle() - a.centre.angle()).abs() / 2.0;
        let middle = crate::ring::middle(&probe.elements).angle();
        crate::echo::turn(p.angle() - middle).abs() > 0.9 * span
    });
    let where_to = if between && depth > 0.0 { ", under the gap between two probes" } else { "" };
    format!("{depth:.1} mm deep at {angle:.0}°{where_to}")
}

/// The finding that a class leaves places uncovered.
pub(crate) fn uncovered(class: &ClassProof) -> Option<Finding> {
    (class.worst < 1.0).then(|| {
        Finding::new(
            Topic::Uncovered,
            format!(
                "{}: {:.2} % not covered in the worst case ({:.2} % ordered); weakest: {}",
                class.flaw,
                (1.0 - class.worst) * 100.0,
                class.ordered * 100.0,
                class.weakest.cause
            ),
        )
    })
}

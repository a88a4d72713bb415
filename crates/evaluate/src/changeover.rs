//! Whether a station was changed over rightly, by what levelling says of a short capture.

use barwright_job::{
    Technique,
    changeover::{StepKind, StepState},
    level::{Cause, Explanation, Level},
};

/// Share of a probe's beams that must be read for the capture to tell of it.
const ENOUGH: f64 = 0.5;

/// What a capture says of one step.
#[derive(Debug, Clone, PartialEq)]
pub struct Verified {
    /// Which step.
    pub kind: StepKind,
    /// What is known of it.
    pub state: StepState,
    /// What was seen, one sentence each.
    pub evidence: Vec<String>,
    /// What to do; empty where nothing is to be done.
    pub cure: String,
}

/// Verifies every step from the level that a capture of the reference bar gave, which need not be a level
/// to work with: a turn or two of the bar are enough.
///
/// A step is verified when enough beams were read and nothing speaks against it, wrong when an explanation
/// names it, and not told when the data support two causes of which it is one, or too few beams were read.
#[must_use]
pub fn verify(technique: &Technique, level: &Level) -> Vec<Verified> {
    let unread = unread(technique, level);
    // A capture of another technique is refused before it is read.
    let loaded = Verified {
        kind: StepKind::Technique,
        state: StepState::Verified,
        evidence: vec![format!("the capture was taken with {}", technique.name)],
        cure: String::new(),
    };
    with_technique(loaded, |kind| step(kind, level, &unread))
}

/// What a capture taken with another technique says: that alone.
#[must_use]
pub fn other_technique(wanted: &str) -> Vec<Verified> {
    let loaded = Verified {
        kind: StepKind::Technique,
        state: StepState::Wrong,
        evidence: vec!["the capture was taken with another technique".into()],
        cure: format!("load {wanted}, then take another capture"),
    };
    with_technique(loaded, |kind| Verified {
        kind,
        state: StepState::NotTold,
        evidence: vec!["a capture of another technique tells nothing of it".into()],
        cure: String::new(),
    })
}

/// All steps in order: what is known of the technique, and of each other.
fn with_technique(loaded: Verified, other: impl Fn(StepKind) -> Verified) -> Vec<Verified> {
    StepKind::ALL
        .into_iter()
        .map(|kind| if kind == loaded.kind { loaded.clone() } else { other(kind) })
        .collect()
}

fn step(kind: StepKind, level: &Level, unread: &[String]) -> Verified {
    let blamed: Vec<(&Explanation, StepState)> =
        level.explanations.iter().filter_map(|e| Some((e, blame(kind, e)?))).collect();
    if !blamed.is_empty() {
        let wrong = blamed.iter().any(|b| b.1 == StepState::Wrong);
        return Verified {
            kind,
            state: if wrong { StepState::Wrong } else { StepState::NotTold },
            evidence: blamed.iter().flat_map(|b| b.0.evidence.iter().cloned()).collect(),
            cure: blamed.iter().map(|b| b.0.cure.as_str()).collect::<Vec<_>>().join("; "),
        };
    }
    // Without echoes nothing speaks against a step, nor for it.
    let needs_echoes = matches!(kind, StepKind::Probes | StepKind::Connectors | StepKind::Water);
    if needs_echoes && !unread.is_empty() {
        return Verified {
            kind,
            state: StepState::NotTold,
            evidence: unread.to_vec(),
            cure: "look at these probes' plugs, coupling and gains, then take another capture"
                .into(),
        };
    }
    let told = match (kind, level.bar_offset_m) {
        (StepKind::Centring, Some([x, y])) => {
            format!("the bar stands {:.2} mm off the ring's centre", x.hypot(y) * 1e3)
        }
        (StepKind::Centring | StepKind::Ring, None) => {
            return Verified {
                kind,
                state: StepState::NotTold,
                evidence: vec![
                    "too few surface echoes were timed to tell where the bar stands".into(),
                ],
                cure: "let the water in, and take another capture".into(),
            };
        }
        (StepKind::Ring, Some(_)) => "surface echoes come when the ring's radius says".into(),
        (StepKind::Water, _) => "all probes are coupled, and nothing speaks of other water".into(),
        (StepKind::Connectors, _) => "every beam met the reflector at its own angle".into(),
        _ => "every probe answers alike".into(),
    };
    Verified { kind, state: StepState::Verified, evidence: vec![told], cure: String::new() }
}

/// What an explanation says of a step: wrong, or one of several that may be; `None` if nothing.
fn blame(kind: StepKind, e: &Explanation) -> Option<StepState> {
    let own = steps_of(&e.cause);
    let open = e.alternatives.iter().any(|a| steps_of(a) != own);
    let named = own.contains(&kind);
    let maybe = e.alternatives.iter().any(|a| steps_of(a).contains(&kind));
    match (named, maybe) {
        (true, _) if !open => Some(StepState::Wrong),
        (true, _) | (_, true) => Some(StepState::NotTold),
        _ => None,
    }
}

/// The steps at which a cause arises.
fn steps_of(cause: &Cause) -> &'static [StepKind] {
    match cause {
        Cause::OffCentre { .. } | Cause::BentBar { .. } => &[StepKind::Centring],
        Cause::WaterTemperature { .. } | Cause::Bubbles { .. } => &[StepKind::Water],
        Cause::WaterPath { .. } => &[StepKind::Ring],
        Cause::ProbeMoved { .. } | Cause::Elements { .. } | Cause::Drift { .. } => {
            &[StepKind::Probes]
        }
        Cause::ProbeLow { .. } => &[StepKind::Probes, StepKind::Connectors],
        Cause::ProbesSwapped { .. } | Cause::ProbeReversed { .. } => &[StepKind::Connectors],
        Cause::WrongProbes => &[StepKind::Probes, StepKind::Ring],
    }
}

/// Probes of whose beams fewer than half were read, in words.
fn unread(technique: &Technique, level: &Level) -> Vec<String> {
    (0..technique.probes.len() as u32)
        .filter_map(|probe| {
            let own: Vec<u32> =
                technique.beams.iter().filter(|b| b.probe == probe).map(|b| b.id).collect();
            let read = level
                .beams
                .iter()
                .filter(|b| own.contains(&b.beam) && b.height_fsh.is_some())
                .count();
            ((read as f64) < ENOUGH * own.len() as f64)
                .then(|| format!("probe {}: {read} of {} beams read an echo", probe + 1, own.len()))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::level::{BeamLevel, BeamState};

    fn level(explanations: Vec<Explanation>) -> Level {
        Level {
            beams: Vec::new(),
            passes: 1,
            good: false,
            bar_offset_m: Some([3e-5, 4e-5]),
            explanations,
            measures: barwright_job::Measures::default(),
            findings: Vec::new(),
        }
    }

    fn named(cause: Cause, alternatives: Vec<Cause>) -> Explanation {
        Explanation {
            cause,
            confidence: 0.9,
            evidence: vec!["seen".into()],
            cure: "cure".into(),
            alternatives,
        }
    }

    fn state(level: &Level, kind: StepKind) -> StepState {
        step(kind, level, &[]).state
    }

    // Truth: by hand, cause by cause.
    #[test]
    fn each_cause_blames_its_step_and_no_other() {
        let sound = level(Vec::new());
        for kind in StepKind::ALL {
            assert_eq!(state(&sound, kind), StepState::Verified, "{kind:?}");
        }
        assert_eq!(step(StepKind::Centring, &sound, &[]).evidence.len(), 1);
        let off = Cause::OffCentre { x_m: 4e-4, y_m: 0.0, uncertainty_m: 1e-5 };
        let off = level(vec![named(off, vec![])]);
        assert_eq!(state(&off, StepKind::Centring), StepState::Wrong);
        assert_eq!(state(&off, StepKind::Ring), StepState::Verified);
        let swapped = level(vec![named(Cause::ProbesSwapped { probes: [0, 1] }, vec![])]);
        assert_eq!(state(&swapped, StepKind::Connectors), StepState::Wrong);
        assert_eq!(state(&swapped, StepKind::Probes), StepState::Verified);
        // Warm water or another path: neither step is told.
        let warm = Cause::WaterTemperature { change_k: 4.0 };
        let path = Cause::WaterPath { change_m: 2e-4 };
        let either = level(vec![named(warm, vec![path])]);
        assert_eq!(state(&either, StepKind::Water), StepState::NotTold);
        assert_eq!(state(&either, StepKind::Ring), StepState::NotTold);
        assert_eq!(state(&either, StepKind::Connectors), StepState::Verified);
    }

    // Truth: by hand. Silence verifies nothing that needs echoes.
    #[test]
    fn silence_is_not_verified() {
        let mut silent = level(Vec::new());
        silent.bar_offset_m = None;
        silent.beams = vec![BeamLevel {
            beam: 0,
            gain_db: 0.0,
            change_db: 0.0,
            height_fsh: None,
            expected_fsh: 0.8,
            uncertainty_db: None,
            state: BeamState::Missing,
            lower_by_db: None,
            found: None,
        }];
        let unread = vec!["probe 1: 0 of 1 beams read an echo".to_owned()];
        for kind in &StepKind::ALL[1..] {
            assert_eq!(step(*kind, &silent, &unread).state, StepState::NotTold, "{kind:?}");
        }
        let other = other_technique("round 42 mm");
        assert_eq!(other[0].state, StepState::Wrong);
        assert!(other[1..].iter().all(|v| v.state == StepState::NotTold));
    }
}

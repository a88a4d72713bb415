//! By how much a reflector's echoes may fall until it is called no more.

use barwright_job::{Rules, Technique, proof::FlawClass, screened::Echo};

use crate::indications::group;

/// Most that is told, in dB.
const MOST_DB: f64 = 40.0;
/// Halvings of it: to 0.01 dB.
const HALVINGS: usize = 12;

/// Loss in dB, all echoes alike, up to which one pass still calls a reflector: its echoes are grouped anew at
/// lower heights. `belongs` says whether an echo lies at the reflector; zero where it is not called at all,
/// 40 dB at most.
pub(super) fn reserve_db(
    technique: &Technique,
    rules: &Rules,
    class: FlawClass,
    echoes: &[Echo],
    belongs: impl Fn(&Echo) -> bool,
) -> f64 {
    let called = |loss_db: f64| {
        let factor = 10f64.powf(-loss_db / 20.0) as f32;
        let lower: Vec<Echo> =
            echoes.iter().map(|e| Echo { height_fsh: e.height_fsh * factor, ..*e }).collect();
        group(technique, rules, &lower)
            .confirmed
            .iter()
            .filter(|g| g.class == class)
            .any(|g| g.members.iter().any(|&m| belongs(&lower[m])))
    };
    if !called(0.0) {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, MOST_DB);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if called(middle) { low = middle } else { high = middle }
    }
    low
}

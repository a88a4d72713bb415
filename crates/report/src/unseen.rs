//! What of a class is not seen at worst, and where: the share and the zones in words.

use barwright_phrase::say;
use std::f64::consts::TAU;

use barwright_job::{
    proof::{ClassProof, MarginMap},
    technique::Section,
};

use crate::{
    figures::{size, sized},
    places::{MapPlace, places},
    text,
};

/// Depth steps from the middle to the surface by which zones are told apart.
const STEPS: f64 = 40.0;
/// Most zones, and most stretches of the clock in one, that are named.
const NAMED: usize = 6;

/// A zone of places that are not seen at worst.
#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    /// Its share of all places the order asks for, as a fraction.
    pub share: f64,
    /// Where it lies, in words.
    pub words: String,
}

/// The zones that the order asks for and that are not seen at worst, the largest first; empty when
/// all is seen. A zone is a run of distances from the middle; in a round bar with the stretches of
/// the clock where it is not seen. Shares are by area, on a rim by length.
#[must_use]
pub fn unseen(class: &ClassProof, section: &Section) -> Vec<Zone> {
    let asked: Vec<MapPlace> =
        places(&class.map, section).into_iter().filter(|p| p.asked).collect();
    let whole: f64 = asked.iter().map(|p| p.weight).sum();
    let half = section.half_extent_m();
    if whole <= 0.0 || half <= 0.0 {
        return Vec::new();
    }
    let step = half / STEPS;
    let rim = matches!(class.map, MarginMap::Rim { .. });
    let away = |p: &MapPlace| match section {
        Section::Round { .. } => p.at.radius(),
        _ => section.depth_m(p.at),
    };
    let bin = |p: &MapPlace| (away(p) / step).round() as i64;
    let mut bins: Vec<i64> = asked.iter().filter(|p| p.unseen_at_worst()).map(&bin).collect();
    bins.sort_unstable();
    bins.dedup();
    let mut runs: Vec<(i64, i64)> = Vec::new();
    for b in bins {
        match runs.last_mut() {
            // One bin may hold no place where the grid is coarser than the bins.
            Some(run) if b - run.1 <= 2 => run.1 = b,
            _ => runs.push((b, b)),
        }
    }
    let mut zones: Vec<Zone> = runs
        .into_iter()
        .map(|(from, to)| {
            let of: Vec<&MapPlace> =
                asked.iter().filter(|p| (from..=to).contains(&bin(p))).collect();
            let dark: Vec<&MapPlace> = of.iter().copied().filter(|p| p.unseen_at_worst()).collect();
            let share = dark.iter().map(|p| p.weight).sum::<f64>() / whole;
            let low = dark.iter().map(|p| away(p)).fold(f64::INFINITY, f64::min);
            let high = dark.iter().map(|p| away(p)).fold(0.0, f64::max);
            Zone { share, words: words(section, (low, high), step, &of, rim) }
        })
        .collect();
    zones.sort_by(|a, b| b.share.total_cmp(&a.share));
    zones
}

/// The zones in one sentence; `None` when all is seen.
#[must_use]
pub fn unseen_words(class: &ClassProof, section: &Section) -> Option<String> {
    let zones = unseen(class, section);
    let mut parts: Vec<String> = zones
        .iter()
        .take(NAMED)
        .map(|z| format!("{} % {}", text::missing_percent(z.share, 2), z.words))
        .collect();
    if zones.len() > NAMED {
        parts.push(say!("and {} smaller zones", zones.len() - NAMED));
    }
    (!parts.is_empty()).then(|| parts.join("; "))
}

fn words(
    section: &Section,
    (low, high): (f64, f64),
    step: f64,
    of: &[&MapPlace],
    rim: bool,
) -> String {
    let span = if high - low < step {
        say!("at {}", sized((low + high) / 2.0, 1))
    } else {
        say!("between {} and {}", size(low, 1), sized(high, 1))
    };
    if !matches!(section, Section::Round { .. }) {
        return say!("{span} of depth");
    }
    if high < step {
        return say!("at the centre").to_owned();
    }
    let away = if low < step {
        say!("within {} of the axis", sized(high, 1))
    } else {
        say!("{span} from the axis")
    };
    match (rim, clock_words(of, high, step)) {
        (true, None) => say!("all around").to_owned(),
        (true, Some(clock)) => say!("at {clock}"),
        (false, None) => say!("{away}, all around"),
        (false, Some(clock)) => format!("{away}, {clock}"),
    }
}

/// Stretches of the clock in which a zone is not seen; `None` where that is all around.
fn clock_words(of: &[&MapPlace], radius_m: f64, step_m: f64) -> Option<String> {
    // A stretch is no finer than the places lie, nor than ten minutes of the clock.
    let n = (TAU * radius_m / (1.5 * step_m)).clamp(12.0, 72.0) as usize;
    let (mut hit, mut held) = (vec![false; n], vec![false; n]);
    for p in of.iter().filter(|p| p.at.radius() > step_m / 2.0) {
        let k = (p.at.angle().rem_euclid(TAU) / TAU * n as f64).round() as usize % n;
        held[k] = true;
        hit[k] |= p.unseen_at_worst();
    }
    // Where the map has no place, its neighbour speaks.
    let dark: Vec<bool> = (0..n)
        .map(|k| (0..n).map(|d| (k + n - d) % n).find(|j| held[*j]).is_some_and(|j| hit[j]))
        .collect();
    if dark.iter().all(|d| *d) {
        return None;
    }
    let angle = |k: f64| k / n as f64 * TAU;
    let mut stretches = Vec::new();
    for k in (0..n).filter(|k| dark[*k] && !dark[(k + n - 1) % n]) {
        let length = (0..n).take_while(|d| dark[(k + d) % n]).count();
        // The clock runs against the angle.
        stretches.push((angle((k + length) as f64 - 0.5), angle(k as f64 - 0.5)));
    }
    // In the order of the clock, from twelve on.
    let hour = |a: f64| (TAU / 4.0 - a).rem_euclid(TAU);
    stretches.sort_by(|a, b| hour(a.0).total_cmp(&hour(b.0)));
    let more = stretches.len().saturating_sub(NAMED);
    let mut list: Vec<String> = stretches
        .iter()
        .take(NAMED)
        .map(|(from, to)| say!("{} to {}", text::clock(*from), text::clock(*to)))
        .collect();
    if more > 0 {
        list.push(say!("and {more} more stretches"));
    }
    Some(say!("{} o'clock", list.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::proof::{ProvedClass, Weakest};
    use barwright_wave::Point;

    const ROUND: Section = Section::Round { radius_m: 0.02 };

    fn class(dark: impl Fn(Point) -> bool) -> ClassProof {
        let radii_m: Vec<f64> = (0..=20).map(|i| f64::from(i) * 0.001).collect();
        let (mut worst_db, mut asked) = (vec![], vec![]);
        for r in &radii_m {
            for j in 0..144 {
                let p = Point::polar(*r, TAU * f64::from(j) / 144.0);
                worst_db.push((!dark(p)).then_some(3.0));
                asked.push(*r < 0.0165);
            }
        }
        ClassProof {
            class: ProvedClass::Disc,
            flaw: String::new(),
            ordered: 1.0,
            nominal: 1.0,
            worst: 0.0,
            doubted: 0.0,
            draws: None,
            map: MarginMap::Polar {
                radii_m,
                angles: 144,
                nominal_db: worst_db.clone(),
                worst_db,
                asked,
            },
            weakest: Weakest { x_m: 0.0, y_m: 0.0, margin_db: None, cause: String::new() },
        }
    }

    // Closed form: a sector of a ring between 11.5 and 14.5 mm in a disc of 16.5 mm, from 1 to 2
    // o'clock, is 3.0·26.0/(12·16.5²) of it: 2.39 %; one angle of the map more, 2.59 %.
    #[test]
    fn a_sector_is_named_with_its_share() {
        let zones = unseen(
            &class(|p| {
                let hours = (90.0 - p.angle().to_degrees()).rem_euclid(360.0) / 30.0;
                (0.0115..0.0145).contains(&p.radius()) && (1.0..=2.0).contains(&hours)
            }),
            &ROUND,
        );
        assert_eq!(zones.len(), 1, "{zones:?}");
        assert!((0.0238..0.0260).contains(&zones[0].share), "{zones:?}");
        assert!(
            zones[0].words.starts_with("between 12.0 and 14.0 mm from the axis, "),
            "{zones:?}"
        );
        assert!(zones[0].words.ends_with(", 12:55 to 2:05 o'clock"), "{zones:?}");
    }

    // Closed form: what lies in the skin is not asked for, and is no zone.
    #[test]
    fn the_skin_is_no_zone_and_the_centre_is_one() {
        assert_eq!(unseen(&class(|p| p.radius() > 0.017), &ROUND), vec![]);
        let zones = unseen(&class(|p| p.radius() < 0.0003), &ROUND);
        assert_eq!(zones.len(), 1);
        assert_eq!(zones[0].words, "at the centre");
        let ring = unseen(&class(|p| p.radius() > 0.0155), &ROUND);
        assert_eq!(ring[0].words, "at 16.0 mm from the axis, all around");
        assert_eq!(unseen_words(&class(|_| false), &ROUND), None);
    }
}

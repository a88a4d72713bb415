//! The likely kind of an indication, in words that say what the data do not tell, and what the words
//! rest on.
//!
//! Source of the kinds, their places and the waves that find them: common practice, no source.

use barwright_job::{proof::FlawClass, rules::zones::Extent};

/// What the words rest on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Traits {
    pub class: FlawClass,
    /// Longer along the bar than three beams are wide.
    pub long: bool,
    /// Longer along the bar than a beam can tell, or not.
    pub extent: Extent,
    /// Within the place's uncertainty of the bar's axis.
    pub on_axis: bool,
    /// 20 log of the largest height from one way round over that from the other; zero where only
    /// one way has a beam there at all, infinite where only one saw it.
    pub one_sided_db: f64,
    /// Twelfths of the circumference from which it was seen within 6 dB, of those that have beams.
    pub directions: (usize, usize),
    /// Way by which the echoes of a surface flaw come from before the surface, in metres.
    pub before_surface_m: Option<f64>,
    /// Standard uncertainty of that, in metres.
    pub before_uncertainty_m: f64,
}

/// The kind, and what speaks for it.
pub(crate) struct Kind {
    pub words: String,
    pub reasons: Vec<String>,
}

/// Difference between the two ways round that speaks for an oblique flaw, in dB.
const OBLIQUE_DB: f64 = 6.0;
/// Share of the directions from which a round flaw is seen alike.
const ALL_ROUND: f64 = 0.75;
/// Share of the directions up to which a flaw shows itself to a few sides only, as a flat one does.
const FEW: f64 = 0.5;

/// Tells the kind.
pub(crate) fn tell(t: &Traits) -> Kind {
    let mut reasons = vec![length(t)];
    let words = match t.class {
        FlawClass::Disc => volume(t, &mut reasons),
        FlawClass::Crack => surface(t, &mut reasons),
    };
    Kind { words, reasons }
}

fn length(t: &Traits) -> String {
    match (t.extent, t.long) {
        (Extent::Point, _) => "not longer than the beam can tell".into(),
        (Extent::Extended, false) => "longer than the beam is wide".into(),
        (Extent::Extended, true) => "longer than three beams are wide".into(),
    }
}

fn volume(t: &Traits, reasons: &mut Vec<String>) -> String {
    let (seen, of) = t.directions;
    reasons.push(format!("longitudinal waves saw it from {seen} of {of} directions"));
    let share = seen as f64 / of.max(1) as f64;
    // Fewer than half a dozen directions tell nothing of the form.
    let form = if of < 6 || (share > FEW && share < ALL_ROUND) {
        ""
    } else if share <= FEW {
        reasons.push("seen from few directions, as a flat flaw is".into());
        ", flat"
    } else {
        reasons.push("seen from all round, as a round flaw is".into());
        ", round"
    };
    if t.on_axis {
        reasons.push("on the bar's axis within the uncertainty of its place".into());
    }
    let likely = match (t.long, t.on_axis) {
        (true, true) => "linear, on the axis: pipe or centre segregation, not told apart",
        (false, true) => "single, on the axis: centre burst or inclusion, not told apart",
        (true, false) => {
            "linear, in the volume: stringer of inclusions or segregation, not told apart"
        }
        (false, false) => "single, in the volume: inclusion, pore or burst, not told apart",
    };
    match likely.split_once(':') {
        Some((place, rest)) => format!("{place}{form}:{rest}"),
        None => likely.into(),
    }
}

fn surface(t: &Traits, reasons: &mut Vec<String>) -> String {
    let oblique = t.one_sided_db.abs() > OBLIQUE_DB;
    reasons.push(if t.one_sided_db.is_infinite() {
        "shear waves saw it from one way round only".into()
    } else {
        format!("shear waves of the two ways round differ by {:.1} dB", t.one_sided_db.abs())
    });
    let under = t.before_surface_m.is_some_and(|m| m > 2.0 * t.before_uncertainty_m);
    if let Some(before) = t.before_surface_m {
        reasons.push(if under {
            format!("its echoes come {:.1} mm of way before those of the surface", before * 1e3)
        } else {
            "its echoes come when those of the surface do".into()
        });
    }
    let shape = if t.long { "linear" } else { "short" };
    let likely = if under {
        "a flaw just under the skin, or the tip of a crack, not told apart"
    } else if oblique {
        "echoes from one way round far outweigh the other, as a lap's would; a radial seam or crack is not excluded"
    } else if t.long {
        "seam, lap or crack, not told apart"
    } else {
        "crack, pit or a flaw just under the skin, not told apart"
    };
    format!("{shape}, at the surface: {likely}")
}

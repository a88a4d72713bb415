//! The likely kind of an indication, in words that say what the data do not tell.

use barwright_job::proof::FlawClass;

/// What the words rest on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Traits {
    pub class: FlawClass,
    /// Longer along the bar than three beams are wide.
    pub long: bool,
    /// Within the place's uncertainty of the bar's axis.
    pub on_axis: bool,
    /// 20 log of the largest height from one way round over that from the other; absent where
    /// only one way has a beam there at all, infinite where only one saw it.
    pub one_sided_db: f64,
}

/// Difference between the two ways round that speaks for an oblique flaw, in dB.
const OBLIQUE_DB: f64 = 6.0;

/// The kind in words.
pub(crate) fn words(t: Traits) -> String {
    match (t.class, t.long, t.on_axis) {
        (FlawClass::Disc, true, true) => {
            "linear, on the axis: pipe or centre segregation, not told apart".into()
        }
        (FlawClass::Disc, false, true) => {
            "single, on the axis: centre burst or inclusion, not told apart".into()
        }
        (FlawClass::Disc, true, false) => {
            "linear, in the volume: stringer of inclusions or segregation, not told apart".into()
        }
        (FlawClass::Disc, false, false) => {
            "single, in the volume: inclusion, pore or burst, not told apart".into()
        }
        (FlawClass::Crack, long, _) => {
            let shape = if long { "linear" } else { "short" };
            let likely = if t.one_sided_db.abs() > OBLIQUE_DB {
                "echoes from one way round far outweigh the other, as a lap's would; a radial seam or crack is not excluded"
            } else if long {
                "seam, lap or crack, not told apart"
            } else {
                "crack, pit or a flaw just under the skin, not told apart"
            };
            format!("{shape}, at the surface: {likely}")
        }
    }
}

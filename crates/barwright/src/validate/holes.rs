//! Case files on side-drilled holes.

use barwright_wave::scatter::SideDrilledHole;
use barwright_wave::{Mode, Result, Solid};
use serde::Deserialize;

use super::cases::{Case, Named, Pair};

/// A hole and one scattering angle.
#[derive(Debug, Deserialize)]
pub struct Hole {
    id: String,
    a: f64,
    #[serde(rename = "cL")]
    c_l: f64,
    #[serde(rename = "cS")]
    c_s: f64,
    frequency: f64,
    theta_rad: f64,
    expected: ExpectedAmplitudes,
}

#[derive(Debug, Deserialize)]
struct ExpectedAmplitudes {
    #[serde(rename = "f_LL")]
    ll: Pair,
    #[serde(rename = "f_LS")]
    ls: Pair,
    #[serde(rename = "f_SL")]
    sl: Pair,
    #[serde(rename = "f_SS")]
    ss: Pair,
}

#[derive(Debug, Deserialize)]
pub struct HoleTolerance {
    rel_to_sqrt_a: f64,
}

impl Named for Hole {
    fn id(&self) -> &str {
        &self.id
    }
}

/// All four amplitudes, like and converted. The density of the solid does not enter.
pub fn sdh_scatter(case: &Hole, tolerance: &HoleTolerance, out: &mut Case<'_>) -> Result<()> {
    let solid = Solid::new(case.c_l, case.c_s, 7800.0)?;
    let hole = SideDrilledHole::new(case.a, &solid, case.frequency)?;
    let e = &case.expected;
    for (name, incident, scattered, wanted) in [
        ("L to L", Mode::L, Mode::L, e.ll),
        ("L to S", Mode::L, Mode::S, e.ls),
        ("S to L", Mode::S, Mode::L, e.sl),
        ("S to S", Mode::S, Mode::S, e.ss),
    ] {
        let f = hole.amplitude(incident, scattered, case.theta_rad);
        out.pairs(
            name,
            "m^1/2",
            tolerance.rel_to_sqrt_a * case.a.sqrt(),
            &[[f.re, f.im]],
            &[wanted],
        );
    }
    Ok(())
}

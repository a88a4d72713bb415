//! Coverage of a square over drawn deviations: every tolerance at once, at random.

use barwright_job::{Order, Station, order::SectionSpec, proof::Draws};
use barwright_wave::Point;
use rand::SeedableRng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::conditions::Conditions;
use crate::error::Result;
use crate::proof::ProveOptions;
use crate::proof::draws::{Numbers, figures, with_direction};
use crate::square::cases;
use crate::square::coverage::{self, Scope, Target};

/// Draws states: the bar's centre evenly over the circle of its play, every other deviation evenly between
/// its ends, an element lost in one of four.
///
/// # Errors
/// The wave crate's reason for a state that cannot be.
pub fn all(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
    options: &ProveOptions<'_>,
) -> Result<Vec<Conditions>> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(options.seed);
    (0..options.draws)
        .map(|_| {
            let numbers = Numbers::draw(&mut random);
            let mut words = Vec::new();
            let still = numbers.any_section(order, station, nominal, &mut words)?;
            let mut scale = 1.0;
            if let SectionSpec::Square(square) = order.section
                && square.tolerance_mm > 0.0
            {
                scale += numbers.size * square.tolerance_mm / square.side_mm;
                words.push(format!("side {:+.2} mm", numbers.size * square.tolerance_mm));
            }
            let turn_deg = numbers.shape * station.line.turn_deg;
            if turn_deg != 0.0 {
                words.push(format!("bar turned {turn_deg:+.1}°"));
            }
            let off_m = numbers.off_m(order, station);
            words.push(format!("{:.2} mm off centre", off_m * 1e3));
            let centre = Point::polar(off_m, numbers.direction_rad(1));
            let mut c =
                cases::moved(&still, words.join(", "), centre, scale, turn_deg.to_radians())?;
            c.words = with_direction(&c.words, &c);
            Ok(c)
        })
        .collect()
}

/// Covered share of weighed targets in each drawn state; `None` without draws. `tick` is called once for
/// each target in each state.
#[must_use]
pub fn coverage(
    scope: &Scope<'_>,
    nominal: &Conditions,
    drawn: &[Conditions],
    targets: &[(Target, f64)],
    spacing_m: f64,
    seed: u64,
    tick: &(dyn Fn() + Sync),
) -> Option<Draws> {
    let places: Vec<Target> = targets.iter().map(|t| t.0).collect();
    let whole: f64 = targets.iter().map(|t| t.1).sum();
    let shares: Vec<(f64, String)> = drawn
        .iter()
        .map(|state| {
            let seen = coverage::in_state(scope, nominal, state, &places, spacing_m, tick);
            let kept: f64 = targets
                .iter()
                .zip(seen)
                .filter(|(_, margin)| margin.is_some_and(|m| m >= 0.0))
                .map(|(t, _)| t.1)
                .sum();
            (if whole > 0.0 { kept / whole } else { 0.0 }, state.words.clone())
        })
        .collect();
    figures(&shares, seed)
}

//! Coverage over drawn deviations: every tolerance at once, at random.

use std::f64::consts::TAU;

use barwright_job::{
    Order, Station, Technique,
    order::SectionSpec,
    proof::{Draws, ProvedClass},
    station::Coupling,
};
use barwright_wave::Point;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::ProveOptions;
use super::round::{fields, rim_angles, wanted};
use crate::conditions::{Conditions, Oval, off_centre_m};
use crate::coverage::Margin;
use crate::error::Result;
use crate::exact::margins::{self, Judged, Place, Sights};
use crate::exact::{Bars, Fineness};
use crate::search::share;

/// Rings, angles and rim places of a draw: half as fine as the proof.
const RINGS: usize = 14;
const ANGLES: usize = 120;
const RIM: usize = 360;
const MAP_ANGLES: usize = 240;

/// A drawn state in each of its directions.
pub(crate) struct Drawn {
    /// What deviates, but for the direction.
    pub words: String,
    /// The state in each direction.
    pub turned: Vec<Conditions>,
}

/// Draws states: the bar's centre evenly over the circle of its play, every other deviation evenly between its
/// ends, an element lost in one of four. Each is turned to as many directions as there are probes, which
/// the ring's symmetry makes as likely.
pub(super) fn all(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
    options: &ProveOptions<'_>,
    directions: usize,
) -> Result<Vec<Drawn>> {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(options.seed);
    (0..options.draws)
        .map(|_| state(order, station, nominal, directions, &Numbers::draw(&mut random)))
        .collect()
}

/// Numbers of one draw, each even within -1 and 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Numbers {
    /// Of the distance off centre: the share of the circle's area within it, from -1 to 1.
    pub off: f64,
    /// Of the section's size.
    pub size: f64,
    /// Of the water's temperature.
    pub warm: f64,
    /// Of the velocities in the steel.
    pub fast: f64,
    /// Of its shape or turn.
    pub shape: f64,
    /// Of the disc's tilt; its size counts.
    pub tilt: f64,
    /// An element is lost above a half.
    pub lost: f64,
    /// Of the direction off centre.
    pub direction: f64,
}

impl Numbers {
    /// The next draw: it takes the same numbers in the same order, whatever the tolerances.
    pub fn draw(random: &mut Xoshiro256PlusPlus) -> Self {
        let mut even = || 2.0 * random.random::<f64>() - 1.0;
        Self {
            off: even(),
            size: even(),
            warm: even(),
            fast: even(),
            shape: even(),
            tilt: even(),
            lost: even(),
            direction: even(),
        }
    }

    /// Distance in m of the bar's centre from the ring's, evenly over a circle: the square root of an even
    /// share.
    pub fn off_m(&self, order: &Order, station: &Station) -> f64 {
        ((self.off + 1.0) / 2.0).sqrt() * off_centre_m(order, station)
    }

    /// Direction in rad of the bar's centre, the first of `count` that share a turn.
    pub fn direction_rad(&self, count: usize) -> f64 {
        TAU * (self.direction + 1.0) / 2.0 / count.max(1) as f64
    }

    /// Water, velocity, tilt and a lost element as drawn; what they are is added to the words.
    pub fn any_section(
        &self,
        order: &Order,
        station: &Station,
        nominal: &Conditions,
        words: &mut Vec<String>,
    ) -> Result<Conditions> {
        let mut c = nominal.clone();
        if let Coupling::Water(w) = station.coupling
            && w.tolerance_k > 0.0
        {
            let kelvin = self.warm * w.tolerance_k;
            c = c.at_temperature(w.temperature_c + kelvin)?;
            words.push(format!("water {kelvin:+.1} K"));
        }
        let velocity = order.steel.velocity_tolerance_percent;
        if velocity > 0.0 {
            c = c.at_velocity(1.0 + self.fast * velocity / 100.0);
            words.push(format!("sound {:+.2} %", self.fast * velocity));
        }
        c.tilt_rad = self.tilt.abs() * order.flaws.disc.tilt_deg.to_radians();
        if c.tilt_rad > 0.0 {
            words.push(format!("disc turned {:.1}°", c.tilt_rad.to_degrees()));
        }
        c.lost_middle = self.lost > 0.5;
        if c.lost_middle {
            words.push("middle element lost".into());
        }
        Ok(c)
    }
}

/// The state that numbers stand for, turned to so many directions.
pub(crate) fn state(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
    directions: usize,
    numbers: &Numbers,
) -> Result<Drawn> {
    let mut words = Vec::new();
    let c = numbers.any_section(order, station, nominal, &mut words)?;
    let mut scale = 1.0;
    let mut amplitude_m = 0.0;
    if let SectionSpec::Round(round) = order.section {
        scale += numbers.size * round.tolerance_mm / round.diameter_mm;
        amplitude_m = numbers.shape * round.ovality_mm * 1e-3 / 4.0;
        if round.tolerance_mm > 0.0 {
            words.push(format!("diameter {:+.2} mm", numbers.size * round.tolerance_mm));
        }
        if round.ovality_mm > 0.0 {
            words.push(format!("{:.2} mm out of round", (numbers.shape * round.ovality_mm).abs()));
        }
    }
    let off_m = numbers.off_m(order, station);
    words.push(format!("{:.2} mm off centre", off_m * 1e3));
    let words = words.join(", ");
    let turned = (0..directions.max(1))
        .map(|i| {
            let direction =
                numbers.direction_rad(directions) + TAU * i as f64 / directions.max(1) as f64;
            let mut turned = c.moved(words.clone(), Point::polar(off_m, direction), scale);
            turned.oval = (amplitude_m != 0.0).then_some(Oval {
                amplitude_m,
                direction_rad: direction,
                // A modal solution for every curvature would make draws several times as long; its
                // share is in the cases at the tolerance's end.
                curvature: false,
            });
            turned
        })
        .collect();
    Ok(Drawn { words, turned })
}

/// Figures of covered shares, each with its state in words; `None` without any.
pub(crate) fn figures(shares: &[(f64, String)], seed: u64) -> Option<Draws> {
    let mut sorted: Vec<f64> = shares.iter().map(|s| s.0).collect();
    sorted.sort_by(f64::total_cmp);
    let lowest = shares.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(Draws {
        seed,
        count: shares.len(),
        lowest: lowest.0,
        low_5_percent: sorted[sorted.len() / 20],
        mean: sorted.iter().sum::<f64>() / sorted.len() as f64,
        lowest_words: lowest.1.clone(),
    })
}

/// A drawn state's words with the direction in which its centre stands.
pub(crate) fn with_direction(words: &str, state: &Conditions) -> String {
    format!("{words} towards {:.0}°", state.centre.angle().to_degrees().rem_euclid(360.0))
}

/// Covered share of each class in each drawn state.
pub(super) struct Coverage {
    by_class: Vec<(ProvedClass, Vec<(f64, String)>)>,
}

impl Coverage {
    /// Figures of a class; `None` without draws.
    pub fn of(&self, class: ProvedClass, seed: u64) -> Option<Draws> {
        let (_, shares) = self.by_class.iter().find(|(c, _)| *c == class)?;
        figures(shares, seed)
    }
}

/// Distances from the centre, the places there and what is seen at them.
type Looked = ((f64, f64), Vec<Place>, Vec<Sights>);

/// Computes coverage of every drawn state.
pub(super) fn coverage(
    t: &Technique,
    nominal: &Conditions,
    order: &Order,
    bars: &Bars,
    judged: &Judged<'_>,
    drawn: &[Drawn],
    tick: &dyn Fn() -> Result<()>,
) -> Result<Coverage> {
    let radius = t.section.half_extent_m();
    let classes = wanted(order, t);
    let mut by_class: Vec<(ProvedClass, Vec<(f64, String)>)> =
        classes.iter().map(|w| (w.class, Vec::new())).collect();
    let fineness =
        Fineness { rings: RINGS, angles: MAP_ANGLES, rim: rim_angles(nominal), around: 8 };
    for draw in drawn {
        let mut fields = fields(order, t, nominal, bars, fineness).forgetting();
        let calm = || Ok(());
        let states = margins::states(&mut fields, judged, nominal, &draw.turned, &calm)?;
        // Disc and inclusion are asked for at the same places.
        let mut known: Option<Looked> = None;
        for (class, (_, shares)) in classes.iter().zip(&mut by_class) {
            let crack = class.class == ProvedClass::Crack;
            if known.as_ref().is_none_or(|(within, ..)| *within != class.within_m) {
                let outer = (class.within_m.1 / radius).min(1.0);
                let places: Vec<Place> = if crack {
                    Place::around(1.0, RIM).collect()
                } else {
                    (0..RINGS)
                        .flat_map(|i| {
                            Place::around((i as f64 + 0.5) / RINGS as f64 * outer, ANGLES)
                        })
                        .collect()
                };
                let sights = margins::sights(&fields, judged, &states, crack, &places);
                known = Some((class.within_m, places, sights));
            }
            let Some((_, places, sights)) = &known else {
                continue;
            };
            let by_state = margins::by_state(&fields, judged, sights, class.flaw)?;
            for (state, margins) in draw.turned.iter().zip(by_state) {
                let as_margins: Vec<Margin> = margins
                    .into_iter()
                    .map(|nominal_db| Margin { nominal_db, ..Margin::default() })
                    .collect();
                let words = with_direction(&draw.words, state);
                shares.push((share(places, &as_margins, false), words));
            }
        }
        tick()?;
    }
    Ok(Coverage { by_class })
}

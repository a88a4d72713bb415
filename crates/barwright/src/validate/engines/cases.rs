//! The beams that both engines compute: invented, but of the ordinary kind.

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI};

use barwright_wave::delay::{self, DelayLaw};
use barwright_wave::{Element, Fluid, Mode, Point, Result, Solid, Surface, array, water};

/// Pitch of the elements, and how much of it sounds.
const PITCH_M: f64 = 0.6e-3;
const WIDTH_M: f64 = 0.5e-3;
/// Water path beyond a quarter of the bar.
const MARGIN_M: f64 = 5e-3;
/// Where the off-centre bar stands.
const OFF_CENTRE: Point = Point::new(0.8e-3, -0.5e-3);
/// Diameters compared, and the elements of the array above each.
const BARS: [(f64, usize); 3] = [(0.020, 16), (0.060, 32), (0.120, 64)];
/// The bar that is also compared off centre.
const OFF_CENTRE_DIAMETER_M: f64 = 0.060;

/// Shape of the array above the bar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Face {
    /// Flat.
    Flat,
    /// Concave, about the station's axis.
    Concave,
}

/// What a beam is steered to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aim {
    /// Longitudinal, focused on the station's axis.
    Centre,
    /// Longitudinal, focused halfway between entry and axis.
    Halfway,
    /// Shear at 45 degrees, focused at the middle of its chord.
    Shear45,
}

/// One beam on one bar.
#[derive(Debug, Clone, Copy)]
pub struct Case {
    /// Diameter of the bar in metres.
    pub diameter_m: f64,
    /// Number of elements.
    pub elements: usize,
    /// Shape of the array.
    pub face: Face,
    /// What the beam is steered to.
    pub aim: Aim,
    /// Where the bar's axis stands; the delay law does not know.
    pub centre: Point,
}

/// Every case whose bar is among `diameters_mm`; all of them for an empty list.
pub fn all(diameters_mm: &[f64]) -> Vec<Case> {
    let wanted = |d: f64| {
        diameters_mm.is_empty() || diameters_mm.iter().any(|mm| (mm - d * 1e3).abs() < 1e-6)
    };
    let mut cases = Vec::new();
    for (diameter_m, elements) in BARS {
        let mut places = vec![Point::default()];
        if diameter_m == OFF_CENTRE_DIAMETER_M {
            places.push(OFF_CENTRE);
        }
        for centre in places {
            for face in [Face::Flat, Face::Concave] {
                for aim in [Aim::Centre, Aim::Halfway, Aim::Shear45] {
                    cases.push(Case { diameter_m, elements, face, aim, centre });
                }
            }
        }
    }
    cases.retain(|case| wanted(case.diameter_m));
    cases
}

/// Water at 20 °C.
pub fn fluid() -> Result<Fluid> {
    water::water(20.0)
}

/// Steel of the reference blocks of ISO 22232-2.
pub fn solid() -> Result<Solid> {
    Solid::new(5920.0, 3255.0, 7850.0)
}

impl Case {
    /// Radius of the bar in metres.
    pub fn radius_m(&self) -> f64 {
        self.diameter_m / 2.0
    }

    /// Kind of wave of the beam.
    pub fn mode(&self) -> Mode {
        match self.aim {
            Aim::Centre | Aim::Halfway => Mode::L,
            Aim::Shear45 => Mode::S,
        }
    }

    /// The case in words.
    pub fn name(&self) -> String {
        let face = match self.face {
            Face::Flat => "flat",
            Face::Concave => "concave",
        };
        let aim = match self.aim {
            Aim::Centre => "L to the axis",
            Aim::Halfway => "L halfway",
            Aim::Shear45 => "S at 45°",
        };
        let off = if self.centre == Point::default() { "" } else { ", off centre" };
        format!("{:.0} mm, {face}, {aim}{off}", self.diameter_m * 1e3)
    }

    /// A name for files.
    pub fn slug(&self) -> String {
        let words = self.name().replace('°', "").replace(", ", "-").replace(' ', "-");
        words.to_lowercase()
    }

    /// Distance of the array's middle from the station's axis, in metres: a quarter of the bar
    /// and a margin of water (so that the second surface echo comes after the far wall).
    pub fn distance_m(&self) -> f64 {
        self.radius_m() + self.diameter_m / 4.0 + MARGIN_M
    }

    /// Radius of the array's face, `None` for a flat one.
    pub fn face_radius_m(&self) -> Option<f64> {
        (self.face == Face::Concave).then(|| self.distance_m())
    }

    /// The elements, above the station's axis.
    pub fn array(&self) -> Vec<Element> {
        let (n, r) = (self.elements, self.distance_m());
        match self.face {
            Face::Concave => array::arc(r, FRAC_PI_2, n, PITCH_M, WIDTH_M, 0.01),
            Face::Flat => array::flat(Point::new(0.0, r), -FRAC_PI_2, n, PITCH_M, WIDTH_M, 0.01),
        }
    }

    /// The bar where the law believes it to be.
    fn nominal(&self) -> Surface {
        Surface::Round { centre: Point::default(), radius_m: self.radius_m() }
    }

    /// The bar where it is.
    pub fn surface(&self) -> Surface {
        Surface::Round { centre: self.centre, radius_m: self.radius_m() }
    }

    /// The beam's delay law, worked out for a centred bar.
    pub fn law(&self, fluid: &Fluid, solid: &Solid) -> Result<DelayLaw> {
        let c = solid.velocity_m_s(self.mode());
        let target = match self.aim {
            Aim::Centre => Point::default(),
            Aim::Halfway => Point::new(0.0, self.radius_m() / 2.0),
            Aim::Shear45 => self.middle_of_chord(fluid.velocity_m_s, c)?,
        };
        delay::focus(&self.nominal(), &self.array(), target, fluid.velocity_m_s, c, None)
    }

    /// Middle of the chord of the ray that leaves the array's middle and is refracted to 45
    /// degrees on the counter-clockwise side.
    fn middle_of_chord(&self, c_water_m_s: f64, c_steel_m_s: f64) -> Result<Point> {
        let from = Point::new(0.0, self.distance_m());
        let incidence = (c_water_m_s / c_steel_m_s * FRAC_PI_4.sin()).asin();
        let travel = Point::polar(1.0, delay::travel_direction(&self.nominal(), from, incidence)?);
        let nearest = -(from.x * travel.x + from.y * travel.y);
        let miss = travel.x * from.y - travel.y * from.x;
        let entry = from + travel * (nearest - (self.radius_m().powi(2) - miss * miss).sqrt());
        let inside = Point::polar(1.0, entry.angle() + PI - FRAC_PI_4);
        Ok(entry + inside * (self.radius_m() * FRAC_PI_4.cos()))
    }
}

//! The corner of a surface crack and the surface, for shear waves: geometry, the wave mirrored in the
//! surface, and the closed form for a plane wave at a plane surface.
//!
//! A shear wave reaches every place of the crack's face twice, straight and mirrored in the surface;
//! the same holds for reception. All four pairs are summed over the face by Kirchhoff's approximation
//! ([`super::face_coupling`]). The two mixed pairs keep their phase over a square crack: they are the
//! corner echo. The straight pair gives the tip its echo (in Kirchhoff's size, not that of exact
//! diffraction).

use num_complex::Complex64;
use std::f64::consts::{FRAC_PI_2, PI};

use super::angular_frequency;
use super::kirchhoff::{Meeting, face_coupling, surface_ss};
use crate::error::{Result, WaveError, positive};
use crate::geometry::Point;
use crate::media::{Fluid, Mode, Solid};

/// The surface that a crack starts from, seen from inside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wall {
    /// A plane face; its normal out of the steel as an angle from +x in rad.
    Flat {
        /// Direction out of the steel.
        outward_rad: f64,
    },
    /// The surface of a round bar.
    Round {
        /// Centre of the section.
        centre: Point,
        /// Radius of the bar in m.
        radius_m: f64,
    },
}

/// A crack that starts at a place of the surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corner {
    mouth: Point,
    wall: Wall,
    outward_rad: f64,
    depth_m: f64,
    inward_rad: f64,
    outside: Option<Fluid>,
}

/// A shear wave near the mouth of a crack: the direction of travel, and how it changes across.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Front {
    /// Where the direction is that given.
    pub at: Point,
    /// Direction of travel there in rad.
    pub heading_rad: f64,
    /// Turn of the direction (counter-clockwise) per way to the left of it, in rad/m: one over the
    /// distance the wave seems to come from; zero for a plane wave, negative for a converging one.
    pub divergence_1_m: f64,
}

impl Front {
    /// A plane wave.
    #[must_use]
    pub fn plane(heading_rad: f64) -> Self {
        Self { at: Point::default(), heading_rad, divergence_1_m: 0.0 }
    }

    /// Direction of travel at a place near by, in rad.
    #[must_use]
    pub fn heading_at(&self, place: Point) -> f64 {
        let (sin, cos) = self.heading_rad.sin_cos();
        let off = place - self.at;
        self.heading_rad + self.divergence_1_m * (off.y * cos - off.x * sin)
    }
}

/// A shear wave that reaches a place by way of the surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mirrored {
    /// Where it meets the surface.
    pub from: Point,
    /// Way from there to the place, in m.
    pub way_m: f64,
    /// Direction of travel after that, in rad.
    pub heading_rad: f64,
    /// Reflection coefficient times the focusing (or spreading) since the surface.
    pub coefficient: Complex64,
}

impl Corner {
    /// A crack of a depth in m along its face. `tilt_rad` turns it, counter-clockwise, out of the
    /// direction square to the surface.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a depth that is not positive (or reaches a fifth of the diameter of a round
    /// bar), a tilt of 90 degrees or more, or a mouth that does not lie on a round surface.
    pub fn new(mouth: Point, wall: Wall, depth_m: f64, tilt_rad: f64) -> Result<Self> {
        positive("the depth of the crack", depth_m, "m")?;
        within("the tilt of the crack", tilt_rad, FRAC_PI_2)?;
        within("the place of the crack", mouth.x + mouth.y, f64::INFINITY)?;
        let outward_rad = match wall {
            Wall::Flat { outward_rad } => outward_rad,
            Wall::Round { centre, radius_m } => {
                positive("the bar radius", radius_m, "m")?;
                let from = mouth - centre;
                if (from.radius() - radius_m).abs() > 1e-6 * radius_m {
                    return Err(WaveError::OutOfRange {
                        what: "the distance of the crack's mouth from the bar's centre",
                        value: from.radius(),
                        unit: "m",
                        expected: "the bar's radius",
                    });
                }
                if depth_m >= 0.4 * radius_m {
                    return Err(WaveError::OutOfRange {
                        what: "the depth of the crack",
                        value: depth_m,
                        unit: "m",
                        expected: "below a fifth of the bar's diameter",
                    });
                }
                from.angle()
            }
        };
        within("the normal of the wall", outward_rad, f64::INFINITY)?;
        let inward_rad = outward_rad + PI + tilt_rad;
        Ok(Self { mouth, wall, outward_rad, depth_m, inward_rad, outside: None })
    }

    /// The same with a fluid on the other side of the surface, which takes its share of every
    /// reflection there ([`surface_ss`]); the crack itself stays empty.
    #[must_use]
    pub fn bordering(mut self, fluid: Fluid) -> Self {
        self.outside = Some(fluid);
        self
    }

    /// Depth along the face in m.
    #[must_use]
    pub fn depth_m(&self) -> f64 {
        self.depth_m
    }

    /// Direction of the face's normal in rad (one of the two).
    #[must_use]
    pub fn normal_rad(&self) -> f64 {
        self.inward_rad + FRAC_PI_2
    }

    /// The place at a depth along the face in m.
    #[must_use]
    pub fn place(&self, depth_m: f64) -> Point {
        self.mouth + Point::polar(depth_m, self.inward_rad)
    }

    /// Places on the face with their shares of it in m, for integrals of waves of a wavelength in m or
    /// longer: four points by Gauss and Legendre on every quarter of it.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a wavelength that is not positive.
    pub fn nodes(&self, wavelength_m: f64) -> Result<Vec<(Point, f64)>> {
        positive("the shear wavelength", wavelength_m, "m")?;
        const GAUSS: [(f64, f64); 4] = [
            (-0.861_136_311_594_052_6, 0.173_927_422_568_727),
            (-0.339_981_043_584_856_3, 0.326_072_577_431_273),
            (0.339_981_043_584_856_3, 0.326_072_577_431_273),
            (0.861_136_311_594_052_6, 0.173_927_422_568_727),
        ];
        let parts = (2.0 * self.depth_m / wavelength_m).ceil().max(1.0);
        let part = self.depth_m / parts;
        let nodes = (0..parts as usize).flat_map(|i| {
            GAUSS.map(|(x, weight)| {
                let depth = (i as f64 + 0.5 + 0.5 * x) * part;
                (self.place(depth), weight * part)
            })
        });
        Ok(nodes.collect())
    }

    /// Angle in rad between a direction of travel and the wall's outward normal at the mouth.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a wave that does not travel towards the wall.
    pub fn incidence_rad(&self, heading_rad: f64) -> Result<f64> {
        let turn = (heading_rad - self.outward_rad + PI).rem_euclid(2.0 * PI) - PI;
        within("the incidence of the shear wave on the surface", turn, FRAC_PI_2)?;
        Ok(turn)
    }

    /// A wave front on its way to `place` by the surface.
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] as [`Self::incidence_rad`], and where a round surface has focused the
    /// wave before it gets there (or it meets it too flatly to get there).
    pub fn mirrored(&self, solid: &Solid, place: Point, front: &Front) -> Result<Mirrored> {
        let beta = self.incidence_rad(front.heading_rad)?;
        let outward = Point::polar(1.0, self.outward_rad);
        let along = Point::new(-outward.y, outward.x);
        // Guess: image of the place in the plane that touches the surface at the mouth.
        let depth = dot(self.mouth - place, outward);
        let travel = Point::polar(1.0, front.heading_rad);
        let guess = place + outward * (2.0 * depth) - travel * (depth / beta.cos());
        let mut s = dot(guess - self.mouth, along);
        let miss = |s: f64| {
            let (from, normal) = self.wall_at(s);
            let on = mirror(Point::polar(1.0, front.heading_at(from)), normal);
            let leg = place - from;
            on.x * leg.y - on.y * leg.x
        };
        let scale = depth.abs().max(self.depth_m);
        // Newton with the slope by differences; the guess is off by depth²/radius.
        for _ in 0..20 {
            let (h, value) = (1e-4 * scale, miss(s));
            s -= value / ((miss(s + h) - miss(s - h)) / (2.0 * h));
            if value.abs() < 1e-12 * scale {
                break;
            }
        }
        let (from, normal) = self.wall_at(s);
        let travel = Point::polar(1.0, front.heading_at(from));
        let on = mirror(travel, normal);
        let (way_m, cosine) = (dot(place - from, on), dot(travel, normal));
        let bend = match self.wall {
            Wall::Flat { .. } => 0.0,
            Wall::Round { radius_m, .. } => 2.0 / (radius_m * cosine),
        };
        let spread = 1.0 + way_m * (front.divergence_1_m - bend);
        let met = miss(s).abs() < 1e-6 * scale && way_m >= -1e-9 * scale && cosine > 0.0;
        if !met || spread.is_nan() || spread < 0.1 {
            return Err(WaveError::OutOfRange {
                what: "the depth of the crack for this incidence on the surface",
                value: self.depth_m,
                unit: "m",
                expected: "short of where a round surface focuses the mirrored wave",
            });
        }
        let incidence = cosine.min(1.0).acos();
        Ok(Mirrored {
            from,
            way_m,
            heading_rad: on.angle(),
            coefficient: surface_ss(solid, self.outside.as_ref(), incidence) / spread.sqrt(),
        })
    }

    /// The place of the wall at a way from the mouth, counter-clockwise seen from a bar's centre, and
    /// the normal there.
    fn wall_at(&self, s: f64) -> (Point, Point) {
        match self.wall {
            Wall::Flat { outward_rad } => {
                let outward = Point::polar(1.0, outward_rad);
                (self.mouth + Point::new(-outward.y, outward.x) * s, outward)
            }
            Wall::Round { centre, radius_m } => {
                let normal = Point::polar(1.0, self.outward_rad + s / radius_m);
                (centre + normal * radius_m, normal)
            }
        }
    }

    /// Strength (a pure number, as a line source) for plane shear waves, the surface taken as plane:
    /// closed form, fields counted at the mouth. `angular` is ω + i damping in rad/s.
    ///
    /// For a square crack and pulse-echo the mixed pairs are -4 i k h sin β R(β) R(90° - β).
    ///
    /// # Errors
    /// [`WaveError::OutOfRange`] for a frequency that is not positive or waves that do not travel
    /// towards the surface.
    pub fn plane_strength(
        &self,
        solid: &Solid,
        angular: Complex64,
        sent_rad: f64,
        received_rad: f64,
    ) -> Result<Complex64> {
        angular_frequency(angular)?;
        let k = angular / solid.shear_m_s;
        let outward = Point::polar(1.0, self.outward_rad);
        let both = |heading: f64| -> Result<[(f64, Complex64); 2]> {
            let beta = self.incidence_rad(heading)?;
            let on = mirror(Point::polar(1.0, heading), outward).angle();
            Ok([(heading, Complex64::ONE), (on, surface_ss(solid, self.outside.as_ref(), beta))])
        };
        let mut sum = Complex64::ZERO;
        for (sent, by_sent) in both(sent_rad)? {
            for (received, by_received) in both(received_rad)? {
                let wave = |heading_rad| Meeting { mode: Mode::S, heading_rad };
                let coupling = face_coupling(solid, self.normal_rad(), wave(sent), wave(received))?;
                let along = (sent - self.inward_rad).cos() + (received - self.inward_rad).cos();
                sum += coupling * by_sent * by_received * phase_mean(k * along * self.depth_m);
            }
        }
        Ok(Complex64::i() * angular * sum * self.depth_m)
    }
}

/// Mean of exp(i x s) over s from 0 to 1.
fn phase_mean(x: Complex64) -> Complex64 {
    let half = x / 2.0;
    let sinc = if half.norm() < 1e-4 { 1.0 - half * half / 6.0 } else { half.sin() / half };
    (Complex64::i() * half).exp() * sinc
}

fn mirror(travel: Point, normal: Point) -> Point {
    travel - normal * (2.0 * dot(travel, normal))
}

fn dot(a: Point, b: Point) -> f64 {
    a.x * b.x + a.y * b.y
}

/// Strictly within ± a limit, and finite.
fn within(what: &'static str, value: f64, limit: f64) -> Result<()> {
    if value.is_finite() && value.abs() < limit {
        return Ok(());
    }
    Err(WaveError::OutOfRange {
        what,
        value,
        unit: "rad",
        expected: if limit.is_finite() { "within ±π/2, ends excluded" } else { "finite" },
    })
}

#[cfg(test)]
mod tests;

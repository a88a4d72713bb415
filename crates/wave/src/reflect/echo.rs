//! The reflectors, and the echo of each in a sight.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::crack;
use super::finding::{self, EchoFinding};
use super::one_way::{Sight, middle_hz};
use super::signal::EchoSpectrum;
use crate::error::{Result, WaveError};
use crate::geometry::Point;
use crate::media::{Fluid, Mode, Solid};
use crate::scatter::{
    Corner, Meeting, SideDrilledHole, SphericalInclusion, SphericalVoid, Wall, disc_strength,
    point_strength, strip_strength,
};

/// A reflector and its size; where it is, [`echo`] is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reflector {
    /// A flat disc (the end of a flat-bottomed hole), its normal in the section plane. Kirchhoff; both
    /// kinds of wave. Compact.
    Disc {
        /// Radius in m.
        radius_m: f64,
        /// Direction of its normal, either way, as an angle from +x in rad.
        normal_rad: f64,
    },
    /// A flat strip that is long along the bar. Kirchhoff; both kinds of wave. Line-like.
    Strip {
        /// Width in the section in m.
        width_m: f64,
        /// Direction of its normal, either way, as an angle from +x in rad.
        normal_rad: f64,
    },
    /// A round hole that is long along the bar. Exact series; both kinds of wave. Line-like.
    Hole {
        /// Radius in m.
        radius_m: f64,
    },
    /// A spherical void. Exact series; longitudinal waves. Compact.
    SphericalVoid {
        /// Radius in m.
        radius_m: f64,
    },
    /// A welded solid sphere. Exact series; longitudinal waves. Compact.
    SphericalInclusion {
        /// Radius in m.
        radius_m: f64,
        /// What it is made of.
        inside: Solid,
    },
    /// A crack that starts at the surface and is long along the bar; its place is its mouth. Kirchhoff;
    /// shear waves. Line-like.
    Crack {
        /// Depth along its face in m.
        depth_m: f64,
        /// Turn, counter-clockwise, out of the direction square to the surface, in rad.
        tilt_rad: f64,
        /// The surface.
        wall: Wall,
        /// The fluid on the other side of the surface, as for a bar in water; none for air. The crack
        /// itself is empty.
        outside: Option<Fluid>,
    },
}

impl Reflector {
    /// True if it is long along the bar: then the axial factor of [`echo`] is an integral in m.
    #[must_use]
    pub fn is_line_like(&self) -> bool {
        matches!(self, Self::Strip { .. } | Self::Hole { .. } | Self::Crack { .. })
    }
}

/// Echo of a reflector at a place, by the fields of both sides there.
///
/// The fields are taken as plane waves over a disc, strip, hole or sphere (a quarter of the beam's
/// width or smaller; [`super::disc_over_its_face`] for larger discs), and as they are over the face
/// of a crack. `axial` is the third dimension: at a frequency in Hz the product of both fields along
/// the bar relative to two dimensions for a compact reflector, its integral along a line-like one in
/// m (see [`super`]).
///
/// # Errors
/// [`WaveError::OutOfRange`] for sizes, angles, frequencies or kinds of wave that the reflector does
/// not have, and for an axial factor that is not finite; those of both sides.
pub fn echo(
    sight: &Sight<'_>,
    reflector: &Reflector,
    place: Point,
    axial: &dyn Fn(f64) -> Complex64,
) -> Result<EchoSpectrum> {
    sight.check()?;
    let solid = sight.transmit.solid();
    let modes = [sight.transmit_mode, sight.receive_mode];
    let frequencies = sight.transmit.frequencies_hz();
    let mut findings = Vec::new();
    let wavelength = solid.velocity_m_s(modes[0]) / middle_hz(frequencies)?;
    findings.extend(finding::of_size(reflector, wavelength));
    let mut values = if let Reflector::Crack { depth_m, tilt_rad, wall, outside } = *reflector {
        refuse(modes, Mode::L, "a surface crack")?;
        let corner = Corner::new(place, wall, depth_m, tilt_rad)?;
        let corner = outside.map_or(corner, |fluid| corner.bordering(fluid));
        crack::received(sight, &corner, &mut findings)?
    } else {
        let strengths = strengths(sight, reflector, place, &mut findings)?;
        let [sent, heard] = sight.fields(&[place])?;
        let both = sent[0].iter().zip(&heard[0]);
        both.zip(&strengths).map(|((a, b), q)| a * b * q).collect()
    };
    let ratio = sight.receive.source_ratio();
    for (value, &f) in values.iter_mut().zip(frequencies) {
        *value *= axial(f) * ratio;
    }
    let flags = sight.flags(place)?;
    if flags != Default::default() {
        findings.push(EchoFinding::Field(flags));
    }
    EchoSpectrum {
        frequencies_hz: frequencies.to_vec(),
        values,
        damping_1_s: sight.transmit.damping_1_s(),
        findings,
    }
    .finite()
}

/// Strength of the source that stands for the reflector, at each frequency.
fn strengths(
    sight: &Sight<'_>,
    reflector: &Reflector,
    place: Point,
    findings: &mut Vec<EchoFinding>,
) -> Result<Vec<Complex64>> {
    let solid = sight.transmit.solid();
    let modes = [sight.transmit_mode, sight.receive_mode];
    let headings = sight.headings_rad(place)?;
    let sent = Meeting { mode: modes[0], heading_rad: headings[0] };
    let received = Meeting { mode: modes[1], heading_rad: headings[1] };
    // The scattered wave that is heard travels against the one that the receiver would send.
    let turn = headings[1] + PI - headings[0];
    match *reflector {
        Reflector::Disc { normal_rad, .. } | Reflector::Strip { normal_rad, .. } => {
            findings.extend(finding::of_direction(normal_rad, headings[0]));
        }
        Reflector::SphericalVoid { .. } | Reflector::SphericalInclusion { .. } => {
            refuse(modes, Mode::S, "a sphere")?;
        }
        _ => {}
    }
    let each = |omega: Complex64| -> Result<Complex64> {
        Ok(match *reflector {
            Reflector::Disc { radius_m, normal_rad } => {
                disc_strength(solid, omega, radius_m, normal_rad, sent, received)?
            }
            Reflector::Strip { width_m, normal_rad } => {
                strip_strength(solid, omega, width_m, normal_rad, sent, received)?
            }
            Reflector::Hole { radius_m } => {
                SideDrilledHole::damped(radius_m, solid, omega)?.strength(modes[0], modes[1], turn)
            }
            Reflector::SphericalVoid { radius_m } => {
                point_strength(SphericalVoid::damped(radius_m, solid, omega)?.amplitude(turn))
            }
            Reflector::SphericalInclusion { radius_m, inside } => point_strength(
                SphericalInclusion::damped(radius_m, solid, &inside, omega)?.amplitude(turn),
            ),
            Reflector::Crack { .. } => Complex64::ZERO,
        })
    };
    sight.angular().map(each).collect()
}

/// An error where one of the sides uses a kind of wave that a reflector is not modelled for.
fn refuse(modes: [Mode; 2], mode: Mode, reflector: &'static str) -> Result<()> {
    if !modes.contains(&mode) {
        return Ok(());
    }
    Err(WaveError::NotModelled {
        what: reflector,
        missing: match mode {
            Mode::L => "longitudinal waves",
            Mode::S => "shear waves",
        },
        hint: "use the other kind of wave on both sides",
    })
}

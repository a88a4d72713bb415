//! Spectra of the ordered flaws' echoes along a beam: what multiplies the field in the section.
//!
//! The reference is the ordered disc (or crack) under the middle of a pulse. The other flaws, and places
//! between two pulses, differ from it by a level that depends on depth alone: both echoes have the same
//! field in the section.

use std::f64::consts::{PI, TAU};

use barwright_wave::{
    Mode, Point,
    cylinder::EchoWeights,
    elevation::Spread,
    pulse::Pulse,
    ray::Attenuation,
    scatter::{
        Meeting, SideDrilledHole, SphericalVoid, crack_strength, disc_strength, line_strength,
        point_strength, reciprocity_factor,
    },
};
use num_complex::Complex64;
use rayon::prelude::*;
use rustfft::FftPlanner;

use super::class::Class;
use crate::conditions::Conditions;
use crate::error::Result;

/// Depths along a longitudinal beam at which weights are computed, and about the end of a shear beam.
const NODES: usize = 25;
const NODES_AT_END: usize = 4;
/// Of so many frequencies one is enough to compare the echoes of two flaws: both are short.
const ONE_OF: usize = 3;
/// Parts of half a line-like flaw that are summed.
const PARTS: usize = 12;

/// A flaw whose echo is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Flaw {
    /// A disc that faces the beam but for a tilt.
    Disc {
        /// Diameter in m.
        diameter_m: f64,
        /// Turn out of facing the beam, in rad.
        tilt_rad: f64,
    },
    /// An empty sphere.
    Inclusion {
        /// Diameter in m.
        diameter_m: f64,
    },
    /// An empty round channel along the bar, longer than the beam is wide.
    Pipe {
        /// Diameter in m.
        diameter_m: f64,
    },
    /// A radial crack at the surface.
    Crack {
        /// Depth in m.
        depth_m: f64,
        /// Length along the bar in m.
        length_m: f64,
    },
}

/// Steel paths at which weights are known, evenly spaced.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nodes {
    /// First node in m.
    pub first_m: f64,
    /// Distance of two nodes in m.
    pub step_m: f64,
    /// Number of nodes.
    pub count: usize,
}

impl Nodes {
    /// Nodes from the surface to somewhat beyond the end of a beam's axis; for shear beams, which meet
    /// flaws at the surface alone, around that end.
    #[must_use]
    pub fn of(class: &Class) -> Self {
        let reach = class.axis.reach_m;
        let (from, to, count) = match class.mode {
            Mode::L => (0.0, 1.1, NODES),
            Mode::S => (0.75, 1.2, NODES_AT_END),
        };
        Self { first_m: from * reach, step_m: (to - from) * reach / (count - 1) as f64, count }
    }

    /// Where a path lies between the nodes.
    #[must_use]
    pub fn place(&self, path_m: f64) -> f64 {
        ((path_m - self.first_m) / self.step_m).clamp(0.0, (self.count - 1) as f64)
    }

    fn paths_m(&self) -> impl Iterator<Item = f64> + use<> {
        let Self { first_m, step_m, count } = *self;
        (0..count).map(move |i| first_m + i as f64 * step_m)
    }
}

/// The frequencies of a band, which may be damped.
#[derive(Debug, Clone, Copy)]
pub struct Band<'a> {
    /// Frequencies in Hz, evenly spaced.
    pub frequencies_hz: &'a [f64],
    /// Damping in 1/s.
    pub damping_1_s: f64,
}

impl Band<'_> {
    fn angular(&self) -> impl Iterator<Item = Complex64> + '_ {
        self.frequencies_hz.iter().map(|f| Complex64::new(TAU * f, self.damping_1_s))
    }
}

/// Echo weights of a flaw by depth, one row for each node.
pub(crate) struct Strengths<'a> {
    pub class: &'a Class,
    pub conditions: &'a Conditions,
    pub band: Band<'a>,
}

impl Strengths<'_> {
    /// Weights for the kernel that finds peaks: flaw under the middle of a pulse.
    pub fn weights(&self, flaw: Flaw, nodes: &Nodes) -> Result<EchoWeights> {
        let scatter = self.scatter(flaw)?;
        let paths: Vec<f64> = nodes.paths_m().collect();
        let rows: Vec<_> =
            paths.into_par_iter().map(|path| self.row(flaw, &scatter, path, 0.0)).collect();
        Ok(EchoWeights::new(&rows)?)
    }

    /// Peak of the envelope of a flaw's echo `off_m` along the bar from the middle of a pulse, by node, for a
    /// field in the section that is the same for all flaws: ratios of two flaws are what counts.
    pub fn peaks(&self, flaw: Flaw, off_m: f64, nodes: &Nodes) -> Result<Vec<f64>> {
        let thinned: Vec<f64> = self.band.frequencies_hz.iter().copied().step_by(ONE_OF).collect();
        let band = Band { frequencies_hz: &thinned, damping_1_s: self.band.damping_1_s };
        let thin = Strengths { class: self.class, conditions: self.conditions, band };
        let scatter = thin.scatter(flaw)?;
        let attenuation = attenuation(self.conditions);
        let steel_np = |f: f64| attenuation.np_m(self.class.mode, f);
        let peak = Peak::new(thinned.len());
        let paths: Vec<f64> = nodes.paths_m().collect();
        Ok(paths
            .into_par_iter()
            .map(|path| {
                let each = |(w, f): (Complex64, &f64)| w * (-2.0 * steel_np(*f) * path).exp();
                let row = thin.row(flaw, &scatter, path, off_m);
                peak.of(&row.into_iter().zip(&thinned).map(each).collect::<Vec<_>>()).max(1e-30)
            })
            .collect())
    }

    /// Strength of the flaw as a source in the section, by frequency.
    fn scatter(&self, flaw: Flaw) -> Result<Vec<Complex64>> {
        let steel = &self.conditions.media.steel;
        let mode = self.class.mode;
        let facing = Meeting { mode, heading_rad: 0.0 };
        self.band
            .angular()
            .map(|omega| {
                Ok(match flaw {
                    Flaw::Disc { diameter_m, tilt_rad } => {
                        disc_strength(steel, omega, diameter_m / 2.0, tilt_rad, facing, facing)?
                    }
                    Flaw::Inclusion { diameter_m } => point_strength(
                        SphericalVoid::damped(diameter_m / 2.0, steel, omega)?.amplitude(PI),
                    ),
                    Flaw::Pipe { diameter_m } => {
                        SideDrilledHole::damped(diameter_m / 2.0, steel, omega)?
                            .strength(mode, mode, PI)
                    }
                    Flaw::Crack { depth_m, .. } => {
                        let wavelength = TAU * steel.velocity_m_s(mode) / omega.re;
                        let f = depth_m * corner(self.conditions, self.reference_sine())
                            / wavelength.sqrt();
                        line_strength(Complex64::from(f), TAU / wavelength)
                    }
                })
            })
            .collect()
    }

    /// Sine of the incidence on the far wall at the end of the axis.
    pub fn reference_sine(&self) -> f64 {
        let end = self.class.end();
        let along = Point::polar(1.0, self.class.axis.direction_rad);
        let across = end.x * along.y - end.y * along.x;
        (across / end.radius().max(1e-9)).abs()
    }

    /// Weight of each frequency for a flaw `off_m` along the bar, at a steel path.
    fn row(&self, flaw: Flaw, scatter: &[Complex64], path_m: f64, off_m: f64) -> Vec<Complex64> {
        let media = &self.conditions.media;
        let c = media.steel.velocity_m_s(self.class.mode);
        let (spread, ratio) = match media.water {
            Some(water) => (
                Spread::through_water(self.class.water_m, path_m, water.velocity_m_s, c),
                reciprocity_factor(&water, &media.steel),
            ),
            None => (Spread::in_steel(path_m.max(1e-4), c), 1.0),
        };
        let both = |z: f64, f: f64| {
            let one = self.class.strip.factor(z, &spread, f);
            one * one
        };
        let over = |middle_m: f64, half_m: f64, f: f64| -> Complex64 {
            let dz = half_m / PARTS as f64;
            let steps = (0..PARTS).map(|i| (i as f64 + 0.5) * dz);
            if middle_m == 0.0 {
                // The field is even about the middle of a pulse.
                return 2.0 * steps.map(|z| both(z, f) * dz).sum::<Complex64>();
            }
            steps.map(|z| (both(middle_m - z, f) + both(middle_m + z, f)) * dz).sum()
        };
        let axial = |f: f64| match flaw {
            Flaw::Disc { .. } | Flaw::Inclusion { .. } => both(off_m, f),
            Flaw::Crack { length_m, .. } => over(off_m, length_m / 2.0, f),
            // Twice the element either side holds the beam.
            Flaw::Pipe { .. } => over(0.0, 2.0 * self.class.strip.length_m, f),
        };
        let pulse = spectrum(&self.conditions.pulse, &self.band);
        pulse
            .into_iter()
            .zip(scatter)
            .zip(self.band.frequencies_hz)
            .map(|((s, q), &f)| s * q * axial(f) * ratio)
            .collect()
    }
}

/// Spectrum in s of a pulse of unit peak, continued to damped frequencies.
fn spectrum(pulse: &Pulse, band: &Band<'_>) -> Vec<Complex64> {
    let sigma = pulse.sigma_hz();
    band.frequencies_hz
        .iter()
        .map(|f| {
            let x = (Complex64::new(*f, band.damping_1_s / TAU) - pulse.centre_hz) / sigma;
            (-0.5 * x * x).exp() / (sigma * TAU.sqrt())
        })
        .collect()
}

/// Attenuation of the steel, growing with frequency.
pub(crate) fn attenuation(conditions: &Conditions) -> Attenuation {
    Attenuation {
        longitudinal_np_m: conditions.media.attenuation_l_np_m,
        shear_np_m: conditions.media.attenuation_s_np_m,
        reference_hz: conditions.pulse.centre_hz,
        ..Attenuation::default()
    }
}

/// Far-field amplitude of the corner at a surface crack, per metre of depth and square root of a metre of
/// wavelength, for an incidence on the surface given by its sine; nothing at grazing and square incidence.
pub(crate) fn corner(conditions: &Conditions, sine: f64) -> f64 {
    let media = &conditions.media;
    let beta = sine.abs().min(1.0).asin();
    crack_strength(1.0, 1.0, beta, &media.steel, media.water.as_ref()).unwrap_or(0.0)
}

/// Finds the largest envelope of short spectra.
struct Peak {
    fft: std::sync::Arc<dyn rustfft::Fft<f64>>,
    size: usize,
}

impl Peak {
    fn new(frequencies: usize) -> Self {
        let size = (4 * frequencies).next_power_of_two();
        Self { fft: FftPlanner::new().plan_fft_forward(size), size }
    }

    fn of(&self, spectrum: &[Complex64]) -> f64 {
        let mut signal = spectrum.to_vec();
        signal.resize(self.size, Complex64::ZERO);
        self.fft.process(&mut signal);
        signal.iter().map(|z| z.norm_sqr()).fold(0.0, f64::max).sqrt()
    }
}

//! Peaks of the envelope on a whole grid.

use num_complex::Complex64;
use rayon::prelude::*;

use super::arrivals::{STEEP_SIN, STEEP_WAVELENGTHS, finite, no_ray, seen};
use super::bulk::{NEAR, NONE, Row, Source, TOO_NEAR, Tube};
use super::envelope::Envelope;
use super::spectrum::Spectra;
use super::{Aperture, RayFlags, RayMedium, RayPeak};
use crate::error::{Result, WaveError};
use crate::fermat::Rays;
use crate::geometry::Point;
use crate::lanes::LANES;
use crate::media::Mode;
use crate::pulse::Pulse;
use crate::section::Faces;

/// Most points that one map takes.
pub const MAX_POINTS: usize = 4_000_000;

/// Peaks at many points, and how far they can be trusted.
#[derive(Debug, Clone, PartialEq)]
pub struct RayMap {
    /// The answer for every point, in their order.
    pub peaks: Vec<Result<RayPeak>>,
    /// How many points carry which flag, and how many have no answer.
    pub counts: Counts,
}

/// How many points of a map carry which finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Points with an answer.
    pub answered: usize,
    /// Points outside the steel, or not numbers.
    pub outside: usize,
    /// Points of the steel that no ray reaches.
    pub no_ray: usize,
    /// Answered points with [`RayFlags::near_surface`].
    pub near_surface: usize,
    /// Answered points with [`RayFlags::near_critical`].
    pub near_critical: usize,
    /// Answered points with [`RayFlags::steep`].
    pub steep: usize,
    /// Answered points with [`RayFlags::shadow`].
    pub shadow: usize,
    /// Answered points with [`RayFlags::bent_spectrum`].
    pub bent_spectrum: usize,
    /// Answered points without any flag.
    pub trusted: usize,
}

impl Counts {
    fn of(peaks: &[Result<RayPeak>]) -> Self {
        let mut counts = Self::default();
        for peak in peaks {
            match peak {
                Ok(RayPeak { flags, .. }) => {
                    counts.answered += 1;
                    counts.near_surface += usize::from(flags.near_surface);
                    counts.near_critical += usize::from(flags.near_critical);
                    counts.steep += usize::from(flags.steep);
                    counts.shadow += usize::from(flags.shadow);
                    counts.bent_spectrum += usize::from(flags.bent_spectrum);
                    counts.trusted += usize::from(*flags == RayFlags::default());
                }
                Err(WaveError::NoPath { .. }) => counts.no_ray += 1,
                Err(_) => counts.outside += 1,
            }
        }
        counts
    }
}

/// [`super::peak_envelope`] at many points, in their order, on all cores: the same answers, several
/// times faster than one at a time. `section` is one surface or a whole section.
///
/// # Errors
/// [`WaveError::Count`] for more points than [`MAX_POINTS`] or lists that do not match;
/// [`WaveError::OutOfRange`] for an element inside the section or a number that cannot be. What is
/// wrong with a single point is its own answer.
pub fn map(
    section: &(impl Faces + Sync + ?Sized),
    medium: &RayMedium,
    aperture: &Aperture,
    mode: Mode,
    pulse: &Pulse,
    points: &[Point],
) -> Result<RayMap> {
    if points.len() > MAX_POINTS {
        let what = "points of a map (more than one map takes)";
        return Err(WaveError::Count { what, got: points.len(), need: MAX_POINTS });
    }
    medium.check()?;
    aperture.check()?;
    let spectra = Spectra::new(pulse, &medium.attenuation, mode)?;
    let mut sources = Vec::new();
    for (i, element, weight) in aperture.driven() {
        for (_, face) in seen(section, element)? {
            let driven = (i, element, weight);
            sources.push(Source::new(face, medium, mode, driven, aperture.delays_s[i])?);
        }
    }
    let grid = Grid {
        section,
        aperture,
        sources,
        tube: Tube::new(medium, mode, pulse.centre_hz),
        spectra,
        wavelength_m: medium.solid.velocity_m_s(mode) / pulse.centre_hz,
        shear: mode == Mode::S,
        alpha_np_m: medium.attenuation.np_m(mode, pulse.centre_hz),
    };
    let mut peaks = vec![Err(no_ray(aperture, Point::default())); points.len()];
    peaks.par_chunks_mut(LANES).zip(points.par_chunks(LANES)).try_for_each_init(
        || Scratch::new(grid.sources.len()),
        |scratch, (to, points)| grid.block(scratch, points, to),
    )?;
    Ok(RayMap { counts: Counts::of(&peaks), peaks })
}

/// What all blocks of points share.
struct Grid<'a, F: ?Sized> {
    section: &'a F,
    aperture: &'a Aperture<'a>,
    /// Every driven element before every face that it sees; those of one element in a row.
    sources: Vec<Source>,
    tube: Tube,
    spectra: Spectra,
    wavelength_m: f64,
    /// Whether shear waves are asked for.
    shear: bool,
    alpha_np_m: f64,
}

/// What one worker keeps from block to block.
struct Scratch {
    rays: Rays,
    rows: Vec<Row>,
    envelope: Envelope,
}

impl Scratch {
    fn new(sources: usize) -> Self {
        let rows = vec![Row::default(); sources];
        Self { rays: Rays::new(LANES), rows, envelope: Envelope::default() }
    }
}

impl<F: Faces + ?Sized> Grid<'_, F> {
    fn block(
        &self,
        scratch: &mut Scratch,
        points: &[Point],
        to: &mut [Result<RayPeak>],
    ) -> Result<()> {
        for (peak, point) in to.iter_mut().zip(points) {
            *peak = match finite(*point).and_then(|()| self.section.holds(*point)) {
                Ok(()) => Err(no_ray(self.aperture, *point)),
                Err(error) => Err(error),
            };
        }
        let inside = |peak: &Result<RayPeak>| matches!(peak, Err(WaveError::NoPath { .. }));
        // Points outside repeat one inside, and spare lanes do: no solver sees a bad one.
        let Some(first) = to.iter().position(inside) else { return Ok(()) };
        let (mut x_m, mut y_m) = ([points[first].x; LANES], [points[first].y; LANES]);
        for (i, point) in points.iter().enumerate().filter(|(i, _)| inside(&to[*i])) {
            (x_m[i], y_m[i]) = (point.x, point.y);
        }
        for (source, row) in self.sources.iter().zip(&mut scratch.rows) {
            source.contribute(&self.tube, &x_m, &y_m, &mut scratch.rays, row)?;
        }
        for (i, point) in points.iter().enumerate() {
            if inside(&to[i])
                && let Some(flags) = self.gather(&scratch.rows, i, *point, &mut scratch.envelope)
            {
                to[i] = Ok(scratch.envelope.peak(&self.spectra, flags)?);
            }
        }
        Ok(())
    }

    /// The arrivals at one point; `None` without any.
    fn gather(
        &self,
        rows: &[Row],
        i: usize,
        point: Point,
        envelope: &mut Envelope,
    ) -> Option<RayFlags> {
        envelope.clear();
        let depth_m = self.section.depth_m(point);
        let mut flags =
            RayFlags { near_surface: depth_m < self.wavelength_m, ..RayFlags::default() };
        let shallow = self.shear && depth_m < STEEP_WAVELENGTHS * self.wavelength_m;
        let (mut power, mut steep) = (0.0, 0.0);
        let usable = rows.iter().any(|row| row.mark[i] < TOO_NEAR);
        let most = if usable { NEAR } else { TOO_NEAR };
        let (mut element, mut arrived) = (usize::MAX, true);
        for (source, row) in self.sources.iter().zip(rows) {
            if source.element != element {
                flags.shadow |= !arrived;
                (element, arrived) = (source.element, false);
            }
            let mark = row.mark[i];
            arrived |= mark < NONE;
            flags.near_critical |= mark == NEAR || mark == TOO_NEAR;
            if mark <= most {
                let steel_m = row.steel_m[i];
                let mut amplitude = Complex64::new(row.re[i], row.im[i]);
                if self.alpha_np_m > 0.0 {
                    amplitude *= (-self.alpha_np_m * steel_m).exp();
                }
                if shallow {
                    power += amplitude.norm_sqr();
                    steep += amplitude.norm_sqr() * f64::from(row.sin_out[i] > STEEP_SIN);
                }
                envelope.push(row.time_s[i], amplitude, row.across_s[i], steel_m);
            }
        }
        flags.shadow |= !arrived;
        flags.steep = steep > 0.5 * power;
        (!envelope.is_empty()).then_some(flags)
    }
}

#[cfg(test)]
mod tests;

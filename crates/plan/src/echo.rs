//! Echo of a disc, a surface crack or the back wall in one beam: unit transfer and arrival.
//!
//! Transfer = received / sent, in dB re unit transfer (m): every element a unit line source, the
//! third dimension by the element's length ([`barwright_wave::elevation`]).

use std::f64::consts::PI;

use barwright_job::technique::{Beam, Section, Technique};
use barwright_wave::{
    Point,
    elevation::{self, Spread, Strip},
    ray::TwoWay,
    scatter,
};
use num_complex::Complex64;

use crate::conditions::Conditions;
use crate::error::Result;
use crate::response::{Aperture, two_way};
use crate::square::{self, outline::Mouth};

/// What a beam receives of a reflector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Echo {
    /// Peak of the envelope, dB re unit transfer, before any gain.
    pub transfer_db: f64,
    /// Time of the peak from firing in s, laws included.
    pub arrival_s: f64,
}

/// Elements of a beam's aperture, in order; empty if the technique does not hold them.
#[must_use]
pub fn technique_elements<'a>(
    technique: &'a Technique,
    beam: &'a Beam,
) -> &'a [barwright_wave::Element] {
    Aperture::of_beam(&technique.probes, beam).elements
}

/// Echo of a disc of a diameter in m that faces the beam, at a place of the section in m; `None`
/// where no ray arrives.
///
/// # Errors
/// Those of [`Conditions::nominal`].
pub fn echo_of_disc(
    technique: &Technique,
    beam: &Beam,
    place: Point,
    diameter_m: f64,
) -> Result<Option<Echo>> {
    let conditions = Conditions::nominal(technique)?;
    Ok(disc(&conditions, &Aperture::of_beam(&technique.probes, beam), place, diameter_m))
}

/// Echo of a crack, square to the surface, of a depth and length in m at `angle_rad` about the bar;
/// `None` where no ray arrives.
///
/// # Errors
/// Those of [`Conditions::nominal`].
pub fn echo_of_crack(
    technique: &Technique,
    beam: &Beam,
    angle_rad: f64,
    depth_m: f64,
    length_m: f64,
) -> Result<Option<Echo>> {
    let conditions = Conditions::nominal(technique)?;
    Ok(crack(
        &conditions,
        &Aperture::of_beam(&technique.probes, beam),
        angle_rad,
        depth_m,
        length_m,
    ))
}

/// [`echo_of_disc`] under given conditions; the place is where the disc then stands.
#[must_use]
pub fn disc(
    conditions: &Conditions,
    aperture: &Aperture<'_>,
    place: Point,
    diameter_m: f64,
) -> Option<Echo> {
    let field = two_way(conditions, aperture, place)?;
    let axial = Axial::new(conditions, aperture, &field)?;
    let amplitude =
        scatter::disc_amplitude(diameter_m / 2.0, axial.wavelength_steel_m, conditions.tilt_rad);
    let (peak, arrival_s) = axial.at(&field, 0.0).peak();
    let transfer = axial.ratio * 4.0 * PI * amplitude * peak;
    Some(Echo { transfer_db: db(transfer), arrival_s })
}

/// [`echo_of_crack`] under given conditions; the angle is about the bar's own centre.
#[must_use]
pub fn crack(
    conditions: &Conditions,
    aperture: &Aperture<'_>,
    angle_rad: f64,
    depth_m: f64,
    length_m: f64,
) -> Option<Echo> {
    let radius_m = match conditions.section {
        Section::Round { radius_m } => radius_m,
        Section::Square { .. } => {
            let mouth = Mouth::at(&conditions.section, angle_rad)?;
            return square::echo::crack(conditions, aperture, &mouth, depth_m, length_m, 0.0);
        }
        Section::Flat { .. } => return None,
    };
    let place = conditions.centre + Point::polar(radius_m, angle_rad);
    let field = two_way(conditions, aperture, place)?;
    let axial = Axial::new(conditions, aperture, &field)?;
    let incidence = turn(field.heading_rad - angle_rad);
    let far_field = scatter::crack_strength(
        depth_m,
        axial.wavelength_steel_m,
        incidence,
        &conditions.media.steel,
        conditions.media.water.as_ref(),
    )
    .ok()?;
    let k = 2.0 * PI / axial.wavelength_steel_m;
    let strength = scatter::line_strength(Complex64::from(far_field), k).norm();
    let (peak, arrival_s) = axial.over(&field, length_m).peak();
    let transfer = axial.ratio * strength * peak;
    Some(Echo { transfer_db: db(transfer), arrival_s })
}

/// Echo of the far wall of a bar or flat block, by Kirchhoff's integral over the wall around
/// the end of the beam's axis; `None` where no ray arrives.
#[must_use]
pub fn back_wall(conditions: &Conditions, aperture: &Aperture<'_>, end: Point) -> Option<Echo> {
    // The wall is summed over the stretch that the -20 dB beam meets, tapered so that its ends do
    // not ring.
    let wavelength =
        conditions.media.steel.velocity_m_s(aperture.mode) / conditions.pulse.centre_hz;
    let steps = 200;
    let half_m = match conditions.section {
        // The wall ends at the edges; both sides of the axis count alike.
        Section::Square { side_m, .. } => 0.5 * side_m - end.x.abs().min(end.y.abs()),
        _ => f64::INFINITY,
    };
    let half_m = half_m.min(conditions.section.half_extent_m() * 0.8);
    let heading_rad = aperture.elements.first().map_or(0.0, |e| e.facing_rad);
    let spacing = 2.0 * half_m / f64::from(steps);
    let parts: Vec<(TwoWay, f64)> = (0..=steps)
        .filter_map(|i| {
            let s = (f64::from(i) - f64::from(steps) / 2.0) * spacing;
            let place = match conditions.section {
                Section::Round { radius_m } => {
                    let from = end - conditions.centre;
                    conditions.centre + from.rotated(s / radius_m)
                }
                Section::Square { .. } => end + Point::polar(s, heading_rad + 0.5 * PI),
                Section::Flat { .. } => end + Point::new(s, 0.0),
            };
            let taper = (0.5 * PI * s / half_m).cos().powi(2);
            Some((two_way(conditions, aperture, place)?, 4.0 * PI / wavelength * spacing * taper))
        })
        .collect();
    let middle = parts.get(parts.len() / 2)?.0;
    let ordered: Vec<(TwoWay, f64)> = std::iter::once((middle, 0.0)).chain(parts).collect();
    let field = TwoWay::sum(&ordered)?;
    let axial = Axial::new(conditions, aperture, &middle)?;
    let (peak, arrival_s) = field.peak();
    let mirror = axial.strip.mirror_factor(&axial.spread, axial.centre_hz);
    let length = axial.strip.length_m * mirror.norm();
    Some(Echo { transfer_db: db(axial.ratio * peak * length), arrival_s })
}

/// Pulse-echo -6 dB width along the bar in m at a place of a beam; `None` where no ray arrives.
#[must_use]
pub fn axial_width_m(
    conditions: &Conditions,
    aperture: &Aperture<'_>,
    place: Point,
) -> Option<f64> {
    let field = two_way(conditions, aperture, place)?;
    let axial = Axial::new(conditions, aperture, &field)?;
    elevation::axial_width_m(&axial.strip, &axial.spread, &conditions.pulse, 6.0).ok()
}

/// Loss in dB of a point flaw that lies `z_m` along the bar from the middle of the beam, at a place.
#[must_use]
pub fn axial_loss_db(
    conditions: &Conditions,
    aperture: &Aperture<'_>,
    place: Point,
    z_m: f64,
) -> Option<f64> {
    let field = two_way(conditions, aperture, place)?;
    let axial = Axial::new(conditions, aperture, &field)?;
    Some(db(axial.at(&field, 0.0).peak().0) - db(axial.at(&field, z_m).peak().0))
}

/// What a beam hears of a point flaw at a place of the section, wherever it lies along the bar.
pub struct PointEcho {
    field: TwoWay,
    axial: Axial,
}

impl PointEcho {
    /// At a place of the section in m; `None` where no ray arrives.
    #[must_use]
    pub fn new(conditions: &Conditions, aperture: &Aperture<'_>, place: Point) -> Option<Self> {
        let field = two_way(conditions, aperture, place)?;
        let axial = Axial::new(conditions, aperture, &field)?;
        Some(Self { field, axial })
    }

    /// Peak of the envelope in dB, `z_m` along the bar from the middle of the beam: equal flaws
    /// compare by it.
    #[must_use]
    pub fn level_db(&self, z_m: f64) -> f64 {
        db(self.axial.at(&self.field, z_m).peak().0)
    }

    /// By how much a disc reads lower than one that faces the sound, in dB (not positive), where its
    /// normal points along `normal_rad` to either side.
    #[must_use]
    pub fn turned_db(&self, diameter_m: f64, normal_rad: f64) -> f64 {
        let off = turn(self.field.heading_rad - normal_rad).abs();
        let size =
            |tilt| scatter::disc_amplitude(diameter_m / 2.0, self.axial.wavelength_steel_m, tilt);
        db(size(off.min(PI - off)) / size(0.0))
    }
}

/// The third dimension of a beam at a place.
pub(crate) struct Axial {
    pub(crate) strip: Strip,
    pub(crate) spread: Spread,
    centre_hz: f64,
    pub(crate) wavelength_steel_m: f64,
    /// ρ_f/ρ_s through water (reciprocity of source and receiver), 1 in contact.
    pub(crate) ratio: f64,
}

impl Axial {
    pub(crate) fn new(
        conditions: &Conditions,
        aperture: &Aperture<'_>,
        field: &TwoWay,
    ) -> Option<Self> {
        let steel = &conditions.media.steel;
        let c = steel.velocity_m_s(aperture.mode);
        let centre_hz = conditions.pulse.centre_hz;
        let (spread, ratio) = match conditions.media.water {
            Some(water) => (
                Spread::through_water(field.water_m, field.steel_m, water.velocity_m_s, c),
                scatter::reciprocity_factor(&water, steel),
            ),
            None => (Spread::in_steel(field.steel_m, c), 1.0),
        };
        let strip = aperture.strip()?;
        Some(Self { strip, spread, centre_hz, wavelength_steel_m: c / centre_hz, ratio })
    }

    /// Velocity of the wave in the steel in m/s.
    pub(crate) fn velocity_m_s(&self) -> f64 {
        self.wavelength_steel_m * self.centre_hz
    }

    /// Response of a point `z_m` along the bar from the beam's middle.
    pub(crate) fn at(&self, field: &TwoWay, z_m: f64) -> TwoWay {
        field.shaped(|f| self.both(z_m, f))
    }

    /// Response of a line along the bar, centred, in m: that of a point times its length where the
    /// beam is wider than it.
    fn over(&self, field: &TwoWay, length_m: f64) -> TwoWay {
        // Half the line by the midpoint rule; the factor is even in z.
        let steps = 12;
        let dz = length_m / 2.0 / f64::from(steps);
        field.shaped(|f| {
            (0..steps)
                .map(|i| self.both((f64::from(i) + 0.5) * dz, f) * (2.0 * dz))
                .sum::<Complex64>()
        })
    }

    /// Transmit times receive factor at one frequency.
    pub(crate) fn both(&self, z_m: f64, frequency_hz: f64) -> Complex64 {
        let one = self.strip.factor(z_m, &self.spread, frequency_hz);
        one * one
    }
}

/// 20 log10, with nothing as -400 dB.
pub(crate) fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.max(1e-20).log10()
}

/// An angle brought into (-π, π].
pub(crate) fn turn(angle_rad: f64) -> f64 {
    let wrapped = angle_rad.rem_euclid(2.0 * PI);
    if wrapped > PI { wrapped - 2.0 * PI } else { wrapped }
}

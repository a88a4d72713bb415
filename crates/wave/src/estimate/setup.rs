//! Water path, probe offset, speed and the like.

use std::f64::consts::PI;

use crate::error::{Result, WaveError, positive};
use crate::interface::{critical_angles, refracted};
use crate::media::{Fluid, Solid};

/// Shortest water path in m that keeps the second surface echo behind the far wall:
/// thickness · c_water/c_steel; add a margin for gates and pulse length.
///
/// Source: Hull & John, *Non-Destructive Testing* (1988).
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not finite and positive, as in all of this file.
pub fn minimum_water_path_m(thickness_m: f64, c_water_m_s: f64, c_steel_m_s: f64) -> Result<f64> {
    let ratio = positive("the velocity of the water", c_water_m_s, "m/s")?
        / positive("the velocity of the steel", c_steel_m_s, "m/s")?;
    Ok(positive("the thickness", thickness_m, "m")? * ratio)
}

/// Time there and back over a distance, in s.
///
/// # Errors
/// As [`minimum_water_path_m`].
pub fn round_trip_s(distance_m: f64, velocity_m_s: f64) -> Result<f64> {
    Ok(2.0 * positive("the distance", distance_m, "m")?
        / positive("the velocity", velocity_m_s, "m/s")?)
}

/// Incidence angle in the water in rad for a refraction angle in the steel in rad (within ±π/2).
///
/// # Errors
/// [`WaveError::OutOfRange`] for a velocity that is none or an angle no incidence can give.
pub fn incidence_for_refraction_rad(
    refraction_rad: f64,
    c_water_m_s: f64,
    c_steel_m_s: f64,
) -> Result<f64> {
    positive("the velocity of the water", c_water_m_s, "m/s")?;
    positive("the velocity of the steel", c_steel_m_s, "m/s")?;
    let out_of_range = || WaveError::OutOfRange {
        what: "the refraction angle",
        value: refraction_rad,
        unit: "rad",
        expected: "within ±π/2 and within reach of Snell's law",
    };
    if refraction_rad.is_nan() || refraction_rad.abs() > PI / 2.0 {
        return Err(out_of_range());
    }
    refracted(c_steel_m_s, c_water_m_s, refraction_rad).ok_or_else(out_of_range)
}

/// Distance in m of the beam axis in the water from the bar's axis, for a refraction angle in a
/// round bar: radius · sin(incidence).
///
/// # Errors
/// As [`incidence_for_refraction_rad`].
pub fn probe_offset_m(
    radius_m: f64,
    refraction_rad: f64,
    c_water_m_s: f64,
    c_steel_m_s: f64,
) -> Result<f64> {
    let incidence = incidence_for_refraction_rad(refraction_rad, c_water_m_s, c_steel_m_s)?;
    Ok(positive("the bar radius", radius_m, "m")? * incidence.sin())
}

/// Offsets between which only shear waves enter a round bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShearOffsets {
    /// Beyond this offset no longitudinal wave enters, in m.
    pub from_m: f64,
    /// Beyond this offset nothing enters, in m.
    pub to_m: f64,
}

/// The window of offsets in which only shear waves enter a round bar: radius times the sines of the
/// two critical angles. `None` where the steel wave is slower than the water's.
///
/// # Errors
/// [`WaveError::OutOfRange`] for a radius that is not finite and positive.
pub fn shear_only_offsets(
    radius_m: f64,
    fluid: &Fluid,
    solid: &Solid,
) -> Result<Option<ShearOffsets>> {
    let radius = positive("the bar radius", radius_m, "m")?;
    let critical = critical_angles(fluid, solid);
    Ok(critical.longitudinal_rad.zip(critical.shear_rad).map(|(first, second)| ShearOffsets {
        from_m: radius * first.sin(),
        to_m: radius * second.sin(),
    }))
}

/// Focus in m behind the surface of a convex cylinder of a radius, for plane waves near the axis:
/// R c₁/(c₁ - c₂), c₁ the water's velocity. Negative: virtual, in front of the surface.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not positive or equal velocities.
pub fn lens_focus_m(radius_m: f64, c_water_m_s: f64, c_steel_m_s: f64) -> Result<f64> {
    let radius = positive("the radius", radius_m, "m")?;
    let c1 = positive("the velocity of the water", c_water_m_s, "m/s")?;
    let c2 = positive("the velocity of the steel", c_steel_m_s, "m/s")?;
    if c1 == c2 {
        return Err(WaveError::OutOfRange {
            what: "the velocity of the steel",
            value: c2,
            unit: "m/s",
            expected: "different from that of the water",
        });
    }
    Ok(radius * c1 / (c1 - c2))
}

/// Way of the bar in m between two shots of the same beam.
///
/// # Errors
/// As [`minimum_water_path_m`].
pub fn pulse_spacing_m(line_speed_m_s: f64, shots_per_s: f64) -> Result<f64> {
    Ok(positive("the line speed", line_speed_m_s, "m/s")?
        / positive("the shots of the beam per second", shots_per_s, "1/s")?)
}

/// Highest line speed in m/s at which every beam puts a number of shots on a length (the shortest
/// reflector, or the axial beam width): length · rate / shots. At least that number fall on it
/// whatever the phase.
///
/// # Errors
/// [`WaveError::OutOfRange`] for numbers that are not positive; [`WaveError::Count`] for no shot.
pub fn line_speed_m_s(length_m: f64, shots_per_s: f64, shots: usize) -> Result<f64> {
    if shots == 0 {
        return Err(WaveError::Count { what: "shots on the reflector", got: 0, need: 1 });
    }
    let rate = positive("the shots of the beam per second", shots_per_s, "1/s")?;
    Ok(positive("the length", length_m, "m")? * rate / shots as f64)
}

/// Velocity of the Rayleigh wave on a free flat surface in m/s: root of the Rayleigh equation.
///
/// Source: Achenbach, *Wave Propagation in Elastic Solids* (1973), section 5.11.
#[must_use]
pub fn rayleigh_velocity_m_s(solid: &Solid) -> f64 {
    let ratio = (solid.shear_m_s / solid.longitudinal_m_s).powi(2);
    // With x = (c/c_S)²: (2-x)² = 4 √(1-x) √(1-x·ratio); one root in (0, 1), sign changes there.
    let excess = |x: f64| (2.0 - x).powi(2) - 4.0 * ((1.0 - x) * (1.0 - x * ratio)).sqrt();
    let (mut low, mut high) = (0.2, 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if excess(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    solid.shear_m_s * low.sqrt()
}

/// Absorption of sound in water at 20 °C in Np/m: 25.3e-15 s²/m · f². Source: Pinkerton, Proc. Phys.
/// Soc. B 62 (1949) 129.
///
/// # Errors
/// As [`minimum_water_path_m`].
pub fn water_absorption_np_m(frequency_hz: f64) -> Result<f64> {
    Ok(25.3e-15 * positive("the frequency", frequency_hz, "Hz")?.powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    const WATER: f64 = 1482.38;

    // Truth: closed forms evaluated independently; half a unit of the last digit shown.
    #[test]
    fn water_paths_times_and_offsets() {
        for (d, path) in [(0.01, 2.50), (0.05, 12.52), (0.1, 25.04), (0.254, 63.60)] {
            let got = minimum_water_path_m(d, WATER, 5920.0).expect("a path");
            assert!((got * 1e3 - path).abs() < 5.1e-3, "{got}");
        }
        assert!((round_trip_s(0.1, 5920.0).expect("a time") - 33.784e-6).abs() < 1e-9);
        for (beta, incidence, offset) in [
            (35.0, 15.142, 0.2612),
            (45.0, 18.786, 0.3220),
            (60.0, 23.229, 0.3944),
            (70.0, 25.338, 0.4280),
        ] {
            let beta = f64::to_radians(beta);
            let got = incidence_for_refraction_rad(beta, WATER, 3255.0).expect("an angle");
            assert!((got.to_degrees() - incidence).abs() < 5.1e-4);
            let got = probe_offset_m(1.0, beta, WATER, 3255.0).expect("an offset");
            assert!((got - offset).abs() < 5.1e-5);
        }
        let fluid = Fluid::new(WATER, 998.2).expect("water");
        let solid = Solid::new(5920.0, 3255.0, 7850.0).expect("steel");
        let window =
            shear_only_offsets(1.0, &fluid, &solid).expect("a window").expect("fast steel");
        assert!((window.from_m - 0.2504).abs() < 5.1e-5 && (window.to_m - 0.4554).abs() < 5.1e-5);
        assert!((lens_focus_m(1.0, WATER, 5920.0).expect("a focus") + 0.3340).abs() < 5.1e-5);
        assert!((lens_focus_m(1.0, WATER, 3255.0).expect("a focus") + 0.8363).abs() < 5.1e-5);
        let loss_db = 20.0 / std::f64::consts::LN_10 * water_absorption_np_m(5e6).expect("loss");
        assert!((loss_db - 5.49).abs() < 6e-3);
    }

    #[test]
    fn rayleigh_roots() {
        for (l, s, c) in
            [(5900.0, 3200.0, 2963.51), (5920.0, 3255.0, 3010.19), (5900.0, 3230.0, 2988.44)]
        {
            let solid = Solid::new(l, s, 7800.0).expect("steel");
            assert!((rayleigh_velocity_m_s(&solid) - c).abs() < 5.1e-3);
        }
    }

    // Truth: round trip of the two formulas.
    #[test]
    fn speed_and_spacing_belong_together() {
        let speed = line_speed_m_s(6e-3, 1500.0, 3).expect("a speed");
        assert!((speed - 3.0).abs() < 1e-12);
        assert!((pulse_spacing_m(speed, 1500.0).expect("a spacing") * 3.0 - 6e-3).abs() < 1e-15);
        assert!(line_speed_m_s(6e-3, 1500.0, 0).is_err());
        assert!(incidence_for_refraction_rad(1.6, WATER, 3255.0).is_err());
        assert!(lens_focus_m(1.0, 1480.0, 1480.0).is_err());
    }
}

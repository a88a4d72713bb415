//! The station as it really stands: what its faults make of the technique's probes, water and pulse.

use barwright_job::technique::{Probe, Technique};
use barwright_wave::{Element, Fluid, Point, water};

use crate::error::{Result, TwinError};
use crate::faults::StationFaults;

/// Probes, water and pulse as they really are, and how they are connected.
pub(crate) struct Fitted {
    /// The technique with the true probes (where they should stand), water and pulse. Beams, laws and
    /// gates are untouched: the electronics know no better.
    pub technique: Technique,
    /// Which probe each plug leads to.
    plugs: Vec<usize>,
    /// Whether each probe's elements are connected in reverse order.
    reversed: Vec<bool>,
    /// How far each probe stands out of its place.
    outward: Vec<Point>,
    /// Where the bar's axis stands against the ring's centre.
    pub offset: Point,
}

impl Fitted {
    /// # Errors
    /// [`TwinError::OutOfRange`] for a fault that names a probe the ring has not, or a water
    /// temperature for which the formulas do not hold; [`TwinError::Count`] for exchanged plugs of
    /// probes with different numbers of elements.
    pub(crate) fn new(technique: &Technique, faults: &StationFaults) -> Result<Self> {
        let probes = technique.probes.len();
        for (what, probe) in faults.probes_named() {
            if probe as usize >= probes {
                return Err(TwinError::OutOfRange {
                    what: format!("the number of a {what} probe"),
                    value: f64::from(probe),
                    unit: "",
                    expected: format!("below the ring's {probes} probes, counted from 0"),
                });
            }
        }
        let mut plugs: Vec<usize> = (0..probes).collect();
        if let Some([a, b]) = faults.swapped_probes.map(|p| p.map(|p| p as usize)) {
            let [have, need] = [b, a].map(|p| technique.probes[p].elements.len());
            if have != need {
                return Err(TwinError::Count {
                    what: "elements of a probe whose plug is exchanged",
                    got: have,
                    need,
                });
            }
            plugs.swap(a, b);
        }
        let reversed = (0..probes).map(|p| faults.reversed_probes.contains(&(p as u32))).collect();
        let outward = technique
            .probes
            .iter()
            .enumerate()
            .map(|(p, probe)| {
                let own: f64 = faults
                    .moved_probes
                    .iter()
                    .filter(|m| m.probe as usize == p)
                    .map(|m| m.by_mm)
                    .sum();
                let by_m = (faults.water_path_mm + own) / 1e3;
                if by_m == 0.0 { Point::default() } else { facing(probe) * -by_m }
            })
            .collect();
        let mut technique = technique.clone();
        if faults.temperature_k != 0.0
            && let Some(fluid) = technique.media.water
        {
            technique.media.water = Some(warmer(fluid, faults.temperature_k)?);
        }
        if let Some(wrong) = faults.wrong_probes {
            technique.pulse.centre_hz *= 1.0 + wrong.frequency_percent / 100.0;
            for probe in &mut technique.probes {
                *probe = wider(probe, 1.0 + wrong.pitch_percent / 100.0);
            }
        }
        let [x, y] = faults.offset_mm.map(|mm| mm / 1e3);
        Ok(Self { technique, plugs, reversed, outward, offset: Point::new(x, y) })
    }

    /// The probe that a beam of a probe really drives.
    pub(crate) fn probe(&self, named: usize) -> usize {
        self.plugs.get(named).copied().unwrap_or(named)
    }

    /// The element of a probe that a channel of its plug really drives.
    pub(crate) fn element(&self, probe: usize, channel: usize) -> usize {
        if self.reversed[probe] {
            self.technique.probes[probe].elements.len() - 1 - channel
        } else {
            channel
        }
    }

    /// Where the bar's axis stands as a probe sees it: relative to where the axis of a centred bar would
    /// stand before the probe at its place.
    pub(crate) fn moved(&self, probe: usize) -> Point {
        self.offset - self.outward[probe]
    }

    /// A place or direction of the section that belongs to a beam of a probe, taken to where the beam
    /// really is: turned with the plug, mirrored where the elements are in reverse order.
    pub(crate) fn taken(&self, named: usize, place: Point) -> Point {
        let probe = self.probe(named);
        let mut place = place;
        if probe != named {
            let [from, to] = [named, probe].map(|p| facing(&self.technique.probes[p]).angle());
            place = place.rotated(to - from);
        }
        if self.reversed[probe] {
            let axis = facing(&self.technique.probes[probe]);
            let along = place.x * axis.x + place.y * axis.y;
            place = axis * (2.0 * along) - place;
        }
        place
    }

    /// Whether all stands and is connected as a technique with these probes says, and the bar too.
    pub(crate) fn in_place(&self) -> bool {
        (0..self.outward.len()).all(|p| self.moved(p) == Point::default())
    }
}

/// Direction in which a probe faces: the mean of its elements'.
fn facing(probe: &Probe) -> Point {
    let sum = probe
        .elements
        .iter()
        .fold(Point::default(), |sum, e| sum + Point::polar(1.0, e.facing_rad));
    if sum.radius() > 0.0 { Point::polar(1.0, sum.angle()) } else { Point::new(1.0, 0.0) }
}

/// A probe whose elements stand further apart about its middle: along its arc, or its face if flat.
fn wider(probe: &Probe, by: f64) -> Probe {
    let count = probe.elements.len().max(1) as f64;
    let middle =
        probe.elements.iter().fold(Point::default(), |sum, e| sum + e.centre) * (1.0 / count);
    let axis = facing(probe).angle();
    let elements = probe
        .elements
        .iter()
        .map(|e| {
            let turn = (e.facing_rad - axis + std::f64::consts::PI)
                .rem_euclid(std::f64::consts::TAU)
                - std::f64::consts::PI;
            // A flat probe's elements all face one way; those of an arc turn about its centre.
            let (centre, facing_rad) = if turn.abs() < 1e-9 && e.centre.distance(middle) > 1e-6 {
                (middle + (e.centre - middle) * by, e.facing_rad)
            } else {
                let more = turn * (by - 1.0);
                (e.centre.rotated(more), e.facing_rad + more)
            };
            Element { centre, facing_rad, width_m: e.width_m * by, length_m: e.length_m }
        })
        .collect();
    Probe { elements, axial_focus_m: probe.axial_focus_m }
}

/// Water warmed by some kelvin, by the changes of the formulas for pure water from the temperature
/// at which they give its velocity.
fn warmer(fluid: Fluid, by_k: f64) -> Result<Fluid> {
    let from_c = temperature_c(fluid.velocity_m_s)?;
    let [cold, warm] = [water::water(from_c)?, water::water(from_c + by_k)?];
    Ok(Fluid::new(
        fluid.velocity_m_s + (warm.velocity_m_s - cold.velocity_m_s),
        fluid.density_kg_m3 + (warm.density_kg_m3 - cold.density_kg_m3),
    )?)
}

/// Temperature at which water has a velocity, below the highest velocity (74 °C).
fn temperature_c(velocity_m_s: f64) -> Result<f64> {
    let (mut low, mut high) = (0.0, 74.0);
    let [least, most] = [water::sound_velocity_m_s(low)?, water::sound_velocity_m_s(high)?];
    if !(least..=most).contains(&velocity_m_s) {
        return Err(TwinError::OutOfRange {
            what: "the sound velocity of the technique's water".into(),
            value: velocity_m_s,
            unit: "m/s",
            expected: format!("between {least:.1} and {most:.1} m/s, that water can be warmed"),
        });
    }
    // Halving down to rounding: the velocity rises all the way.
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if water::sound_velocity_m_s(middle)? < velocity_m_s {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_wave::array;

    // Truth: published values (22 °C: 1488.3 m/s, slope 2.76 m/s per K; Marczak's polynomial).
    #[test]
    fn warmer_water_is_faster() {
        let cold = water::water(22.0).expect("water");
        assert!((temperature_c(cold.velocity_m_s).expect("water") - 22.0).abs() < 1e-9);
        let warm = warmer(cold, 3.0).expect("water");
        let want = water::water(25.0).expect("water");
        assert!((warm.velocity_m_s - want.velocity_m_s).abs() < 1e-9);
        assert!((warm.density_kg_m3 - want.density_kg_m3).abs() < 1e-9);
        assert!(warm.velocity_m_s > cold.velocity_m_s + 7.0);
        assert!(warmer(cold, 80.0).is_err() && warmer(cold, -30.0).is_err());
    }

    // Truth: closed form (positions of an arc of that pitch).
    #[test]
    fn a_wider_pitch_stays_on_the_arc() {
        let make = |pitch| array::arc(0.06, 1.3, 16, pitch, pitch * 0.9, 12e-3);
        let probe = Probe { elements: make(0.6e-3), axial_focus_m: None };
        let want = make(0.63e-3);
        for (got, want) in wider(&probe, 1.05).elements.iter().zip(&want) {
            assert!(got.centre.distance(want.centre) < 1e-12 && got.width_m - want.width_m < 1e-12);
            let off = (got.facing_rad - want.facing_rad).sin();
            assert!(off.abs() < 1e-12, "{off}");
        }
    }

    // Truth: closed form, likewise, of a flat probe.
    #[test]
    fn a_wider_pitch_of_a_flat_probe_stays_flat() {
        let make = |pitch| {
            array::flat(
                Point::new(0.0, 0.06),
                -std::f64::consts::FRAC_PI_2,
                16,
                pitch,
                pitch * 0.9,
                12e-3,
            )
        };
        let probe = Probe { elements: make(0.6e-3), axial_focus_m: None };
        for (got, want) in wider(&probe, 1.05).elements.iter().zip(&make(0.63e-3)) {
            assert!(got.centre.distance(want.centre) < 1e-12);
        }
    }
}

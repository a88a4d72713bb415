//! What the station keeps of each beam.

use barwright_job::technique::{self, Technique};
use barwright_wave::cylinder::Drive;
use barwright_wave::elevation::Strip;
use barwright_wave::{Mode, Point};

use crate::error::{Result, TwinError};

/// Elements of a technique in one row, probe after probe.
pub(crate) struct ElementRow {
    /// Number in the row of each probe's first element.
    first: Vec<usize>,
    /// Relative sensitivity of each element, acting on firing and on receiving.
    sensitivity: Vec<f64>,
}

impl ElementRow {
    pub(crate) fn new(technique: &Technique, sensitivity: Vec<Vec<f64>>) -> Self {
        let mut first = Vec::with_capacity(technique.probes.len());
        let mut count = 0;
        for probe in &technique.probes {
            first.push(count);
            count += probe.elements.len();
        }
        Self { first, sensitivity: sensitivity.into_iter().flatten().collect() }
    }
}

/// A beam with its drives and the geometry that echoes need.
pub(crate) struct BeamModel {
    pub probe: usize,
    pub mode: Mode,
    /// Elements in the row of all probes, with delays and sensitivities.
    pub transmit: Drive,
    /// The same for receiving; `None` where it equals the transmit side.
    pub receive: Option<Drive>,
    /// First element of the aperture within its probe.
    pub first_element: usize,
    /// Middle of the aperture.
    pub middle: Point,
    /// Where the axis enters the steel.
    pub entry: Point,
    /// Direction of the axis in the steel, in rad.
    pub direction_rad: f64,
    /// Way from the aperture's middle to the entry, in metres.
    pub water_m: f64,
    /// Its elements seen along the bar.
    pub strip: Strip,
    /// Nominal time of the surface, in seconds from firing.
    pub surface_time_s: f64,
}

impl BeamModel {
    /// # Errors
    /// [`TwinError::Count`] for an aperture that its probe does not have or delays that do not
    /// pair; the wave crate's errors for delays that are not finite.
    pub(crate) fn new(
        technique: &Technique,
        beam: &technique::Beam,
        row: &ElementRow,
    ) -> Result<Self> {
        let probe = beam.probe as usize;
        let first_element = beam.first_element as usize;
        let count = beam.transmit_delays_s.len();
        let have = technique.probes.get(probe).map_or(0, |p| p.elements.len());
        let need = first_element + count;
        if count == 0 || have < need {
            return Err(TwinError::Count {
                what: "elements of a beam's probe",
                got: have,
                need: need.max(1),
            });
        }
        let elements: Vec<usize> =
            (0..count).map(|i| row.first[probe] + first_element + i).collect();
        let weights: Vec<f64> = elements.iter().map(|&e| row.sensitivity[e]).collect();
        let transmit = Drive::weighted(&elements, &beam.transmit_delays_s, &weights)?;
        let receive = if beam.receive_delays_s == beam.transmit_delays_s {
            None
        } else {
            Some(Drive::weighted(&elements, &beam.receive_delays_s, &weights)?)
        };
        let aperture = &technique.probes[probe].elements[first_element..need];
        let middle =
            aperture.iter().fold(Point::default(), |sum, e| sum + e.centre) * (1.0 / count as f64);
        Ok(Self {
            probe,
            mode: beam.mode,
            transmit,
            receive,
            first_element,
            middle,
            entry: beam.axis.entry,
            direction_rad: beam.axis.direction_rad,
            water_m: middle.distance(beam.axis.entry),
            strip: Strip {
                length_m: aperture[0].length_m,
                focus_m: technique.probes[probe].axial_focus_m,
            },
            surface_time_s: beam.surface_time_s,
        })
    }

    /// Receive side.
    pub(crate) fn receive(&self) -> &Drive {
        self.receive.as_ref().unwrap_or(&self.transmit)
    }

    /// Distance of a place of the section from the line of the axis, in metres.
    pub(crate) fn distance_m(&self, place: Point) -> f64 {
        let d = Point::polar(1.0, self.direction_rad);
        let from = place - self.entry;
        (d.x * from.y - d.y * from.x).abs()
    }

    /// Where the axis meets the wall of a round bar from inside for the first time.
    pub(crate) fn far_wall(&self) -> Point {
        let d = Point::polar(1.0, self.direction_rad);
        let chord = -2.0 * (d.x * self.entry.x + d.y * self.entry.y);
        self.entry + d * chord
    }

    /// Change of all echo times, there and back, when the bar stands off the ring's centre by
    /// `offset`, in seconds.
    ///
    /// Moving the bar is moving the array the other way; by Fermat's principle the time then
    /// changes, to first order, by the movement along the ray in the water only.
    pub(crate) fn shift_s(&self, offset: Point, c_water_m_s: f64) -> f64 {
        let ray = self.entry - self.middle;
        2.0 * (offset.x * ray.x + offset.y * ray.y) / (self.water_m.max(1e-6) * c_water_m_s)
    }
}

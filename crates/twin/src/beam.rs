//! What the station keeps of each beam.

use barwright_job::technique::{self, Technique};
use barwright_wave::cylinder::Drive;
use barwright_wave::elevation::Strip;
use barwright_wave::{Element, Mode, Point};
use std::f64::consts::{PI, TAU};

use crate::error::{Result, TwinError};
use crate::fitted::Fitted;

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
    /// The probe that it really drives.
    pub probe: usize,
    pub mode: Mode,
    /// Elements in the row of all probes, with delays and sensitivities.
    pub transmit: Drive,
    /// The same for receiving; `None` where it equals the transmit side.
    pub receive: Option<Drive>,
    /// Elements of the aperture within its probe, in the order of the laws.
    pub elements: Vec<usize>,
    /// Middle of the aperture, with the probe in its place.
    pub middle: Point,
    /// Where the axis enters the steel of a centred bar.
    pub entry: Point,
    /// Direction of the axis in the steel, in rad.
    pub direction_rad: f64,
    /// Way from the aperture's middle to the entry, in metres.
    pub water_m: f64,
    /// Its elements seen along the bar.
    pub strip: Strip,
    /// Time of the surface, in seconds from firing, as the technique says it.
    pub surface_time_s: f64,
    /// Where the axis of a straight bar stands as its probe sees it (see [`Fitted::moved`]).
    pub moved: Point,
}

/// Axis of a beam in the frame of a bar that may stand off the ring's centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Aim {
    /// Middle of the aperture.
    pub middle: Point,
    /// Where the axis enters the steel.
    pub entry: Point,
    /// Its direction there, in rad.
    pub direction_rad: f64,
    /// Way from the middle to the entry, in metres.
    pub water_m: f64,
}

impl BeamModel {
    /// # Errors
    /// [`TwinError::Count`] for an aperture that its probe does not have or delays that do not
    /// pair; the wave crate's errors for delays that are not finite.
    pub(crate) fn new(fitted: &Fitted, beam: &technique::Beam, row: &ElementRow) -> Result<Self> {
        let technique = &fitted.technique;
        let named = beam.probe as usize;
        let first_element = beam.first_element as usize;
        let count = beam.transmit_delays_s.len();
        let have = technique.probes.get(named).map_or(0, |p| p.elements.len());
        let need = first_element + count;
        if count == 0 || have < need {
            return Err(TwinError::Count {
                what: "elements of a beam's probe",
                got: have,
                need: need.max(1),
            });
        }
        let probe = fitted.probe(named);
        let own: Vec<usize> =
            (first_element..need).map(|channel| fitted.element(probe, channel)).collect();
        let elements: Vec<usize> = own.iter().map(|e| row.first[probe] + e).collect();
        let weights: Vec<f64> = elements.iter().map(|&e| row.sensitivity[e]).collect();
        let transmit = Drive::weighted(&elements, &beam.transmit_delays_s, &weights)?;
        let receive = if beam.receive_delays_s == beam.transmit_delays_s {
            None
        } else {
            Some(Drive::weighted(&elements, &beam.receive_delays_s, &weights)?)
        };
        let aperture: Vec<Element> =
            own.iter().map(|&e| technique.probes[probe].elements[e]).collect();
        let middle =
            aperture.iter().fold(Point::default(), |sum, e| sum + e.centre) * (1.0 / count as f64);
        let (entry, direction_rad) = if probe == named && own[0] == first_element {
            (beam.axis.entry, beam.axis.direction_rad)
        } else {
            let along = Point::polar(1.0, beam.axis.direction_rad);
            (fitted.taken(named, beam.axis.entry), fitted.taken(named, along).angle())
        };
        Ok(Self {
            probe,
            mode: beam.mode,
            transmit,
            receive,
            elements: own,
            middle,
            entry,
            direction_rad,
            water_m: middle.distance(entry),
            strip: Strip {
                length_m: aperture[0].length_m,
                focus_m: technique.probes[probe].axial_focus_m,
            },
            surface_time_s: beam.surface_time_s,
            moved: fitted.moved(probe),
        })
    }

    /// Receive side.
    pub(crate) fn receive(&self) -> &Drive {
        self.receive.as_ref().unwrap_or(&self.transmit)
    }

    /// The beam's axis about a bar of a radius whose axis stands `bent` off that of a straight one: the
    /// ray in the water keeps its direction, Snell's law turns it at the surface that it meets.
    pub(crate) fn aim(&self, bent: Point, bar_radius_m: f64, c_water: f64, c_steel: f64) -> Aim {
        let moved = self.moved + bent;
        let nominal = Aim {
            middle: self.middle,
            entry: self.entry,
            direction_rad: self.direction_rad,
            water_m: self.water_m,
        };
        if moved == Point::default() {
            return nominal;
        }
        let middle = self.middle - moved;
        let ray = (self.entry - self.middle) * (1.0 / self.water_m.max(1e-9));
        // How the ray leans on the surface of a centred bar, and how the axis leaves it there.
        let meet = |from: Point| -> Option<(f64, f64)> {
            let along = from.x * ray.x + from.y * ray.y;
            let square = along * along - from.radius().powi(2) + bar_radius_m * bar_radius_m;
            let way = -along - square.max(0.0).sqrt();
            let inward = ((from + ray * way) * -1.0).angle();
            let lean = (ray.angle() - inward + PI).rem_euclid(TAU) - PI;
            (square > 0.0).then_some((way, lean))
        };
        let steel = |lean: f64| (lean.sin() * c_steel / c_water).clamp(-1.0, 1.0).asin();
        match (meet(self.middle), meet(middle)) {
            (Some((_, lean)), Some((way, leans))) => {
                let entry = middle + ray * way;
                let normal = (entry * -1.0).angle() - (self.entry * -1.0).angle();
                let more = normal + steel(leans) - steel(lean);
                let direction_rad = self.direction_rad + more;
                Aim { middle, entry, direction_rad, water_m: way }
            }
            // Too far off to meet the bar: nothing near the axis is then heard anyway.
            _ => Aim { middle, ..nominal },
        }
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

    /// The same of the surface echo: along the normal, however the beam is steered.
    pub(crate) fn surface_shift_s(&self, offset: Point, c_water_m_s: f64) -> f64 {
        let inward = self.middle * (-1.0 / self.middle.radius());
        2.0 * (offset.x * inward.x + offset.y * inward.y) / c_water_m_s
    }
}

impl Aim {
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
}

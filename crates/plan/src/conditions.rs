//! The conditions under which beams are computed: nominal, or one tolerance at its end.

use barwright_job::{
    Order, Station,
    order::{RoundSpec, SectionSpec},
    station::Coupling,
    technique::{Media, PulseSpec, Section, Technique},
};
use barwright_wave::{Element, Point, Surface, pulse::Pulse, water};

use crate::error::{PlanError, Result};
use crate::square::face;

/// One state of bar and water. The technique (laws, gates, gains) does not change with it.
#[derive(Debug, Clone)]
pub struct Conditions {
    /// What deviates, in words.
    pub words: String,
    /// Where the bar's centre stands, in metres.
    pub centre: Point,
    /// Size of the section over its nominal size.
    pub scale: f64,
    /// Section at this size, about its own centre.
    pub section: Section,
    /// Surface through which sound enters, where the bar stands; the first face of a square.
    pub surface: Surface,
    /// Faces of a square section where the bar stands, from the one that looks up, counter-clockwise;
    /// empty for other sections.
    pub faces: Vec<Surface>,
    /// Turn of the bar about its own axis, counter-clockwise, in rad.
    pub turn_rad: f64,
    /// Water and steel.
    pub media: Media,
    /// The pulse.
    pub pulse: Pulse,
    /// Whether the middle element of each aperture is lost.
    pub lost_middle: bool,
    /// How a round section is out of round; absent: it is round.
    pub oval: Option<Oval>,
    /// Turn of discs out of facing the beam, in rad.
    pub tilt_rad: f64,
}

/// A section out of round: its surface stands at R + a cos 2(θ - φ).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oval {
    /// a in m: a quarter of the largest less the smallest diameter.
    pub amplitude_m: f64,
    /// φ in rad: where the diameter is largest.
    pub direction_rad: f64,
    /// Whether the change of curvature counts; without it, place and slope of the surface alone.
    pub curvature: bool,
}

impl Oval {
    /// Radius in m of the circle that osculates a section of mean radius `radius_m` at an angle, and
    /// where its centre lies relative to the section's; first order in the amplitude.
    #[must_use]
    pub fn circle(&self, radius_m: f64, angle_rad: f64) -> (f64, Point) {
        let twice = 2.0 * (angle_rad - self.direction_rad);
        let a = self.amplitude_m;
        let out = Point::polar(1.0, angle_rad);
        let around = Point::new(-out.y, out.x);
        let centre = out * (4.0 * a * twice.cos()) + around * (-2.0 * a * twice.sin());
        let radius = if self.curvature { radius_m - 3.0 * a * twice.cos() } else { radius_m };
        (radius, centre)
    }
}

impl Conditions {
    /// Everything as the technique has it.
    ///
    /// # Errors
    /// The wave crate's reason for a section or a pulse that is none.
    pub fn nominal(technique: &Technique) -> Result<Self> {
        Self::of(&technique.section, &technique.media, &technique.pulse)
    }

    /// Nominal conditions from their parts.
    ///
    /// # Errors
    /// As [`Self::nominal`].
    pub fn of(section: &Section, media: &Media, pulse: &PulseSpec) -> Result<Self> {
        let faces = face::faces(section, Point::default(), 0.0)?;
        let surface =
            faces.first().copied().or_else(|| section.surface()).ok_or_else(no_surface)?;
        Ok(Self {
            words: "nominal".into(),
            centre: Point::default(),
            scale: 1.0,
            section: *section,
            surface,
            faces,
            turn_rad: 0.0,
            media: *media,
            pulse: Pulse::new(pulse.centre_hz, pulse.bandwidth_rel)?,
            lost_middle: false,
            oval: None,
            tilt_rad: 0.0,
        })
    }

    /// The same as a beam meets it whose aperture's middle stands at an angle: an oval section is the
    /// circle that osculates it there.
    #[must_use]
    pub fn met_at(&self, angle_rad: f64) -> Self {
        let (Some(oval), Surface::Round { centre, radius_m }) = (self.oval, self.surface) else {
            return self.clone();
        };
        let (radius_m, off) = oval.circle(radius_m, angle_rad);
        let mut c = self.clone();
        c.surface = Surface::Round { centre: centre + off, radius_m };
        c
    }

    /// Time in s of the surface echo at a place in the water, there and back; nought without a round
    /// surface in water.
    #[must_use]
    pub fn surface_answer_s(&self, place: Point) -> f64 {
        match (self.met_at((place - self.centre).angle()).surface, self.media.water) {
            (Surface::Round { centre, radius_m }, Some(water)) => {
                2.0 * (place.distance(centre) - radius_m) / water.velocity_m_s
            }
            _ => 0.0,
        }
    }

    /// The same in water of another temperature in °C, held within 0 to 95.
    ///
    /// # Errors
    /// The wave crate's.
    pub fn at_temperature(&self, temperature_c: f64) -> Result<Self> {
        let mut c = self.clone();
        c.media.water = Some(water::water(temperature_c.clamp(0.0, 95.0))?);
        Ok(c)
    }

    /// The same with both velocities of the steel times a factor.
    #[must_use]
    pub fn at_velocity(&self, factor: f64) -> Self {
        let mut c = self.clone();
        c.media.steel.longitudinal_m_s *= factor;
        c.media.steel.shear_m_s *= factor;
        c
    }

    /// The same with the bar's centre elsewhere and its size scaled.
    pub(crate) fn moved(&self, words: String, centre: Point, scale: f64) -> Self {
        let mut c = self.clone();
        c.words = words;
        c.centre = centre;
        c.scale = scale;
        match self.section {
            Section::Round { radius_m } => {
                let radius_m = radius_m * scale;
                c.section = Section::Round { radius_m };
                c.surface = Surface::Round { centre, radius_m };
            }
            Section::Flat { thickness_m } => {
                c.section = Section::Flat { thickness_m: thickness_m * scale };
            }
            Section::Square { .. } => {}
        }
        c
    }

    /// Where a place of the nominal section stands under these conditions.
    #[must_use]
    pub fn place(&self, nominal: Point) -> Point {
        match self.section {
            Section::Flat { .. } => Point::new(nominal.x, nominal.y * self.scale),
            Section::Square { .. } => self.centre + (nominal * self.scale).rotated(self.turn_rad),
            Section::Round { .. } => self.centre + nominal * self.scale,
        }
    }

    /// The surface that elements look at: the face before them of a square, else the only one.
    #[must_use]
    pub fn surface_before(&self, elements: &[Element]) -> Surface {
        face::before(self, elements).unwrap_or(self.surface)
    }
}

/// The refusal of a section that lets no sound in.
fn no_surface() -> PlanError {
    PlanError::rule("section", "the section has no surface", "order a round or square section")
}

/// The refusal of an exact field without water.
pub(crate) fn dry() -> PlanError {
    PlanError::rule(
        "coupling",
        "the exact field of a round bar needs water around it",
        "use a station with a ring in water",
    )
}

/// Directions in which a bar off centre is tried.
const DIRECTIONS: usize = 12;

/// Largest distance in m of a bar's centre from the ring's: the station's centring, and what a bar that is
/// not straight bows between the guides (an arc of the ordered height over a metre).
#[must_use]
pub fn off_centre_m(order: &Order, station: &Station) -> f64 {
    let span_m = station.line.guide_distance_mm * 1e-3;
    (station.line.centring_mm + order.bars.straightness_mm_per_m * span_m * span_m) * 1e-3
}

/// The deviations that a worst case is over: each tolerance at both ends, in all directions, and one lost
/// element.
///
/// # Errors
/// Those of [`Conditions::nominal`] and of water outside 0 to 95 °C.
pub fn tolerance_cases(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
) -> Result<Vec<Conditions>> {
    let mut cases = Vec::new();
    if let SectionSpec::Round(round) = order.section {
        round_cases(order, station, nominal, &round, &mut cases);
    }
    if let SectionSpec::Flat(flat) = order.section
        && flat.tolerance_mm > 0.0
    {
        for (sign, word) in [(1.0, "over"), (-1.0, "under")] {
            let scale = 1.0 + sign * flat.tolerance_mm / flat.thickness_mm;
            let words = format!("thickness {} mm {word}", flat.tolerance_mm);
            cases.push(nominal.moved(words, Point::default(), scale));
        }
    }
    cases.extend(cases_of_any_section(order, station, nominal, "sound in the steel")?);
    Ok(cases)
}

/// The deviations that do not depend on the section's shape: water, velocity, tilt of the disc, one lost
/// element. `sound`: what the words of a case call that which is faster or slower.
pub(crate) fn cases_of_any_section(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
    sound: &str,
) -> Result<Vec<Conditions>> {
    let mut cases = Vec::new();
    if let Coupling::Water(w) = station.coupling
        && w.tolerance_k > 0.0
    {
        for (sign, word) in [(1.0, "warmer"), (-1.0, "colder")] {
            let mut c = nominal.at_temperature(w.temperature_c + sign * w.tolerance_k)?;
            c.words = format!("water {} K {word}", w.tolerance_k);
            cases.push(c);
        }
    }
    let velocity = order.steel.velocity_tolerance_percent;
    if velocity > 0.0 {
        for (sign, word) in [(1.0, "faster"), (-1.0, "slower")] {
            let mut c = nominal.at_velocity(1.0 + sign * velocity / 100.0);
            c.words = format!("{sound} {velocity} % {word}");
            cases.push(c);
        }
    }
    if order.flaws.disc.tilt_deg > 0.0 {
        let mut c = nominal.clone();
        c.tilt_rad = order.flaws.disc.tilt_deg.to_radians();
        c.words = format!("disc turned {}° out of facing the beam", order.flaws.disc.tilt_deg);
        cases.push(c);
    }
    let mut lost = nominal.clone();
    lost.words = "middle element of the aperture lost".into();
    lost.lost_middle = true;
    cases.push(lost);
    Ok(cases)
}

fn round_cases(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
    round: &RoundSpec,
    cases: &mut Vec<Conditions>,
) {
    let off_m = off_centre_m(order, station);
    if off_m > 0.0 {
        for i in 0..DIRECTIONS {
            let degrees = 360.0 / DIRECTIONS as f64 * i as f64;
            let centre = Point::polar(off_m, degrees.to_radians());
            let words = format!("bar {:.2} mm off centre towards {degrees:.0}°", off_m * 1e3);
            cases.push(nominal.moved(words, centre, 1.0));
        }
    }
    if round.tolerance_mm > 0.0 {
        for (sign, word) in [(1.0, "over"), (-1.0, "under")] {
            let scale = 1.0 + sign * round.tolerance_mm / round.diameter_mm;
            let words = format!("diameter {} mm {word}", round.tolerance_mm);
            cases.push(nominal.moved(words, Point::default(), scale));
        }
    }
    if round.ovality_mm > 0.0 {
        // A half turn brings an oval onto itself.
        for i in 0..DIRECTIONS / 2 {
            let degrees = 360.0 / DIRECTIONS as f64 * i as f64;
            let mut c = nominal.clone();
            c.oval = Some(Oval {
                amplitude_m: round.ovality_mm * 1e-3 / 4.0,
                direction_rad: degrees.to_radians(),
                curvature: true,
            });
            c.words = format!("{} mm out of round, largest at {degrees:.0}°", round.ovality_mm);
            cases.push(c);
        }
    }
}

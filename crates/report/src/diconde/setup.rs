//! Probes, instrument, beams, gates: what the technique and the level set.

use barwright_job::{
    Sealed, Technique,
    station::Coupling,
    technique::{Beam, Gate, GateKind, Probe, Section},
};
use barwright_wave::{Mode, Point};
use dicom_dictionary_std::tags;

use super::{ObjectInput, Piece, mm, private, sheet::Sheet};
use crate::text;

pub(super) fn fill<'n>(sheet: &mut Sheet<'n>, input: &ObjectInput<'_>) {
    transducers(sheet, input);
    instrument(sheet, input);
    coupling(sheet, input);
    let technique = input.bar.technique;
    let beams = &technique.body.beams;
    let settings = |sheet: &Sheet<'n>| -> Vec<Sheet<'n>> {
        beams.iter().map(|b| law(sheet, technique, b)).collect()
    };
    let (transmit, receive) = (settings(sheet), settings(sheet));
    sheet.sequence(tags::TRANSMIT_TRANSDUCER_SETTINGS_SEQUENCE, transmit);
    sheet.sequence(tags::RECEIVE_TRANSDUCER_SETTINGS_SEQUENCE, receive);
    let receivers = beams.iter().map(|b| receiver(sheet, input, b)).collect();
    sheet.sequence(tags::RECEIVER_SETTINGS_SEQUENCE, receivers);
    let gates =
        beams.iter().flat_map(|b| b.gates.iter().map(|g| gate(sheet, b, g)).collect::<Vec<_>>());
    let gates = gates.collect();
    sheet.sequence(tags::GATE_SETTINGS_SEQUENCE, gates);
    let channels = beams.iter().map(|b| channel(sheet, technique, b)).collect();
    sheet.sequence(tags::CHANNEL_SETTINGS_SEQUENCE, channels);
    sheet.open(
        tags::CHANNEL_OVERLAP,
        "the record has no overlap of neighbouring beams as one figure",
    );
    sheet.open(tags::PROBE_CENTER_LOCATION_X, "the axes that the standard means are not known");
    sheet.open(tags::PROBE_CENTER_LOCATION_Z, "the axes that the standard means are not known");
}

fn transducers<'n>(sheet: &mut Sheet<'n>, input: &ObjectInput<'_>) {
    let technique = &input.bar.technique.body;
    let items = |sheet: &Sheet<'n>| -> Vec<Sheet<'n>> {
        technique
            .probes
            .iter()
            .enumerate()
            .map(|(k, p)| transducer(sheet, input, k + 1, p))
            .collect()
    };
    // One and the same array sends and receives.
    let (transmit, receive) = (items(sheet), items(sheet));
    sheet.sequence(tags::TRANSMIT_TRANSDUCER_SEQUENCE, transmit);
    sheet.sequence(tags::RECEIVE_TRANSDUCER_SEQUENCE, receive);
    sheet.open(tags::DAC_AMPLITUDE, "gain against depth is given by gain and time");
    sheet.open(tags::ELEMENT_PITCH_B, "arrays of one row have no second pitch");
    for (attribute, what) in [
        (tags::MEASURED_CENTER_FREQUENCY, "centre frequencies of the probes"),
        (tags::MEASURED_BANDWIDTH, "bandwidths of the probes"),
        (tags::MEASURED_BEAM_DIMENSION_A, "beams"),
        (tags::MEASURED_BEAM_DIMENSION_B, "beams"),
    ] {
        sheet.open(attribute, &format!("the record holds no measured {what}"));
    }
}

fn transducer<'n>(
    sheet: &Sheet<'n>,
    input: &ObjectInput<'_>,
    number: usize,
    probe: &Probe,
) -> Sheet<'n> {
    let mut item = sheet.item(format!("probe {number}"));
    item.longs(private::PROBE, &[u32::try_from(number).unwrap_or(u32::MAX)]);
    match u16::try_from(probe.elements.len()) {
        Ok(count) => item.shorts(tags::NUMBER_OF_ELEMENTS, &[count]),
        Err(_) => item.open(tags::NUMBER_OF_ELEMENTS, "more elements than the attribute can hold"),
    }
    if let Some(e) = probe.elements.first() {
        item.terms(tags::ELEMENT_SHAPE, &["RECTANGLE"]);
        item.decimals(tags::ELEMENT_DIMENSION_A, &[mm(e.width_m)]);
        item.decimals(tags::ELEMENT_DIMENSION_B, &[mm(e.length_m)]);
    }
    if let Some(pitch) = pitch_m(probe) {
        item.decimals(tags::ELEMENT_PITCH_A, &[mm(pitch)]);
    }
    let pulse = &input.bar.technique.body.pulse;
    item.decimals(tags::NOMINAL_FREQUENCY, &[pulse.centre_hz / 1e6]);
    let here = number.to_string();
    if let Some(piece) = input.recorded.equipment.iter().find(|p| p.place == here) {
        item.text(tags::DEVICE_SERIAL_NUMBER, piece.serial);
        item.text(private::SERIAL, piece.serial);
    }
    item
}

/// Distance between the middles of the first two elements along the arc or the face, in metres.
fn pitch_m(probe: &Probe) -> Option<f64> {
    let [a, b] = probe.elements.get(..2)? else { return None };
    let chord = (b.centre - a.centre).radius();
    let mut turn = (b.facing_rad - a.facing_rad).rem_euclid(std::f64::consts::TAU);
    if turn > std::f64::consts::PI {
        turn = std::f64::consts::TAU - turn;
    }
    // A chord of a circle, as long along the arc as it is turned.
    Some(if turn < 1e-9 { chord } else { chord * (turn / 2.0) / (turn / 2.0).sin() })
}

fn instrument<'n>(sheet: &mut Sheet<'n>, input: &ObjectInput<'_>) {
    let pieces: Vec<_> =
        input.recorded.equipment.iter().filter(|p| p.what == Some("electronics")).collect();
    if pieces.is_empty() {
        let why = "the ledger names no electronics in use on the line";
        sheet.open(tags::PULSER_EQUIPMENT_SEQUENCE, why);
        sheet.open(tags::RECEIVER_EQUIPMENT_SEQUENCE, why);
    } else {
        let items = |sheet: &Sheet<'n>| -> Vec<Sheet<'n>> {
            let one = |piece: &&Piece<'_>| {
                let mut item = sheet.item(format!("electronics {}", piece.serial));
                item.text(tags::DEVICE_SERIAL_NUMBER, piece.serial);
                item.text(private::SERIAL, piece.serial);
                item
            };
            pieces.iter().map(one).collect()
        };
        let (pulser, receiver) = (items(sheet), items(sheet));
        sheet.sequence(tags::PULSER_EQUIPMENT_SEQUENCE, pulser);
        sheet.sequence(tags::RECEIVER_EQUIPMENT_SEQUENCE, receiver);
    }
    let why = "the record holds no settings of the pulser: they are of the acquisition system";
    sheet.open(tags::PULSER_SETTINGS_SEQUENCE, why);
    sheet.open(tags::PULSE_WIDTH, why);
    sheet.open(tags::EXCITATION_FREQUENCY, why);
    sheet.open(
        tags::ACQUISITION_SAMPLE_SIZE,
        "the record does not say with how many bits was sampled",
    );
}

fn coupling(sheet: &mut Sheet<'_>, input: &ObjectInput<'_>) {
    let planned = match input.station.map(|s| s.coupling) {
        Some(Coupling::Water(w)) => format!(
            "Assumed by the technique: water at {} °C, plus and minus {} K. Not measured here.",
            w.temperature_c, w.tolerance_k
        ),
        Some(Coupling::Contact(_)) => "Array in contact.".to_owned(),
        None => {
            return sheet
                .open(tags::ENVIRONMENTAL_CONDITIONS, "the station's document is not at hand");
        }
    };
    sheet.text(tags::ENVIRONMENTAL_CONDITIONS, &planned);
    sheet.open(tags::ACTUAL_ENVIRONMENTAL_CONDITIONS, "the record holds no measured temperature");
}

/// The law of a beam: aperture, angle, coupling.
fn law<'n>(sheet: &Sheet<'n>, technique: &Sealed<Technique>, beam: &Beam) -> Sheet<'n> {
    let t = &technique.body;
    let mut item = sheet.item(format!("beam {}", beam.id));
    let identifier = format!("beam {} of technique {}", beam.id, technique.hash.short());
    item.text(tags::DELAY_LAW_IDENTIFIER, &identifier);
    item.longs(private::BEAM, &[beam.id]);
    item.longs(private::PROBE, &[beam.probe.saturating_add(1)]);
    item.longs(private::FIRST_ELEMENT, &[beam.first_element.saturating_add(1)]);
    item.terms(private::MODE, &[mode(beam.mode)]);
    if let Ok(count) = u16::try_from(beam.elements()) {
        item.shorts(tags::ACTIVE_APERTURE, &[count]);
    }
    if let Some(probe) = t.probes.get(beam.probe as usize) {
        let elements = f64::from(beam.elements());
        if let (Some(pitch), Some(e)) = (pitch_m(probe), probe.elements.first()) {
            item.decimals(tags::TOTAL_APERTURE, &[mm((elements - 1.0) * pitch + e.width_m)]);
            item.decimals(tags::APERTURE_ELEVATION, &[mm(e.length_m)]);
        }
    }
    let inside = refraction_rad(&t.section, beam);
    if let Some(angle) = inside {
        item.decimals(tags::NOMINAL_BEAM_ANGLE, &[degrees(angle)]);
    }
    item.decimals(tags::SOUND_PATH_LENGTH, &[mm(beam.axis.reach_m)]);
    match t.media.water {
        Some(water) => {
            item.text(tags::COUPLING_TECHNIQUE, "immersion");
            item.text(tags::COUPLING_MEDIUM, "water");
            item.decimals(tags::COUPLING_VELOCITY, &[water.velocity_m_s]);
            // The law of refraction; no angle where it has no answer.
            let sine = inside.map(|a| a.sin() * water.velocity_m_s / beam.axis.velocity_m_s);
            if let Some(outside) = sine.map(f64::asin).filter(|a| a.is_finite()) {
                item.decimals(tags::INCIDENT_ANGLE, &[degrees(outside)]);
            }
        }
        None => item.text(tags::COUPLING_TECHNIQUE, "contact"),
    }
    item
}

/// Angle between the beam's axis in the steel and the inward normal where it enters, in rad, without sign;
/// none where it enters where no face is.
fn refraction_rad(section: &Section, beam: &Beam) -> Option<f64> {
    let entry = beam.axis.entry;
    let inward = match *section {
        Section::Round { .. } => Point::polar(1.0, entry.angle() + std::f64::consts::PI),
        Section::Flat { .. } => Point::new(0.0, -1.0),
        Section::Square { .. } if entry.x.abs() > entry.y.abs() => {
            Point::new(-entry.x.signum(), 0.0)
        }
        Section::Square { .. } => Point::new(0.0, -entry.y.signum()),
    };
    let axis = Point::polar(1.0, beam.axis.direction_rad);
    let (along, across) =
        (axis.x * inward.x + axis.y * inward.y, axis.x * inward.y - axis.y * inward.x);
    let angle = across.atan2(along).abs();
    (angle <= std::f64::consts::FRAC_PI_2).then_some(angle)
}

/// Degrees to a millionth: what radians add is below it.
fn degrees(rad: f64) -> f64 {
    (rad.to_degrees() * 1e6).round() / 1e6
}

/// What receives a beam: gain, gain against depth, length of the record.
fn receiver<'n>(sheet: &Sheet<'n>, input: &ObjectInput<'_>, beam: &Beam) -> Sheet<'n> {
    let record = &input.bar.technique.body.record;
    let mut item = sheet.item(format!("beam {}", beam.id));
    item.longs(private::BEAM, &[beam.id]);
    item.floats(private::PLANNED_GAIN, &[beam.gain_db]);
    if let Some(level) = input.bar.level.body.beams.iter().find(|l| l.beam == beam.id) {
        item.floats(private::GAIN, &[level.gain_db]);
        item.text(private::LEVEL_STATE, text::beam_state(level.state));
    }
    let after_s = record.last_sample_s() - beam.surface_time_s;
    if after_s > 0.0 {
        let length = mm(after_s / 2.0 * beam.axis.velocity_m_s);
        item.decimals(tags::ACQUIRED_SOUNDPATH_LENGTH, &[length]);
    }
    let mut dac = item.item(format!("gain against depth of beam {}", beam.id));
    let gains: Vec<f64> = beam.gain_curve.iter().map(|p| p.gain_db).collect();
    let times: Vec<f64> = beam.gain_curve.iter().map(|p| micro(p.after_surface_s)).collect();
    if gains.is_empty() {
        item.sequence(tags::DAC_SEQUENCE, vec![]);
    } else {
        dac.terms(tags::DAC_TYPE, &["LINEAR"]);
        dac.decimals(tags::DAC_GAIN_POINTS, &gains);
        dac.decimals(tags::DAC_TIME_POINTS, &times);
        item.sequence(tags::DAC_SEQUENCE, vec![dac]);
    }
    item
}

/// Seconds as microseconds.
fn micro(seconds: f64) -> f64 {
    // To a femtosecond: what a product by a million adds is below it.
    (seconds * 1e15).round() / 1e9
}

fn gate<'n>(sheet: &Sheet<'n>, beam: &Beam, gate: &Gate) -> Sheet<'n> {
    let mut item = sheet.item(format!("beam {}", beam.id));
    item.longs(private::BEAM, &[beam.id]);
    let (kind, from) = match gate.kind {
        GateKind::Surface => ("SURFACE", "FIRING"),
        GateKind::Volume => ("VOLUME", "SURFACE"),
        GateKind::Crack => ("CRACK", "SURFACE"),
        GateKind::BackWall => ("BACK WALL", "SURFACE"),
    };
    item.terms(private::GATE_KIND, &[kind]);
    item.terms(private::GATE_FROM, &[from]);
    item.floats(private::GATE_START, &[gate.start_s]);
    item.floats(private::GATE_END, &[gate.end_s]);
    item.decimals(tags::GATE_THRESHOLD, &[percent(gate.threshold_fsh)]);
    item.decimals(tags::VELOCITY_OF_SOUND, &[beam.axis.velocity_m_s]);
    item
}

/// A fraction as percent.
pub(super) fn percent(fraction: f64) -> f64 {
    (fraction * 1e12).round() / 1e10
}

fn channel<'n>(sheet: &Sheet<'n>, technique: &Sealed<Technique>, beam: &Beam) -> Sheet<'n> {
    let mut item = sheet.item(format!("beam {}", beam.id));
    item.longs(private::BEAM, &[beam.id]);
    let alarm = technique.body.sensitivity.alarm_fsh;
    item.decimals(tags::CHANNEL_THRESHOLD, &[percent(alarm)]);
    item
}

pub(super) fn mode(mode: Mode) -> &'static str {
    match mode {
        Mode::L => "L",
        Mode::S => "S",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: pitch along the arc is radius times angle, and along a flat face the distance.
    #[test]
    fn pitch_is_read_back_from_elements() {
        let arc = barwright_wave::array::arc(0.06, 1.2, 96, 0.6e-3, 0.55e-3, 0.012);
        let flat = barwright_wave::array::flat(Point::new(0.0, 0.0), -1.5, 8, 0.9e-3, 0.8e-3, 0.01);
        for (elements, pitch) in [(arc, 0.6e-3), (flat, 0.9e-3)] {
            let probe = Probe { elements, axial_focus_m: None };
            let found = pitch_m(&probe).expect("two elements");
            // Sums of coordinates of 0.06 m in double precision.
            assert!((found - pitch).abs() < 1e-15, "{found}");
            assert_eq!(mm(found), pitch * 1e3);
        }
        assert_eq!(pitch_m(&Probe { elements: vec![], axial_focus_m: None }), None);
    }
}

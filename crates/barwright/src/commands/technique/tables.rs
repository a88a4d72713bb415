//! A technique as tables for other programs. Every number keeps all its digits: a unit is changed by
//! moving the decimal point of the shortest text, not by a product that rounds.

use barwright_job::technique::{GateKind, Technique};
use barwright_wave::Mode;
use barwright_web::tables::shifted;

/// Error of the writer; in memory it can only be that rows differ in length.
type Result<T> = std::result::Result<T, csv::Error>;

/// Names and contents of the five tables.
pub fn all(t: &Technique) -> Result<Vec<(&'static str, Vec<u8>)>> {
    Ok(vec![
        ("laws.csv", laws(t)?),
        ("beams.csv", beams(t)?),
        ("gates.csv", gates(t)?),
        ("gain_curve.csv", gain_curve(t)?),
        ("schedule.csv", schedule(t)?),
    ])
}

fn table<R: IntoIterator<Item = String>>(
    head: &[&str],
    rows: impl IntoIterator<Item = R>,
) -> Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(head)?;
    for row in rows {
        writer.write_record(row)?;
    }
    writer.into_inner().map_err(|e| e.into_error().into())
}

fn laws(t: &Technique) -> Result<Vec<u8>> {
    table(
        &["beam", "probe", "element", "transmit_ns", "receive_ns"],
        t.beams.iter().flat_map(|b| {
            b.transmit_delays_s.iter().zip(&b.receive_delays_s).enumerate().map(move |(i, d)| {
                [
                    b.id.to_string(),
                    b.probe.to_string(),
                    (u64::from(b.first_element) + i as u64).to_string(),
                    shifted(*d.0, 9),
                    shifted(*d.1, 9),
                ]
            })
        }),
    )
}

fn beams(t: &Technique) -> Result<Vec<u8>> {
    table(
        &[
            "beam",
            "probe",
            "first_element",
            "elements",
            "mode",
            "gain_db",
            "surface_us",
            "surface_beam",
            "entry_x_mm",
            "entry_y_mm",
            "direction_deg",
            "velocity_m_s",
            "reach_mm",
            "axial_width_mm",
        ],
        t.beams.iter().map(|b| {
            let mode = match b.mode {
                Mode::L => "L",
                Mode::S => "S",
            };
            [
                b.id.to_string(),
                b.probe.to_string(),
                b.first_element.to_string(),
                b.elements().to_string(),
                mode.to_owned(),
                shifted(b.gain_db, 0),
                shifted(b.surface_time_s, 6),
                b.surface_beam.map_or_else(String::new, |s| s.to_string()),
                shifted(b.axis.entry.x, 3),
                shifted(b.axis.entry.y, 3),
                shifted(b.axis.direction_rad.to_degrees(), 0),
                shifted(b.axis.velocity_m_s, 0),
                shifted(b.axis.reach_m, 3),
                shifted(b.axial_width_m, 3),
            ]
        }),
    )
}

fn gates(t: &Technique) -> Result<Vec<u8>> {
    table(
        &["beam", "gate", "kind", "counts_from", "start_us", "end_us", "threshold_fsh_percent"],
        t.beams.iter().flat_map(|b| {
            b.gates.iter().enumerate().map(move |(i, g)| {
                let (kind, from) = match g.kind {
                    GateKind::Surface => ("surface", "firing"),
                    GateKind::Volume => ("volume", "surface"),
                    GateKind::Crack => ("crack", "surface"),
                    GateKind::BackWall => ("back_wall", "surface"),
                };
                [
                    b.id.to_string(),
                    i.to_string(),
                    kind.to_owned(),
                    from.to_owned(),
                    shifted(g.start_s, 6),
                    shifted(g.end_s, 6),
                    shifted(g.threshold_fsh, 2),
                ]
            })
        }),
    )
}

fn gain_curve(t: &Technique) -> Result<Vec<u8>> {
    table(
        &["beam", "point", "after_surface_us", "gain_db"],
        t.beams.iter().flat_map(|b| {
            b.gain_curve.iter().enumerate().map(move |(i, p)| {
                [
                    b.id.to_string(),
                    i.to_string(),
                    shifted(p.after_surface_s, 6),
                    shifted(p.gain_db, 0),
                ]
            })
        }),
    )
}

/// One row for each beam of each firing. The period is the same in every row, so that the table is
/// whole without another.
fn schedule(t: &Technique) -> Result<Vec<u8>> {
    let period = shifted(t.schedule.period_s, 6);
    table(
        &["firing", "start_us", "beam", "period_us"],
        t.schedule.firings.iter().enumerate().flat_map(|(k, f)| {
            let period = period.clone();
            f.beams
                .iter()
                .map(move |b| [k.to_string(), shifted(f.start_s, 6), b.to_string(), period.clone()])
        }),
    )
}

//! Where and when shots were taken: from the columns of a row, or from the motion.

use super::map::{Column, Columns, ImportMap};
use crate::error::{CaptureError, Result};

/// A row of a file, whose fields are asked for one by one.
pub(super) trait Row {
    /// A field as a number; nothing for an empty one.
    fn number(&self, column: usize) -> Result<Option<f64>>;
    /// A field as it stands.
    fn text(&self, column: usize) -> Result<String>;
    /// The error for a field.
    fn wrong(&self, column: usize, message: String) -> CaptureError;
}

/// Where a shot was taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pub pass: u16,
    pub beam: u32,
    pub time_s: f64,
    pub z_m: f64,
    pub turn_rad: f32,
    pub clipped_s: [f32; 2],
}

/// Columns found in a file, each with the factor to SI where it has a unit.
#[derive(Debug, Clone, Default)]
pub(super) struct Found {
    pub beam: Option<usize>,
    pub pass: Option<usize>,
    pub time: Option<(usize, f64)>,
    pub z: Option<(usize, f64)>,
    pub turn: Option<(usize, f64)>,
    pub clipped: Option<[usize; 2]>,
    pub first_sample: Option<usize>,
}

impl Found {
    /// Finds the columns of a map among `names` (or by number, among `count`).
    pub fn find(
        map: &ImportMap,
        at: &str,
        columns: &Columns,
        names: &[String],
        count: usize,
    ) -> Result<Self> {
        let find = |key: &str, column: &Option<Column>| -> Result<Option<usize>> {
            let key = format!("{at}.{key}");
            match column {
                None => Ok(None),
                Some(Column::Number(n)) if *n <= count => Ok(Some(n - 1)),
                Some(Column::Number(n)) => {
                    Err(map.wrong(&key, n, format!("the file has {count} columns")))
                }
                Some(Column::Name(name)) => {
                    let mut fits = names.iter().enumerate().filter(|(_, n)| *n == name);
                    match (fits.next(), fits.next()) {
                        (Some((i, _)), None) => Ok(Some(i)),
                        (None, _) => {
                            let known = listed(names);
                            Err(map.wrong(
                                &key,
                                format!("{name:?}"),
                                format!("the file has {known}"),
                            ))
                        }
                        _ => {
                            Err(map.wrong(&key, format!("{name:?}"), "two columns have this name"))
                        }
                    }
                }
            }
        };
        let scaled = |choices: &[(&str, &Option<Column>, f64)]| -> Result<Option<(usize, f64)>> {
            for (key, column, factor) in choices {
                if let Some(i) = find(key, column)? {
                    return Ok(Some((i, *factor)));
                }
            }
            Ok(None)
        };
        let c = columns;
        let from = find("clipped_from_s", &c.clipped_from_s)?;
        let to = find("clipped_to_s", &c.clipped_to_s)?;
        Ok(Self {
            beam: find("beam", &c.beam)?,
            pass: find("pass", &c.pass)?,
            time: scaled(&[
                ("time_s", &c.time_s, 1.0),
                ("time_ms", &c.time_ms, 1e-3),
                ("time_us", &c.time_us, 1e-6),
            ])?,
            z: scaled(&[("z_m", &c.z_m, 1.0), ("z_mm", &c.z_mm, 1e-3)])?,
            turn: scaled(&[
                ("turn_rad", &c.turn_rad, 1.0),
                ("turn_deg", &c.turn_deg, std::f64::consts::PI / 180.0),
            ])?,
            clipped: from.zip(to).map(|(a, b)| [a, b]),
            first_sample: find("first_sample", &c.first_sample)?,
        })
    }
}

/// The first names, for a message.
fn listed(names: &[String]) -> String {
    const SHOWN: usize = 12;
    if names.is_empty() {
        return "no header row; give the column's number".to_owned();
    }
    let shown: Vec<&str> = names.iter().take(SHOWN).map(String::as_str).collect();
    let more = if names.len() > SHOWN { ", ..." } else { "" };
    format!("the columns {}{more}", shown.join(", "))
}

/// Makes places of rows.
#[derive(Debug)]
pub(super) struct Resolver<'a> {
    map: &'a ImportMap,
    beams: usize,
    first_s: Option<f64>,
}

impl<'a> Resolver<'a> {
    pub fn new(map: &'a ImportMap, beams: usize) -> Self {
        Self { map, beams, first_s: None }
    }

    /// The place of the shot (or cycle) of that number. The beam is left at 0 where none is told.
    pub fn place(&mut self, found: &Found, row: &impl Row, shot: u64) -> Result<Place> {
        let needed = |column: usize| {
            row.number(column)?.ok_or_else(|| row.wrong(column, "the field is empty".to_owned()))
        };
        let motion = &self.map.motion;
        let beam = match (found.beam, self.map.beams.fixed) {
            (Some(column), _) => {
                let theirs = row.text(column)?;
                self.beam(&theirs).map_err(|message| row.wrong(column, message))?
            }
            (None, Some(_)) => self.fixed()?,
            (None, None) => 0,
        };
        let pass = match found.pass {
            None => 0,
            Some(column) => {
                let pass = needed(column)?;
                if pass.fract() != 0.0 || !(0.0..=f64::from(u16::MAX)).contains(&pass) {
                    return Err(row.wrong(column, format!("{pass} is no pass from 0 to 65535")));
                }
                pass as u16
            }
        };
        let time_s = match found.time {
            Some((column, factor)) => needed(column)? * factor,
            None => shot as f64 * motion.interval_us.unwrap_or(0.0) * 1e-6,
        };
        let first_s = *self.first_s.get_or_insert(time_s);
        let time_s = if motion.time_from_first_shot { time_s - first_s } else { time_s };
        let z_m = match found.z {
            Some((column, factor)) => needed(column)? * factor,
            None => motion.start_mm.unwrap_or(0.0) * 1e-3 + motion.speed_m_s * time_s,
        };
        let turn_rad = match found.turn {
            Some((column, factor)) => needed(column)? * factor,
            None => motion.turn_deg.to_radians(),
        };
        let clipped_s = match found.clipped {
            Some([from, to]) => {
                let limit =
                    |c| Ok::<_, CaptureError>(row.number(c)?.map_or(f32::NAN, |x| x as f32));
                [limit(from)?, limit(to)?]
            }
            None => [f32::NAN; 2],
        };
        Ok(Place { pass, beam, time_s, z_m, turn_rad: turn_rad as f32, clipped_s })
    }

    fn fixed(&self) -> Result<u32> {
        let fixed = self.map.beams.fixed.unwrap_or(0);
        if (fixed as usize) < self.beams {
            return Ok(fixed);
        }
        let wanted = format!("the technique has beams 0 to {}", self.beams.saturating_sub(1));
        Err(self.map.wrong("beams.fixed", fixed, wanted))
    }

    /// Our number of their beam, or why there is none.
    pub fn beam(&self, theirs: &str) -> std::result::Result<u32, String> {
        let numbers = &self.map.beams;
        let ours = match &numbers.map {
            Some(map) => *map
                .get(theirs)
                .ok_or_else(|| format!("beam {theirs:?} is not among those of beams.map"))?,
            None => {
                // A whole number, though it be written as 3.0.
                let n = theirs
                    .parse::<f64>()
                    .ok()
                    .filter(|x| x.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(x))
                    .ok_or_else(|| format!("{theirs:?} is no beam's number"))?;
                (n as u32).checked_sub(numbers.counted_from).ok_or_else(|| {
                    format!("beam {theirs} comes before the first, {}", numbers.counted_from)
                })?
            }
        };
        if (ours as usize) < self.beams {
            return Ok(ours);
        }
        let last = self.beams.saturating_sub(1);
        Err(format!("beam {theirs} is our beam {ours}, the technique has beams 0 to {last}"))
    }
}

//! What a mapping document must hold.

use barwright_job::{DocumentError, Result, limits::Limits};

use super::{Axis, Column, Columns, FORMAT, ImportMap};

impl ImportMap {
    pub(super) fn check(&self) -> Result<()> {
        let l = Limits { document: &self.document };
        l.format("import map", self.format, FORMAT)?;
        match (&self.csv, &self.npy) {
            (Some(csv), None) => {
                delimiter(&l, "csv", csv.delimiter, csv.decimal_comma)?;
                csv.columns.check(&l, "csv.columns", self)?;
                if csv.columns.first_sample.is_none() {
                    return Err(absent(&l, "csv.columns.first_sample"));
                }
            }
            (None, Some(npy)) => {
                for axis in [Axis::Shot, Axis::Sample, Axis::Beam] {
                    let n = npy.axes.iter().filter(|&&a| a == axis).count();
                    if n > 1 || (n == 0 && axis != Axis::Beam) {
                        let found = format!("{:?}", npy.axes).to_lowercase();
                        let wanted = "\"shot\" and \"sample\" once, \"beam\" at most once";
                        return Err(l.impossible("npy.axes", found, wanted));
                    }
                }
                let columns = match &npy.places {
                    Some(places) => {
                        delimiter(&l, "npy.places", places.delimiter, places.decimal_comma)?;
                        places.columns.clone()
                    }
                    None => Columns::default(),
                };
                if columns.first_sample.is_some() {
                    let wanted = "samples stand in the NPY file";
                    return Err(l.impossible("npy.places.columns.first_sample", "given", wanted));
                }
                let by_axis = npy.axes.contains(&Axis::Beam);
                if by_axis && columns.beam.is_some() {
                    let wanted = "beams have an axis of their own";
                    return Err(l.impossible("npy.places.columns.beam", "given", wanted));
                }
                if by_axis && self.beams.fixed.is_some() {
                    return Err(l.impossible("beams.fixed", "given", "beams have an axis"));
                }
                if !by_axis && columns.beam.is_none() && self.beams.fixed.is_none() {
                    let wanted = "an axis \"beam\", a column or beams.fixed must tell the beam";
                    return Err(l.impossible("npy.places.columns.beam", "absent", wanted));
                }
                columns.check_places(&l, "npy.places.columns", self)?;
            }
            _ => {
                let wanted = "exactly one of [csv] and [npy] must be there";
                let found = if self.csv.is_some() { "given beside npy" } else { "absent" };
                return Err(l.impossible("csv", found, wanted));
            }
        }
        let s = &self.samples;
        l.positive("samples.full_scale", s.full_scale, "")?;
        l.positive("samples.sample_rate_mhz", s.sample_rate_mhz, "MHz")?;
        l.within("samples.zero", s.zero, -1e12, 1e12, "")?;
        l.within("samples.first_sample_us", s.first_sample_us, -1e6, 1e6, "us")?;
        if let Some(percent) = s.full_scale_fsh_percent {
            l.positive("samples.full_scale_fsh_percent", percent, "%")?;
        }
        if s.count == Some(0) {
            return Err(l.impossible("samples.count", 0, "at least 1"));
        }
        if let Some(length_mm) = self.capture.length_mm {
            l.within("capture.length_mm", length_mm, 1.0, 100e3, "mm")?;
        }
        if self.beams.fixed.is_some() && self.beams.map.is_some() {
            return Err(l.impossible("beams.map", "given", "beams.fixed says the beam already"));
        }
        if self.beams.map.is_some() && self.beams.counted_from != 0 {
            return Err(l.impossible("beams.counted_from", "given", "beams.map says all beams"));
        }
        let m = &self.motion;
        if let Some(interval_us) = m.interval_us {
            l.positive("motion.interval_us", interval_us, "us")?;
        }
        if let Some(start_mm) = m.start_mm {
            l.within("motion.start_mm", start_mm, -100e3, 100e3, "mm")?;
        }
        l.within("motion.speed_m_s", m.speed_m_s, -100.0, 100.0, "m/s")?;
        l.within("motion.turn_deg", m.turn_deg, -1e6, 1e6, "degrees")
    }
}

impl Columns {
    fn check(&self, l: &Limits<'_>, at: &str, map: &ImportMap) -> Result<()> {
        if self.beam.is_none() && map.beams.fixed.is_none() {
            let wanted = "a column or beams.fixed must tell the beam";
            return Err(l.impossible(&format!("{at}.beam"), "absent", wanted));
        }
        self.check_places(l, at, map)
    }

    fn check_places(&self, l: &Limits<'_>, at: &str, map: &ImportMap) -> Result<()> {
        let wrong = |key: &str, value: &str, wanted: &str| {
            Err(l.impossible(&format!("{at}.{key}"), value, wanted))
        };
        if self.beam.is_some() && map.beams.fixed.is_some() {
            return wrong("beam", "given", "beams.fixed says the beam already");
        }
        let count = |columns: &[&Option<Column>]| columns.iter().filter(|c| c.is_some()).count();
        let times = count(&[&self.time_s, &self.time_ms, &self.time_us]);
        match (times, map.motion.interval_us) {
            (0, None) => {
                return wrong(
                    "time_s",
                    "absent",
                    "a column or motion.interval_us must tell the time",
                );
            }
            (0, Some(_)) | (1, None) => {}
            (1, Some(_)) => {
                return wrong("time_s", "given", "motion.interval_us says the time already");
            }
            _ => return wrong("time_s", "given more than once", "one column tells the time"),
        }
        match (count(&[&self.z_m, &self.z_mm]), map.motion.start_mm) {
            (0, None) => {
                return wrong("z_m", "absent", "a column or motion.start_mm must tell the place");
            }
            (0, Some(_)) | (1, None) => {}
            (1, Some(_)) => return wrong("z_m", "given", "motion.start_mm says the place already"),
            _ => return wrong("z_m", "given more than once", "one column tells the place"),
        }
        if count(&[&self.turn_rad, &self.turn_deg]) > 1 {
            return wrong("turn_rad", "given more than once", "one column tells the turn");
        }
        if self.clipped_from_s.is_some() != self.clipped_to_s.is_some() {
            return wrong(
                "clipped_to_s",
                "not beside clipped_from_s",
                "both or none must be there",
            );
        }
        Ok(())
    }
}

fn absent(l: &Limits<'_>, key: &str) -> DocumentError {
    l.impossible(key, "absent", "it must be given")
}

fn delimiter(l: &Limits<'_>, at: &str, found: char, decimal_comma: bool) -> Result<()> {
    let key = format!("{at}.delimiter");
    if !found.is_ascii() || found.is_ascii_alphanumeric() || "\"\r\n.+-".contains(found) {
        return Err(l.impossible(
            &key,
            format!("{found:?}"),
            "a comma, semicolon, tab or the like",
        ));
    }
    if decimal_comma && found == ',' {
        return Err(l.impossible(&key, "a comma", "numbers have commas (decimal_comma)"));
    }
    Ok(())
}

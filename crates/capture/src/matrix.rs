//! Full matrices: every element transmits in turn while all receive.
//!
//! A folder holds `fmc.npy`, axes transmit, receive, sample, and `meta.json` beside it, which says
//! how it was taken. The layout is described in `docs/full-matrix.md`.

use std::f64::consts::FRAC_PI_2;
use std::path::{Path, PathBuf};

use barwright_job::Hash;
use barwright_wave::{Element, Point, array::arc};
use npyz::WriterBuilder as _;
use serde::{Deserialize, Serialize};

use crate::error::{CaptureError, Result};
use crate::hash::hash_file;
use crate::npy::read_npy;

/// The latest format of `meta.json` that this program reads.
const FORMAT: u32 = 1;

/// Height from which a trace counts as clipped, as a fraction of full scale: the last code of a
/// 12-bit converter is at 0.9995.
pub const CLIPPED: f32 = 0.9995;

/// A full matrix in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct FullMatrix {
    /// Name of the folder it came from.
    pub name: String,
    /// BLAKE3 hash of the NPY file; empty for a matrix that was made in memory.
    pub hash: Hash,
    /// The array.
    pub array: MatrixArray,
    /// How the array stood to the steel.
    pub coupling: MatrixCoupling,
    /// Longitudinal velocity of the material in m/s, where stated.
    pub longitudinal_m_s: Option<f64>,
    /// Shear velocity of the material in m/s, where stated.
    pub shear_m_s: Option<f64>,
    /// Velocity of the water in m/s, where stated.
    pub water_m_s: Option<f64>,
    /// Thickness of the block in metres, where stated.
    pub thickness_m: Option<f64>,
    /// Sampling rate in Hz.
    pub sample_rate_hz: f64,
    /// Time of the first sample from firing, in seconds.
    pub first_sample_s: f64,
    /// Samples of one trace.
    pub samples: usize,
    /// All traces, `[transmit][receive][sample]`, as fractions of full scale.
    pub values: Vec<f32>,
}

/// The array of a matrix.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MatrixArray {
    /// Number of elements.
    pub elements: usize,
    /// Pitch in metres.
    pub pitch_m: f64,
    /// Width of an element in metres.
    pub element_width_m: f64,
    /// Length of an element in metres.
    pub element_length_m: f64,
    /// Centre frequency in Hz.
    pub centre_frequency_hz: f64,
    /// Radius in metres of a concave array whose elements face one point; absent for a straight one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arc_radius_m: Option<f64>,
    /// Way in the water, in metres, at which faces that are curved along the bar focus; absent for straight ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elevation_focus_m: Option<f64>,
}

impl MatrixArray {
    /// The elements about the middle of the array: that is the origin, they face +y and count along +x.
    #[must_use]
    pub fn elements(&self) -> Vec<Element> {
        let (count, pitch, width, length) =
            (self.elements, self.pitch_m, self.element_width_m, self.element_length_m);
        let Some(radius) = self.arc_radius_m else {
            let middle = (count as f64 - 1.0) / 2.0;
            let at = |k: usize| Point::new((k as f64 - middle) * pitch, 0.0);
            let element = |k| Element {
                centre: at(k),
                facing_rad: FRAC_PI_2,
                width_m: width,
                length_m: length,
            };
            return (0..count).map(element).collect();
        };
        let mut elements = arc(radius, -FRAC_PI_2, count, pitch, width, length);
        for e in &mut elements {
            e.centre.y += radius;
        }
        elements
    }
}

/// How the array stood to the steel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MatrixCoupling {
    /// On the surface.
    Contact,
    /// In water.
    Immersion,
}

impl FullMatrix {
    /// Reads a matrix from its folder.
    ///
    /// # Errors
    /// [`CaptureError::Absent`] where one of the two files is missing, [`CaptureError::TooNew`] for
    /// a later format, [`CaptureError::WrongKind`] for other data, [`CaptureError::Impossible`] for
    /// a missing key (named) or a value that cannot be, [`CaptureError::Mismatch`] where shape and
    /// array disagree, and those of [`read_npy`]. Unknown keys are left aside.
    pub fn read(folder: &Path) -> Result<Self> {
        let path = folder.join("meta.json");
        let meta = read_meta(&path)?;
        let data = folder.join("fmc.npy");
        let mut array = read_npy(&data)?;
        let n = meta.array.elements;
        let [transmit, receive, samples] = array.shape[..] else {
            return Err(CaptureError::Mismatch {
                what: "axes of the full matrix",
                found: format!("{} has shape {:?}", data.display(), array.shape),
                wanted: format!("{} names transmit, receive, sample", path.display()),
            });
        };
        if (transmit, receive) != (n, n) {
            return Err(CaptureError::Mismatch {
                what: "elements of the full matrix",
                found: format!("{} has {transmit} x {receive} traces", data.display()),
                wanted: format!("{} says {n} elements", path.display()),
            });
        }
        if samples == 0 {
            return Err(CaptureError::corrupt(&data, "its traces have no samples"));
        }
        let scale = (1.0 / meta.full_scale) as f32;
        array.values.iter_mut().for_each(|x| *x *= scale);
        Ok(Self {
            name: folder
                .file_name()
                .map_or_else(|| "full matrix".to_owned(), |n| n.to_string_lossy().into_owned()),
            hash: hash_file(&data)?,
            array: meta.array,
            coupling: meta.coupling,
            longitudinal_m_s: meta.material.as_ref().and_then(|m| m.longitudinal_velocity_m_s),
            shear_m_s: meta.material.as_ref().and_then(|m| m.shear_velocity_m_s),
            water_m_s: meta.water.and_then(|w| w.velocity_m_s),
            thickness_m: meta.thickness_m,
            sample_rate_hz: meta.sample_rate_hz,
            first_sample_s: meta.first_sample_s,
            samples,
            values: array.values,
        })
    }

    /// Writes the matrix into a folder, with 16 bits a sample; what is there already is written over. Returns the hash of the
    /// numbers' file.
    ///
    /// # Errors
    /// [`CaptureError::Io`] where writing fails.
    pub fn write(&self, folder: &Path) -> Result<Hash> {
        let (data, meta) = (folder.join("fmc.npy"), folder.join("meta.json"));
        let fail = CaptureError::writing;
        std::fs::create_dir_all(folder).map_err(|e| fail(folder, e))?;
        let full = f32::from(i16::MAX);
        let counts = self.values.iter().map(|v| (v * full).round().clamp(-full, full) as i16);
        let axes = [self.array.elements, self.array.elements, self.samples].map(|n| n as u64);
        let fresh = data.with_extension("npy.new");
        let write = || -> std::io::Result<()> {
            let file = std::io::BufWriter::new(std::fs::File::create(&fresh)?);
            let mut writer = npyz::WriteOptions::<i16>::new()
                .default_dtype()
                .shape(&axes)
                .writer(file)
                .begin_nd()?;
            writer.extend(counts)?;
            writer.finish()?;
            std::fs::rename(&fresh, &data)
        };
        write().map_err(|e| fail(&data, e))?;
        let words = serde_json::json!({
            "format": FORMAT,
            "kind": "full-matrix",
            "axes": ["transmit", "receive", "sample"],
            "sample_rate_hz": self.sample_rate_hz,
            "first_sample_s": self.first_sample_s,
            "full_scale": i16::MAX,
            "array": self.array,
            "coupling": self.coupling,
            "material": Material {
                longitudinal_velocity_m_s: self.longitudinal_m_s,
                shear_velocity_m_s: self.shear_m_s,
            },
            "water": Water { velocity_m_s: self.water_m_s },
            "thickness_m": self.thickness_m,
        });
        std::fs::write(&meta, format!("{words:#}\n")).map_err(|e| fail(&meta, e))?;
        hash_file(&data)
    }

    /// The trace of one pair of elements. Valid for elements of the array.
    #[must_use]
    pub fn trace(&self, transmit: usize, receive: usize) -> &[f32] {
        let start = (transmit * self.array.elements + receive) * self.samples;
        &self.values[start..start + self.samples]
    }

    /// Gives each pair that was recorded one way only (the other all nought, as in a half matrix) the same in the other
    /// direction, which reciprocity says; returns how many.
    pub fn complete(&mut self) -> usize {
        let (n, samples) = (self.array.elements, self.samples);
        let mut completed = 0;
        for (t, r) in (0..n).flat_map(|t| (0..n).map(move |r| (t, r))) {
            if self.is_silent(t, r) && !self.is_silent(r, t) {
                let (from, to) = ((r * n + t) * samples, (t * n + r) * samples);
                self.values.copy_within(from..from + samples, to);
                completed += 1;
            }
        }
        completed
    }

    /// Whether nothing was recorded of a pair.
    #[must_use]
    pub fn is_silent(&self, transmit: usize, receive: usize) -> bool {
        self.trace(transmit, receive).iter().all(|x| *x == 0.0)
    }

    /// Time of a sample from firing, in seconds.
    #[must_use]
    pub fn time_s(&self, sample: usize) -> f64 {
        self.first_sample_s + sample as f64 / self.sample_rate_hz
    }
}

/// What `meta.json` says, as far as it is needed.
#[derive(Debug, Deserialize)]
struct Meta {
    axes: Vec<String>,
    sample_rate_hz: f64,
    first_sample_s: f64,
    full_scale: f64,
    array: MatrixArray,
    coupling: MatrixCoupling,
    material: Option<Material>,
    water: Option<Water>,
    thickness_m: Option<f64>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Material {
    longitudinal_velocity_m_s: Option<f64>,
    shear_velocity_m_s: Option<f64>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Water {
    velocity_m_s: Option<f64>,
}

/// What must be known before anything else is believed.
#[derive(Debug, Deserialize)]
struct Stamp {
    format: Option<u32>,
    kind: Option<String>,
}

fn read_meta(path: &Path) -> Result<Meta> {
    let text = std::fs::read_to_string(path).map_err(|e| CaptureError::reading(path, e))?;
    let value: serde_json::Value = serde_json::from_str(&text)
        .map_err(|e| CaptureError::corrupt(path, format!("not JSON: {e}")))?;
    let stamp = Stamp::deserialize(&value)
        .map_err(|e| CaptureError::corrupt(path, format!("no format and kind: {e}")))?;
    if stamp.kind.as_deref() != Some("full-matrix") {
        return Err(CaptureError::WrongKind {
            path: path.to_owned(),
            found: stamp.kind.unwrap_or_else(|| "file without a kind".into()),
            wanted: "full-matrix",
        });
    }
    match stamp.format {
        Some(1..=FORMAT) => {}
        Some(found) if found > FORMAT => {
            return Err(CaptureError::TooNew {
                path: path.to_owned(),
                kind: "full-matrix",
                found,
                known: FORMAT,
            });
        }
        _ => return Err(impossible(path, "format", "absent or 0", "it must be 1")),
    }
    let meta = Meta::deserialize(&value)
        .map_err(|e| impossible(path, "its content", &e.to_string(), "see the format"))?;
    if meta.axes != ["transmit", "receive", "sample"] {
        let found = meta.axes.join(", ");
        return Err(impossible(path, "axes", &found, "transmit, receive, sample"));
    }
    if meta.array.elements == 0 {
        return Err(impossible(path, "array.elements", "0", "at least 1"));
    }
    if !meta.first_sample_s.is_finite() {
        let found = meta.first_sample_s.to_string();
        return Err(impossible(path, "first_sample_s", &found, "a time in s"));
    }
    let a = &meta.array;
    let stated = [
        ("sample_rate_hz", Some(meta.sample_rate_hz)),
        ("full_scale", Some(meta.full_scale)),
        ("array.pitch_m", Some(a.pitch_m)),
        ("array.element_width_m", Some(a.element_width_m)),
        ("array.element_length_m", Some(a.element_length_m)),
        ("array.centre_frequency_hz", Some(a.centre_frequency_hz)),
        ("array.arc_radius_m", a.arc_radius_m),
        ("array.elevation_focus_m", a.elevation_focus_m),
        ("thickness_m", meta.thickness_m),
        (
            "material.longitudinal_velocity_m_s",
            meta.material.as_ref().and_then(|m| m.longitudinal_velocity_m_s),
        ),
        ("material.shear_velocity_m_s", meta.material.as_ref().and_then(|m| m.shear_velocity_m_s)),
        ("water.velocity_m_s", meta.water.as_ref().and_then(|w| w.velocity_m_s)),
    ];
    for (key, value) in stated {
        if let Some(value) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
            let found = value.to_string();
            return Err(impossible(path, key, &found, "finite and positive"));
        }
    }
    // Elements on an arc that do not fit half a circle face one another.
    if let Some(radius) = a.arc_radius_m
        && (a.elements as f64 - 1.0) * a.pitch_m > std::f64::consts::PI * radius
    {
        let found = format!("{radius} m for {} elements", a.elements);
        return Err(impossible(
            path,
            "array.arc_radius_m",
            &found,
            "an array of half a circle at most",
        ));
    }
    Ok(meta)
}

fn impossible(path: &Path, key: &str, value: &str, expected: &str) -> CaptureError {
    CaptureError::Impossible {
        what: format!("{key} of {}", PathBuf::from(path).display()),
        value: value.to_owned(),
        expected: expected.to_owned(),
    }
}

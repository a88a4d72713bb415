//! Numbers from NPY files (NumPy's own array format).

use std::fs::File;
use std::io::{BufReader, Seek};
use std::path::Path;

use npyz::{DType, NpyFile, NpyHeader, Order, TypeChar};

use crate::error::{CaptureError, Result};

/// An array of numbers, last axis fastest.
#[derive(Debug, Clone, PartialEq)]
pub struct NpyArray {
    /// Length of each axis.
    pub shape: Vec<usize>,
    /// The numbers as stored, converted without scaling.
    pub values: Vec<f32>,
}

/// Reads an array of 16-bit integers or of 32- or 64-bit floating-point numbers.
///
/// # Errors
/// [`CaptureError::Absent`] without the file, [`CaptureError::Corrupt`] for one that is no NPY file
/// or shorter or longer than its header says, or that holds a number that is not finite (NaN or
/// infinite, or beyond single precision), [`CaptureError::Impossible`] for other types or column
/// order, [`CaptureError::Io`] where reading fails.
pub fn read_npy(path: &Path) -> Result<NpyArray> {
    let fail = |e| CaptureError::reading(path, e);
    let file = File::open(path).map_err(fail)?;
    let bytes = file.metadata().map_err(fail)?.len();
    let mut reader = BufReader::new(file);
    let header = NpyHeader::from_reader(&mut reader)
        .map_err(|e| CaptureError::corrupt(path, format!("no NPY header: {e}")))?;
    let impossible = |what: &str, value: String, expected: &str| CaptureError::Impossible {
        what: format!("the {what} of {}", path.display()),
        value,
        expected: expected.to_owned(),
    };
    if header.order() != Order::C {
        return Err(impossible(
            "order of axes",
            "Fortran order".into(),
            "only C order (last axis fastest) is read",
        ));
    }
    let dtype = header.dtype();
    let (kind, size) = match &dtype {
        DType::Plain(t) => (t.type_char(), t.size_field()),
        _ => (TypeChar::RawData, 0),
    };
    if !matches!((kind, size), (TypeChar::Int, 2) | (TypeChar::Float, 4 | 8)) {
        return Err(impossible(
            "type of number",
            dtype.descr(),
            "int16, float32 and float64 are read",
        ));
    }
    let shape = header.shape().iter().map(|&n| usize::try_from(n).ok()).collect::<Option<Vec<_>>>();
    let needed = header.shape().iter().try_fold(size, |product, &n| product.checked_mul(n));
    let (Some(shape), Some(needed)) = (shape, needed) else {
        return Err(CaptureError::corrupt(path, "its shape is beyond memory"));
    };
    // Before reading, so that a false shape cannot ask for memory.
    let held = bytes.saturating_sub(reader.stream_position().map_err(fail)?);
    if held != needed {
        return Err(CaptureError::corrupt(
            path,
            format!("its shape {shape:?} needs {needed} bytes of numbers, it has {held}"),
        ));
    }
    let npy = NpyFile::with_header(header, reader);
    let values: Vec<f32> = match (kind, size) {
        (TypeChar::Int, _) => npy.into_vec::<i16>().map(|v| v.into_iter().map(f32::from).collect()),
        (_, 4) => npy.into_vec::<f32>(),
        _ => npy.into_vec::<f64>().map(|v| v.into_iter().map(|x| x as f32).collect()),
    }
    .map_err(fail)?;
    if let Some(i) = values.iter().position(|x| !x.is_finite()) {
        return Err(CaptureError::corrupt(
            path,
            format!("number {i} of {} is not finite", values.len()),
        ));
    }
    Ok(NpyArray { shape, values })
}

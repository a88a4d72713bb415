//! NPY arrays whose numbers are read where they are asked for.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use npyz::{DType, Endianness, NpyHeader, Order, TypeChar};

use crate::error::{CaptureError, Result};

/// A type of number in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Number {
    I8,
    U8,
    I16,
    U16,
    I32,
    F32,
    F64,
}

impl Number {
    const fn bytes(self) -> usize {
        match self {
            Self::I8 | Self::U8 => 1,
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// The number of little-endian bytes. Valid for as many bytes as it has.
    fn value(self, b: &[u8]) -> f64 {
        match self {
            Self::I8 => f64::from(b[0].cast_signed()),
            Self::U8 => f64::from(b[0]),
            Self::I16 => f64::from(i16::from_le_bytes([b[0], b[1]])),
            Self::U16 => f64::from(u16::from_le_bytes([b[0], b[1]])),
            Self::I32 => f64::from(i32::from_le_bytes([b[0], b[1], b[2], b[3]])),
            Self::F32 => f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]])),
            Self::F64 => f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]),
        }
    }
}

/// An open array, whose numbers are read where they are asked for.
pub(super) struct Array {
    pub path: PathBuf,
    reader: BufReader<File>,
    start: u64,
    /// Place in the file that is read next, in numbers.
    next: u64,
    number: Number,
    swapped: bool,
    pub shape: Vec<u64>,
    /// Numbers from one entry of an axis to the next.
    pub strides: Vec<u64>,
    bytes: Vec<u8>,
}

impl Array {
    pub fn open(path: &Path) -> Result<Self> {
        let fail = |e| CaptureError::reading(path, e);
        let file = File::open(path).map_err(fail)?;
        let held = file.metadata().map_err(fail)?.len();
        let mut reader = BufReader::with_capacity(1 << 18, file);
        let header = NpyHeader::from_reader(&mut reader)
            .map_err(|e| CaptureError::corrupt(path, format!("no NPY header: {e}")))?;
        let dtype = header.dtype();
        let kind = match &dtype {
            DType::Plain(t) => match (t.type_char(), t.size_field()) {
                (TypeChar::Int, 1) => Some(Number::I8),
                (TypeChar::Uint, 1) => Some(Number::U8),
                (TypeChar::Int, 2) => Some(Number::I16),
                (TypeChar::Uint, 2) => Some(Number::U16),
                (TypeChar::Int, 4) => Some(Number::I32),
                (TypeChar::Float, 4) => Some(Number::F32),
                (TypeChar::Float, 8) => Some(Number::F64),
                _ => None,
            }
            .map(|number| (number, t.endianness() == Endianness::Big)),
            _ => None,
        };
        let Some((number, swapped)) = kind else {
            return Err(CaptureError::Impossible {
                what: format!("the type of number of {}", path.display()),
                value: dtype.descr(),
                expected: "int8, uint8, int16, uint16, int32, float32 and float64 are read".into(),
            });
        };
        let shape = header.shape().to_vec();
        let start = reader.stream_position().map_err(fail)?;
        let needed = shape.iter().try_fold(number.bytes() as u64, |n, &k| n.checked_mul(k));
        if needed != Some(held.saturating_sub(start)) {
            let held = held.saturating_sub(start);
            return Err(CaptureError::corrupt(
                path,
                format!("its shape {shape:?} does not fit its {held} bytes of numbers"),
            ));
        }
        let mut strides = vec![1; shape.len()];
        match header.order() {
            Order::C => (1..shape.len()).rev().for_each(|i| strides[i - 1] = strides[i] * shape[i]),
            Order::Fortran => {
                (1..shape.len()).for_each(|i| strides[i] = strides[i - 1] * shape[i - 1])
            }
        }
        Ok(Self {
            path: path.to_owned(),
            reader,
            start,
            next: 0,
            number,
            swapped,
            shape,
            strides,
            bytes: Vec::new(),
        })
    }

    /// Reads numbers that lie one after another.
    pub fn read(&mut self, from: u64, count: usize, out: &mut Vec<f64>) -> Result<()> {
        let size = self.number.bytes();
        let fail = |path: &Path, e| CaptureError::reading(path, e);
        if from != self.next {
            self.reader
                .seek(SeekFrom::Start(self.start + from * size as u64))
                .map_err(|e| fail(&self.path, e))?;
        }
        self.bytes.resize(count * size, 0);
        self.reader.read_exact(&mut self.bytes).map_err(|e| fail(&self.path, e))?;
        self.next = from + count as u64;
        if self.swapped {
            self.bytes.chunks_exact_mut(size).for_each(<[u8]>::reverse);
        }
        out.clear();
        out.extend(self.bytes.chunks_exact(size).map(|b| self.number.value(b)));
        Ok(())
    }
}

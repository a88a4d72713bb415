//! Reading a table, with every byte proved before it is decoded.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::RecordBatch;
use bytes::{Buf, Bytes, buf::Reader};
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::metadata::ParquetMetaDataReader;
use parquet::file::reader::{ChunkReader, Length};

use super::{FORMAT, GROUPS, Group, HASH_BYTES, KIND, Kind, TAIL_BYTES};
use crate::error::{CaptureError, Result};

/// An open table.
#[derive(Debug)]
pub(crate) struct TableReader {
    path: PathBuf,
    file: File,
    footer: ArrowReaderMetadata,
    values: BTreeMap<String, String>,
    groups: Vec<Group>,
}

impl TableReader {
    /// Opens a table of a kind: reads and proves its footer.
    pub(crate) fn open(path: &Path, kind: &Kind) -> Result<Self> {
        let file = File::open(path).map_err(|e| CaptureError::reading(path, e))?;
        let corrupt = |message: String| CaptureError::corrupt(path, message);
        let about = file.metadata().map_err(|e| CaptureError::reading(path, e))?;
        if !about.is_file() {
            return Err(corrupt("it is a folder, not a file".to_owned()));
        }
        let no_footer =
            |e: ParquetError| corrupt(format!("its {} bytes have no footer: {e}", about.len()));
        let sound =
            footer_is_sound(&file, about.len()).map_err(|e| CaptureError::reading(path, e))?;
        // Kind and format come first: a later format may seal its footer differently.
        let metadata = ParquetMetaDataReader::new().parse_and_finish(&file).map_err(no_footer)?;
        let values: BTreeMap<String, String> = metadata
            .file_metadata()
            .key_value_metadata()
            .into_iter()
            .flatten()
            .map(|kv| (kv.key.clone(), kv.value.clone().unwrap_or_default()))
            .collect();
        demand_kind(path, kind, &values)?;
        if !sound {
            return Err(corrupt("its footer does not agree with its hash".into()));
        }
        // The columns follow from the Parquet schema; the writer's own copy of it is for others.
        let options = ArrowReaderOptions::new().with_skip_arrow_metadata(true);
        let footer =
            ArrowReaderMetadata::try_new(Arc::new(metadata), options).map_err(no_footer)?;
        let groups: Vec<Group> = values
            .get(GROUPS)
            .and_then(|text| serde_json::from_str(text).ok())
            .ok_or_else(|| corrupt(format!("its {GROUPS} cannot be read")))?;
        let stated = footer.metadata().row_groups();
        if groups.len() != stated.len() {
            return Err(corrupt(format!("{} row groups, {} sealed", stated.len(), groups.len())));
        }
        for (i, (group, stated)) in groups.iter().zip(stated).enumerate() {
            let end = group.start.checked_add(group.length);
            if end.is_none_or(|end| end > about.len())
                || u64::try_from(stated.num_rows()) != Ok(group.rows)
            {
                return Err(corrupt(format!("row group {i} is not where it was sealed")));
            }
        }
        Ok(Self { path: path.to_owned(), file, footer, values, groups })
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// A value of the metadata that the kind demands.
    pub(crate) fn value(&self, key: &str) -> Result<&str> {
        self.values
            .get(key)
            .map(String::as_str)
            .ok_or_else(|| self.corrupt(format!("its metadata has no {key}")))
    }

    pub(crate) fn groups(&self) -> usize {
        self.groups.len()
    }

    /// Number of rows in all groups.
    pub(crate) fn rows(&self) -> u64 {
        self.groups.iter().map(|g| g.rows).sum()
    }

    /// Reads and proves one row group, then hands on its rows, at most so many at a time. Small
    /// batches stay in a core's cache. Valid for `index < groups()`.
    pub(crate) fn group(
        &self,
        index: usize,
        at_a_time: usize,
        mut take: impl FnMut(&RecordBatch) -> Result<()>,
    ) -> Result<()> {
        let group = &self.groups[index];
        let bytes = self.bytes_of(group)?;
        if blake3::hash(&bytes).to_hex().as_str() != group.hash.0 {
            return Err(self.corrupt(format!(
                "the {} bytes of row group {index} do not agree with their hash",
                group.length
            )));
        }
        let part = Stretch { start: group.start, bytes: bytes.into() };
        let undecodable = |e: String| self.corrupt(format!("row group {index}: {e}"));
        let reader = ParquetRecordBatchReaderBuilder::new_with_metadata(part, self.footer.clone())
            .with_row_groups(vec![index])
            .with_batch_size(at_a_time.max(1))
            .build()
            .map_err(|e| undecodable(e.to_string()))?;
        let mut rows = 0;
        for batch in reader {
            let batch = batch.map_err(|e| undecodable(e.to_string()))?;
            rows += batch.num_rows() as u64;
            take(&batch)?;
        }
        if rows != group.rows {
            return Err(undecodable(format!("{rows} rows of {} could be read", group.rows)));
        }
        Ok(())
    }

    /// Number of rows of one group. Valid for `index < groups()`.
    pub(crate) fn rows_of(&self, index: usize) -> usize {
        usize::try_from(self.groups[index].rows).unwrap_or(usize::MAX)
    }

    fn bytes_of(&self, group: &Group) -> Result<Vec<u8>> {
        let fail = |e| CaptureError::reading(&self.path, e);
        let length = usize::try_from(group.length)
            .map_err(|_| self.corrupt("a row group is larger than memory"))?;
        let mut file = &self.file;
        file.seek(SeekFrom::Start(group.start)).map_err(fail)?;
        let mut bytes = Vec::with_capacity(length);
        file.take(group.length).read_to_end(&mut bytes).map_err(fail)?;
        Ok(bytes)
    }

    pub(crate) fn corrupt(&self, message: impl Into<String>) -> CaptureError {
        CaptureError::corrupt(&self.path, message)
    }

    /// A column of a batch by name, as the array type the kind demands.
    pub(crate) fn column<'a, T: 'static>(
        &self,
        batch: &'a RecordBatch,
        name: &str,
    ) -> Result<&'a T> {
        batch
            .column_by_name(name)
            .and_then(|c| c.as_any().downcast_ref::<T>())
            .ok_or_else(|| self.corrupt(format!("it has no column {name} of its type")))
    }
}

/// Whether a footer is there and agrees with the hash ahead of it.
fn footer_is_sound(mut file: &File, size: u64) -> std::io::Result<bool> {
    let Some(tail_at) = size.checked_sub(TAIL_BYTES) else {
        return Ok(false);
    };
    let mut length = [0; 4];
    file.seek(SeekFrom::Start(tail_at))?;
    file.read_exact(&mut length)?;
    let ahead = u64::from(u32::from_le_bytes(length)) + HASH_BYTES;
    let Some(hash_at) = tail_at.checked_sub(ahead) else {
        return Ok(false);
    };
    let mut sealed = Vec::new();
    file.seek(SeekFrom::Start(hash_at))?;
    file.take(ahead + TAIL_BYTES).read_to_end(&mut sealed)?;
    Ok(sealed
        .split_at_checked(HASH_BYTES as usize)
        .is_some_and(|(hash, footer)| blake3::hash(footer).as_bytes() == hash))
}

/// The kind comes before the format, the format before everything else.
fn demand_kind(path: &Path, kind: &Kind, values: &BTreeMap<String, String>) -> Result<()> {
    let found = values.get(KIND);
    if found.map(String::as_str) != Some(kind.name) {
        return Err(CaptureError::WrongKind {
            path: path.to_owned(),
            found: found.map_or_else(|| "Parquet file of other origin".into(), Clone::clone),
            wanted: kind.name,
        });
    }
    match values.get(FORMAT).and_then(|f| f.parse::<u32>().ok()) {
        Some(found) if found > kind.format => Err(CaptureError::TooNew {
            path: path.to_owned(),
            kind: kind.name,
            found,
            known: kind.format,
        }),
        Some(1..) => Ok(()),
        _ => Err(CaptureError::corrupt(path, format!("its {FORMAT} is not a format number"))),
    }
}

/// A stretch of a file in memory that answers to places in the file.
struct Stretch {
    start: u64,
    bytes: Bytes,
}

impl Stretch {
    fn from(&self, start: u64) -> ParquetResult<Bytes> {
        start
            .checked_sub(self.start)
            .and_then(|at| usize::try_from(at).ok())
            .filter(|&at| at <= self.bytes.len())
            .map(|at| self.bytes.slice(at..))
            .ok_or_else(|| ParquetError::EOF(format!("byte {start} is outside its row group")))
    }
}

impl Length for Stretch {
    fn len(&self) -> u64 {
        self.start + self.bytes.len() as u64
    }
}

impl ChunkReader for Stretch {
    type T = Reader<Bytes>;

    fn get_read(&self, start: u64) -> ParquetResult<Self::T> {
        Ok(self.from(start)?.reader())
    }

    fn get_bytes(&self, start: u64, length: usize) -> ParquetResult<Bytes> {
        let rest = self.from(start)?;
        if length > rest.len() {
            return Err(ParquetError::EOF(format!(
                "{length} bytes from byte {start} on leave their row group"
            )));
        }
        Ok(rest.slice(..length))
    }
}

//! Writing a table.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::RecordBatch;
use arrow::datatypes::{DataType, Field, Schema, SchemaRef};
use barwright_job::Hash;
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;

use super::{FORMAT, GROUPS, Group, KIND, Kind, PROGRAM};
use crate::error::{CaptureError, Result};
use crate::hash::NewFile;

/// Bytes after which a page of A-scans ends, roughly: it stays in a core's cache and in memory that
/// is used again.
const PAGE_BYTES: usize = 1 << 16;

/// A column with its unit and meaning in its metadata, for foreign readers.
pub(crate) fn column(name: &str, kind: DataType, unit: &str, meaning: &str) -> Field {
    Field::new(name, kind, false).with_metadata(HashMap::from([
        ("unit".to_owned(), unit.to_owned()),
        ("meaning".to_owned(), meaning.to_owned()),
    ]))
}

/// Writes row groups to a file that appears under its name only when it is whole.
pub(crate) struct TableWriter {
    path: PathBuf,
    schema: SchemaRef,
    writer: ArrowWriter<NewFile>,
    values: Vec<(String, String)>,
    groups: Vec<Group>,
}

impl TableWriter {
    /// Starts a table. `packed` names the column of A-scans (its path, with points), with the usual bytes of one; it is
    /// neither given a dictionary nor statistics.
    pub(crate) fn create(
        path: &Path,
        kind: &Kind,
        columns: Vec<Field>,
        values: Vec<(&str, String)>,
        packed: Option<(&str, usize)>,
    ) -> Result<Self> {
        let program = env!("CARGO_PKG_VERSION");
        let mut properties = WriterProperties::builder()
            .set_created_by(format!("barwright {program}"))
            .set_compression(Compression::LZ4_RAW)
            .set_statistics_enabled(EnabledStatistics::Chunk)
            .set_offset_index_disabled(true)
            .set_max_row_group_row_count(None)
            .set_data_page_size_limit(PAGE_BYTES);
        if let Some((name, row_bytes)) = packed {
            // The size of a page is looked at once in so many rows.
            let leaf = || ColumnPath::new(name.split('.').map(str::to_owned).collect());
            properties = properties
                .set_write_batch_size((PAGE_BYTES / row_bytes.max(1)).clamp(1, 1024))
                .set_column_dictionary_enabled(leaf(), false)
                .set_column_statistics_enabled(leaf(), EnabledStatistics::None);
        }
        let schema = Arc::new(Schema::new(columns));
        let file = NewFile::create(path)?;
        let writer = ArrowWriter::try_new(file, schema.clone(), Some(properties.build()))
            .map_err(|e| failed(path, e))?;
        let mut all = vec![
            (KIND.to_owned(), kind.name.to_owned()),
            (FORMAT.to_owned(), kind.format.to_string()),
            (PROGRAM.to_owned(), program.to_owned()),
        ];
        all.extend(values.into_iter().map(|(k, v)| (k.to_owned(), v)));
        Ok(Self { path: path.to_owned(), schema, writer, values: all, groups: Vec::new() })
    }

    pub(crate) fn schema(&self) -> SchemaRef {
        self.schema.clone()
    }

    /// Writes one row group.
    pub(crate) fn write_group(&mut self, batch: &RecordBatch) -> Result<()> {
        if batch.num_rows() == 0 {
            return Ok(());
        }
        let fail = |e| failed(&self.path, e);
        if self.groups.is_empty() {
            // What precedes the first group (the format's mark) belongs to none.
            self.writer.sync().map_err(|e| CaptureError::writing(&self.path, e))?;
            self.writer.inner_mut().take_part();
        }
        self.writer.write(batch).map_err(fail)?;
        self.writer.flush().map_err(fail)?;
        self.writer.sync().map_err(|e| CaptureError::writing(&self.path, e))?;
        let part = self.writer.inner_mut().take_part();
        self.groups.push(Group {
            start: part.start,
            length: part.length,
            rows: batch.num_rows() as u64,
            hash: part.hash,
        });
        Ok(())
    }

    /// Writes the footer, syncs, and gives the file its name. Returns the hash of its bytes.
    pub(crate) fn finish(mut self) -> Result<Hash> {
        let groups = serde_json::to_string(&self.groups).expect("numbers and text are JSON");
        self.values.push((GROUPS.to_owned(), groups));
        for (key, value) in self.values {
            self.writer.append_key_value_metadata(KeyValue::new(key, value));
        }
        let path = self.path;
        self.writer.sync().map_err(|e| CaptureError::writing(&path, e))?;
        self.writer.inner_mut().hold_footer();
        self.writer.into_inner().map_err(|e| failed(&path, e))?.finish()
    }
}

fn failed(path: &Path, error: ParquetError) -> CaptureError {
    let source = match error {
        ParquetError::External(e) => match e.downcast::<std::io::Error>() {
            Ok(e) => *e,
            Err(e) => std::io::Error::other(e),
        },
        e => std::io::Error::other(e),
    };
    CaptureError::writing(path, source)
}

//! Captures on disk. The layout is described in `docs/capture-format.md`.

mod read;
mod write;

pub use read::CaptureReader;
pub use write::CaptureWriter;

use crate::table::Kind;

/// The kind of a capture and its format.
pub(crate) const CAPTURE: Kind = Kind { name: "capture", format: 1 };

/// Metadata key of the header, JSON.
pub(crate) const HEADER: &str = "barwright.header";
/// Metadata key of the filter's name.
pub(crate) const FILTER: &str = "barwright.filter";

/// Bytes of samples in one row group; what a reader holds at a time. Large enough that a group's
/// overhead does not show, small enough for a core's share of cache and memory.
const GROUP_BYTES: usize = 8 << 20;

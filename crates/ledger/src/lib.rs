//! The append-only record of a station

//! How pages look: their frame, their parts, their marks.

pub mod mark;
pub mod parts;
pub mod shell;
pub mod strip;
pub mod table;

use std::fmt::Write as _;

/// A name as one segment of an address.
pub fn segment(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.' | b'~') {
            out.push(char::from(byte));
        } else {
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

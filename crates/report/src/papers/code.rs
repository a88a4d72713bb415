//! The ledger's head as a two-dimensional code (ISO/IEC 18004), so that a paper can be held to the ledger by a
//! reader of codes.

use qrcode::{EcLevel, QrCode, render::svg, types::QrError};

use super::LedgerHead;

/// What the code says: the words `barwright ledger`, entry, moment and hash, each after a space.
#[must_use]
pub(super) fn words(head: &LedgerHead<'_>) -> String {
    format!("barwright ledger {} {} {}", head.entry, head.at, head.hash)
}

/// The code as SVG. A seventh of it may be damaged (level M).
pub(super) fn of_head(head: &LedgerHead<'_>) -> Result<String, QrError> {
    let code = QrCode::with_error_correction_level(words(head), EcLevel::M)?;
    Ok(code.render::<svg::Color<'_>>().quiet_zone(true).build())
}

//! Unique identifiers that follow from the record.

use barwright_job::Hash;

/// Root of identifiers that are made from UUIDs (PS3.5 B.2).
const ROOT: &str = "2.25.";

/// An identifier for what a role and some parts say: a UUID of version 8 (RFC 9562, 5.8), made from the
/// first 16 bytes of the BLAKE3 hash of both, as a decimal number under the root of such identifiers
/// (PS3.5 B.2). Equal parts give equal identifiers, on every machine and at every time. At most 44
/// characters, digits and dots.
#[must_use]
pub fn uid(role: &str, parts: &[&str]) -> String {
    let hash = Hash::of_meaning(&("barwright object", role, parts));
    let digits = hash.0.get(..32).unwrap_or_default();
    from_bits(u128::from_str_radix(digits, 16).unwrap_or_default())
}

/// The identifier of 128 bits, of which version and variant are set.
fn from_bits(bits: u128) -> String {
    const VERSION: u32 = 76;
    const VARIANT: u32 = 62;
    let bits = bits & !(0xf << VERSION) | 8 << VERSION;
    let bits = bits & !(0x3 << VARIANT) | 0x2 << VARIANT;
    format!("{ROOT}{bits}")
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: RFC 9562 figure 12 with all custom bits 0 and all 1, as decimal numbers worked out by hand:
    // 8·2^76 + 2·2^62 and 2^128 - 1 - 7·2^76 - 2^62.
    #[test]
    fn version_and_variant_stand_where_they_must() {
        assert_eq!(from_bits(0), format!("2.25.{}", (1_u128 << 79) + (1 << 63)));
        let all = u128::MAX - (7 << 76) - (1 << 62);
        assert_eq!(from_bits(u128::MAX), format!("2.25.{all}"));
        assert!(from_bits(u128::MAX).len() <= 44);
    }

    // By construction: parts are not run together.
    #[test]
    fn parts_are_kept_apart() {
        assert_ne!(uid("a", &["bc", "d"]), uid("a", &["b", "cd"]));
        assert_ne!(uid("a", &["b"]), uid("b", &["a"]));
        assert_eq!(uid("a", &["b"]), uid("a", &["b"]));
    }
}

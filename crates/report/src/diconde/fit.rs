//! Values as their representations allow them (PS3.5, 6.2): lengths, characters, digits.

use dicom_core::VR;

use crate::text;

/// Most bytes of a value whose length is written with 16 bits: an even number below 2^16.
pub(super) const MOST_BYTES: usize = 65_534;

/// A text as it can be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fitted {
    /// What is written.
    pub text: String,
    /// Whether words or marks of the original are missing in it.
    pub shortened: bool,
}

/// Most characters of a representation; none where there is no bound.
fn most(vr: VR) -> Option<usize> {
    match vr {
        VR::SH | VR::CS => Some(16),
        VR::LO | VR::PN => Some(64),
        VR::ST => Some(1024),
        VR::LT => Some(10_240),
        _ => None,
    }
}

/// The text as a representation allows it. Hidden characters and controls become U+FFFD, as on papers; ends
/// of lines are kept in texts of paragraphs and become spaces elsewhere; marks that part values or names
/// become spaces. What is too long ends in an ellipsis.
pub(super) fn fit(vr: VR, words: &str) -> Fitted {
    let paragraphs = matches!(vr, VR::ST | VR::LT | VR::UT);
    let lines: Vec<String> = words.lines().map(text::visible).collect();
    let mut clean = lines.join(if paragraphs { "\r\n" } else { " " });
    let mut shortened = false;
    if !paragraphs {
        let parting: &[char] = if vr == VR::PN { &['\\', '^', '='] } else { &['\\'] };
        shortened = clean.contains(parting);
        clean = clean.replace(parting, " ");
    }
    let trimmed = if paragraphs { clean.trim_end() } else { clean.trim() };
    let Some(most) = most(vr).filter(|most| !finds_room(trimmed, *most)) else {
        return Fitted { text: trimmed.to_owned(), shortened };
    };
    let start = |n: usize| trimmed.chars().take(n).chain(['…']).collect::<String>();
    let text =
        Some(start(most - 1)).filter(|t| finds_room(t, most)).unwrap_or_else(|| start(most - 2));
    Fitted { text, shortened: true }
}

/// Whether a text has at most so many characters, counted with the space that makes its bytes even.
fn finds_room(text: &str, most: usize) -> bool {
    text.chars().count() + text.len() % 2 <= most
}

/// A number as a decimal string (DS) of at most 16 characters, with as many digits as find room; none where
/// it is not finite.
pub(super) fn decimal(value: f64) -> Option<String> {
    const ROOM: usize = 16;
    if !value.is_finite() {
        return None;
    }
    // No sign without a value.
    let value = if value == 0.0 { 0.0 } else { value };
    let plain = format!("{value}");
    if plain.len() <= ROOM {
        return Some(plain);
    }
    let digits = (0..ROOM).rev();
    let short = digits.flat_map(|n| [format!("{value:.n$}"), format!("{value:.n$e}")]);
    // Of all that find room, the nearest.
    short
        .filter(|s| s.len() <= ROOM)
        .map(|s| ((s.parse::<f64>().unwrap_or(f64::INFINITY) - value).abs(), s))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, s)| s)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Closed form: lengths of PS3.5, table 6.2-1.
    #[test]
    fn texts_keep_to_their_lengths_and_say_so() {
        for (vr, most) in
            [(VR::SH, 16), (VR::LO, 64), (VR::PN, 64), (VR::ST, 1024), (VR::LT, 10_240)]
        {
            let fits = "ж".repeat(most);
            assert_eq!(fit(vr, &fits), Fitted { text: fits.clone(), shortened: false });
            // With an ellipsis of three bytes, or with the space that makes bytes even, it is as long as may be.
            for long in
                [format!("{fits}x"), "鋼".repeat(most + 1), format!("{}ж", "鋼".repeat(most - 1))]
            {
                let cut = fit(vr, &long);
                assert_eq!(cut.text.chars().count() + cut.text.len() % 2, most);
                assert!(cut.shortened && cut.text.ends_with('…'));
            }
        }
        let whole = "x".repeat(100_000);
        assert_eq!(fit(VR::UT, &whole), Fitted { text: whole, shortened: false });
    }

    // Closed form: marks that part values, names and lines.
    #[test]
    fn marks_that_part_values_are_taken_out() {
        assert_eq!(fit(VR::LO, "a\\b\nc\0").text, "a b c\u{fffd}");
        assert!(fit(VR::LO, "a\\b").shortened);
        assert_eq!(fit(VR::PN, "a^b=c").text, "a b c");
        assert_eq!(fit(VR::UT, "a\\b\nc").text, "a\\b\r\nc");
        assert!(!fit(VR::UT, "a\\b\nc").shortened);
    }

    proptest::proptest! {
        // Property: a decimal string is short and near. 16 characters less sign, point and an exponent of four
        // leave nine digits.
        #[test]
        fn decimals_are_short_and_near(value: f64) {
            match decimal(value) {
                None => proptest::prop_assert!(!value.is_finite()),
                Some(s) => {
                    proptest::prop_assert!(s.len() <= 16);
                    proptest::prop_assert!(s.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b)));
                    let back: f64 = s.parse().expect("a number");
                    proptest::prop_assert!((back - value).abs() <= 1e-8 * value.abs());
                }
            }
        }
    }
}

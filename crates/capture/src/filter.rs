//! The filter that makes A-scans small before the general codec sees them.
//!
//! Each A-scan of n samples is stored as 2n bytes: the differences between neighbours (the first
//! against zero, all modulo 2^16), folded so that small negative and positive ones are small
//! numbers (0, -1, 1, -2 -> 0, 1, 2, 3), then all low bytes followed by all high bytes.

/// Name of the filter in a file's metadata.
pub const NAME: &str = "delta-zigzag-byteplanes";

/// Appends the filtered bytes of one A-scan.
pub(crate) fn apply(samples: &[i16], out: &mut Vec<u8>) {
    let n = samples.len();
    let start = out.len();
    out.resize(start + 2 * n, 0);
    let (low, high) = out[start..].split_at_mut(n);
    let Some(&first) = samples.first() else {
        return;
    };
    let fold = |d: i16| ((d << 1) ^ (d >> 15)).to_le_bytes();
    [low[0], high[0]] = fold(first);
    for ((pair, l), h) in samples.windows(2).zip(&mut low[1..]).zip(&mut high[1..]) {
        [*l, *h] = fold(pair[1].wrapping_sub(pair[0]));
    }
}

/// Appends the samples of one filtered A-scan. An odd last byte, which no writer makes, is left.
pub(crate) fn undo(bytes: &[u8], out: &mut Vec<i16>) {
    let n = bytes.len() / 2;
    let (low, high) = bytes.split_at(n);
    let start = out.len();
    out.extend(low.iter().zip(high).map(|(&l, &h)| {
        let folded = u16::from_le_bytes([l, h]);
        ((folded >> 1) ^ (folded & 1).wrapping_neg()).cast_signed()
    }));
    // Apart from the unfolding, which the compiler does many at a time.
    let mut last = 0_i16;
    for x in &mut out[start..] {
        last = last.wrapping_add(*x);
        *x = last;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        // Truth: property (round trip). Exact: integers.
        #[test]
        fn undoing_gives_the_samples_back(samples: Vec<i16>) {
            let mut bytes = vec![7];
            apply(&samples, &mut bytes);
            proptest::prop_assert_eq!(bytes.len(), 1 + 2 * samples.len());
            let mut back = vec![];
            undo(&bytes[1..], &mut back);
            proptest::prop_assert_eq!(back, samples);
        }
    }

    // Truth: closed form, worked by hand from the description above.
    #[test]
    fn the_bytes_are_as_described() {
        let mut bytes = vec![];
        apply(&[1, 0, 300, i16::MIN, i16::MAX], &mut bytes);
        // Differences 1, -1, 300, -33068 = 32468, -1; folded 2, 1, 600, 64936, 1.
        assert_eq!(bytes, [2, 1, 0x58, 0xa8, 1, 0, 0, 0x02, 0xfd, 0]);
    }
}

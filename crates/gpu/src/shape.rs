//! Lengths of transforms, and how the kernels go through them.

use crate::error::DeviceError;

/// Values that one thread of a transform holds.
const HELD: usize = 16;
/// Threads of a block that is filled with several short transforms.
const BLOCK: usize = 256;
/// Most angles of a ring and most times of a record.
const MOST_ANGLES: usize = 8192;
const MOST_TIMES: usize = 4096;
/// Fewest times for maps, where half a warp follows a peak, and for echoes.
const FEWEST_FOR_MAPS: usize = 256;
const FEWEST_FOR_ECHOES: usize = 64;

/// Most rings of a batch: rows of a launch's grid.
const MOST_RINGS: usize = 65_535;

/// Refuses more rings than a launch has rows.
///
/// # Errors
/// [`DeviceError::NotMade`].
pub fn check_rings(rings: usize) -> Result<(), DeviceError> {
    if rings <= MOST_RINGS {
        return Ok(());
    }
    let (what, expected) = ("the number of rings", "at most 65535");
    Err(DeviceError::NotMade { what, got: rings, expected })
}

/// What kernels are compiled for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Shape {
    /// Angles of a ring.
    pub angles: usize,
    /// Times of a record.
    pub times: usize,
    /// Whether radial functions are complex: steel that attenuates.
    pub lossy: bool,
}

impl Shape {
    /// A shape for maps of peaks; `times` is the least number of times.
    ///
    /// # Errors
    /// As [`Self::for_echoes`].
    pub fn for_maps(angles: usize, times: usize, lossy: bool) -> Result<Self, DeviceError> {
        Self::for_echoes(angles, times.max(FEWEST_FOR_MAPS), lossy)
    }

    /// A shape for echoes; `times` is the least number of times.
    ///
    /// # Errors
    /// [`DeviceError::NotMade`] for angles that are not a product of twos, threes and fives within 2 to 8192,
    /// or more than 4096 times.
    pub fn for_echoes(angles: usize, times: usize, lossy: bool) -> Result<Self, DeviceError> {
        if !(2..=MOST_ANGLES).contains(&angles) || radices(angles).is_none() {
            return Err(DeviceError::NotMade {
                what: "the number of angles of a ring",
                got: angles,
                expected: "products of twos, threes and fives from 2 to 8192",
            });
        }
        if times > MOST_TIMES {
            return Err(DeviceError::NotMade {
                what: "the number of times of a record",
                got: times,
                expected: "at most 4096",
            });
        }
        Ok(Self { angles, times: times.next_power_of_two().max(FEWEST_FOR_ECHOES), lossy })
    }

    /// Threads of one ring's transform.
    #[must_use]
    pub fn circle_lanes(&self) -> usize {
        self.angles.div_ceil(HELD)
    }

    /// Frequencies that a block of rings takes.
    #[must_use]
    pub fn together(&self) -> usize {
        (BLOCK / self.circle_lanes()).max(1)
    }

    /// Threads of one record's transform.
    #[must_use]
    pub fn time_lanes(&self) -> usize {
        self.times / HELD
    }

    /// Records of a block.
    #[must_use]
    pub fn places(&self) -> usize {
        if self.times <= 512 { 16 } else { MOST_TIMES * 2 / self.times }
    }

    /// Places between two samples at which a peak is followed.
    #[must_use]
    pub fn parts(&self) -> usize {
        self.time_lanes().min(32) / 2
    }

    /// Bytes of shared memory of a block of rings.
    #[must_use]
    pub fn circle_room(&self) -> u32 {
        (self.together() * (self.angles + self.angles / 16 + 1) * 8) as u32
    }

    /// Bytes of shared memory of a block of records.
    #[must_use]
    pub fn time_room(&self) -> u32 {
        (self.places() * (self.times + 17) * 8) as u32
    }

    /// What the kernels are compiled with.
    #[must_use]
    pub fn definitions(&self) -> String {
        let list = |n: usize| {
            let words: Vec<String> =
                radices(n).unwrap_or_default().iter().map(ToString::to_string).collect();
            words.join(",")
        };
        format!(
            "#define ANGLES {}\n#define CIRCLE_RADICES {}\n#define CIRCLE_LANES {}\n#define TOGETHER {}\n\
             #define LOSSY {}\n#define TIMES {}\n#define TIME_RADICES {}\n#define TIME_LANES {}\n\
             #define PLACES {}\n",
            self.angles,
            list(self.angles),
            self.circle_lanes(),
            self.together(),
            u8::from(self.lossy),
            self.times,
            list(self.times),
            self.time_lanes(),
            self.places(),
        )
    }
}

/// Radices whose product is a length, the large ones first; `None` if it has a prime factor above five.
#[must_use]
pub fn radices(length: usize) -> Option<Vec<usize>> {
    let (mut rest, mut list) = (length, Vec::new());
    for radix in [16, 8, 4, 2, 3, 5] {
        while rest > 0 && rest.is_multiple_of(radix) {
            list.push(radix);
            rest /= radix;
        }
    }
    (rest == 1 && !list.is_empty()).then_some(list)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form (a product).
    #[test]
    fn radices_make_their_length() {
        let mut found = 0;
        for length in 2..=8192 {
            if let Some(list) = radices(length) {
                assert_eq!(list.iter().product::<usize>(), length);
                found += 1;
            }
        }
        // Numbers 2^a 3^b 5^c from 2 to 8192, counted by another program.
        assert_eq!(found, 166);
        assert_eq!(radices(1024), Some(vec![16, 16, 4]));
        assert_eq!(radices(7), None);
        assert_eq!(radices(0), None);
    }

    #[test]
    fn shapes_say_what_they_do_not_take() {
        let shape = Shape::for_maps(1024, 200, false).expect("a shape");
        assert_eq!((shape.times, shape.time_lanes(), shape.places()), (256, 16, 16));
        let error = Shape::for_maps(1022, 256, false).expect_err("7 times 73 times 2");
        assert!(error.to_string().contains("1022"), "{error}");
        let error = Shape::for_maps(1024, 5000, false).expect_err("too many times");
        assert!(error.to_string().contains("5000"), "{error}");
        let error = check_rings(70_000).expect_err("too many rings");
        assert!(error.to_string().contains("70000"), "{error}");
        assert!(error.leaves_device_usable());
    }
}

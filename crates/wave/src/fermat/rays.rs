//! Where the bulk solver writes: one array per quantity.

use super::block::Block;
use super::same_length;
use crate::error::Result;

/// What became of a target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum RayState {
    /// A ray was found.
    Found,
    /// No ray enters through this face: [`crate::WaveError::NoPath`].
    #[default]
    NoPath,
    /// The target lies outside the steel or is not a number: [`crate::WaveError::OutOfRange`].
    Refused,
}

/// How many targets met which fate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Rays found.
    pub found: usize,
    /// Targets without a ray through this face.
    pub no_path: usize,
    /// Targets outside the steel, or not numbers.
    pub refused: usize,
    /// Of all these, targets that were handed to the plain solver.
    pub one_by_one: usize,
}

impl std::ops::Add for Tally {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            found: self.found + other.found,
            no_path: self.no_path + other.no_path,
            refused: self.refused + other.refused,
            one_by_one: self.one_by_one + other.one_by_one,
        }
    }
}

macro_rules! arrays {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {
        /// Paths of many targets, in their order. Where the state is not [`RayState::Found`] the time
        /// is infinite and all else zero.
        #[derive(Debug, Clone, PartialEq, Default)]
        pub struct Rays {
            /// What became of each target.
            pub state: Vec<RayState>,
            $($(#[$doc])* pub $name: Vec<f64>,)+
        }

        /// Borrowed arrays of one length, as in [`Rays`].
        #[derive(Debug)]
        pub struct RaysMut<'a> {
            /// What became of each target.
            pub state: &'a mut [RayState],
            $($(#[$doc])* pub $name: &'a mut [f64],)+
        }

        impl Rays {
            /// Arrays for `count` targets.
            #[must_use]
            pub fn new(count: usize) -> Self {
                Self {
                    state: vec![RayState::default(); count],
                    $($name: vec![0.0; count],)+
                }
            }

            /// Makes room for `count` targets; allocates only where there were never as many.
            pub fn resize(&mut self, count: usize) {
                self.state.resize(count, RayState::default());
                $(self.$name.resize(count, 0.0);)+
            }

            /// All arrays, to be written.
            pub fn as_mut(&mut self) -> RaysMut<'_> {
                RaysMut { state: &mut self.state, $($name: &mut self.$name,)+ }
            }
        }

        impl RaysMut<'_> {
            pub(super) fn check(&self, need: usize) -> Result<()> {
                same_length("states of the targets", self.state.len(), need)?;
                $(same_length(
                    concat!("places for ", stringify!($name)), self.$name.len(), need,
                )?;)+
                Ok(())
            }

            #[inline(always)]
            pub(super) fn copy(&mut self, start: usize, count: usize, block: &Block) {
                let range = start..start + count;
                self.state[range.clone()].copy_from_slice(&block.state[..count]);
                $(self.$name[range.clone()].copy_from_slice(&block.$name[..count]);)+
            }
        }
    };
}

arrays! {
    /// Travel time in s.
    time_s,
    /// Way in the water, in m.
    water_m,
    /// Way in the steel, in m.
    steel_m,
    /// Sine of the incidence angle, signed as in [`crate::path::Path`].
    sin_in,
    /// Cosine of the incidence angle.
    cos_in,
    /// Sine of the refraction angle, signed as the incidence.
    sin_out,
    /// Cosine of the refraction angle.
    cos_out,
    /// Where the ray enters the steel, x in m.
    entry_x_m,
    /// Where the ray enters the steel, y in m.
    entry_y_m,
}

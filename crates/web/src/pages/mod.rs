//! The pages, one file each. A page is a function from the lot to markup.

pub mod approval;
pub mod asking;
pub mod bar;
pub mod bars;
pub mod changeover;
pub mod checks;
pub mod deciding;
pub mod heard;
pub mod home;
pub mod ledger;
pub mod level;
mod levelling;
pub mod line;
pub mod looks;
pub mod missing;
pub mod order;
pub mod ordering;
pub mod papers;
pub mod people;
pub mod proof;
pub mod reference;
pub mod sign_in;
pub mod technique;
pub mod trends;
pub mod trying;
pub mod unrolled;
pub mod working;

//! The pages, one file each. A page is a function from the lot to markup.

pub mod approval;
pub mod asking;
pub mod bar;
pub mod bars;
pub mod checks;
pub mod deciding;
pub mod home;
pub mod ledger;
pub mod level;
pub mod line;
pub mod missing;
pub mod order;
pub mod ordering;
pub mod papers;
pub mod proof;
pub mod reference;
pub mod sign_in;
pub mod technique;
pub mod trends;
pub mod trying;
mod unrolled;
pub mod working;

//! Square bars in water: four flat arrays, each before its face.
//!
//! A longitudinal linear scan looks straight through each face; shear beams of about 45 degrees go
//! through a face towards the faces beside it, where a crack square to the surface returns them by its
//! corner. What is the same for round bars (gates, gains, schedule) is shared; here stands what is not:
//! [`face`] (where the arrays stand and what they look at), [`laws`], [`layout`], [`gates`],
//! [`firing`], [`cases`] (deviations), [`outline`] and [`echo`] (places and answers), [`coverage`],
//! [`search`] and [`proof`].
//!
//! Rays are the only engine for a square. A place whose answer a ray flag doubts counts as unseen.

pub mod cases;
pub mod coverage;
pub mod draws;
pub mod echo;
pub mod face;
pub mod firing;
pub mod gates;
pub mod laws;
pub mod layout;
pub mod outline;
pub mod proof;
pub mod search;

//! The virtual station: scene and technique to a capture with known truth

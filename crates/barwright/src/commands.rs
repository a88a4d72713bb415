//! One file for each command, or for a few that belong together.

pub mod approve;
pub mod bench;
pub mod calc;
pub mod capture;
pub mod certify;
pub mod changeover;
pub mod cut;
pub mod decide;
pub mod equipment;
pub mod example;
pub mod help;
pub mod keys;
pub mod ledger;
pub mod level;
pub mod people;
pub mod plan;
pub mod receive;
mod register;
pub mod rules;
pub mod screen;
mod secrets;
pub mod sentence;
pub mod serve;
pub mod technique;
pub mod trends;
pub mod twin;
pub mod validate;

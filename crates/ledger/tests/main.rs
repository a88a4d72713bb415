//! Tests of the ledger, its states and its homes.
//!
//! One program for all files: one for each would link the same libraries as often.

mod chain;
mod common;
mod files;
mod homes;
mod people;
mod records;
mod signatures;
mod state_model;
mod states;

//! Tests of the program as its users run it: every command, its answers, its exit codes.
//!
//! One program for all files: one for each would link the same libraries as often.

mod bad_input;
mod calc;
mod campaign;
mod cut;
mod demo;
mod dense;
mod exchange;
mod export;
mod help;
mod layout;
mod ledger;
#[path = "../../web/tests/support/line.rs"]
mod line;
mod measured_block;
mod numpy;
mod people;
mod receive;
mod schemas;
mod second_look;
mod support;
mod tables;
mod technique;
mod trends;
mod validate;

//! Tests of the pages and the plant's interface, without a browser.
//!
//! One program for all files: one for each would link the same libraries as often.

mod access;
#[path = "support/broker.rs"]
mod broker;
#[path = "support/line.rs"]
mod line;
mod messages;
mod pages;
mod plant;
mod receive;
mod schemas;
mod support;
mod tables;
mod texts;

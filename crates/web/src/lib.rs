//! The pages, the service, and the job folder they share with the command line.
//!
//! Where to start reading: [`folder`] (the documents under fixed names), [`steps`] (what makes them),
//! [`mod@serve`] (the service), `access` (who may see it), [`receive`] (shots coming in), `lot` (everything a page may draw on), `chain` (what follows from it), `pages` (one
//! file each).
#![deny(missing_docs)]

mod access;
mod acting;
pub mod approving;
mod asking;
mod assets;
mod cache;
mod captures;
mod chain;
pub mod deciding;
mod downloads;
pub mod files;
pub mod folder;
mod heard;
pub mod house;
pub mod judging;
mod look;
mod lot;
mod manner;
mod ordering;
mod pages;
pub mod papers;
pub mod permission;
pub mod plant;
pub mod receive;
mod record;
mod registering;
pub mod retest;
mod router;
pub mod serve;
pub mod steps;
pub mod tables;
pub mod trends;
mod trying;
mod turn;
pub mod working;

pub use access::{
    Reach,
    accounts::{AccountError, Accounts},
};
pub use files::FileError;
pub use folder::JobFolder;
pub use house::House;
pub use lot::today;
pub use router::{router, router_for};
pub use serve::{ServeError, serve, serve_line, serve_on};
pub use turn::Turn;

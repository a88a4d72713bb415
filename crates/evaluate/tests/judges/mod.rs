//! The judges on captures whose truth is known in closed form: Gaussian echoes at known places of a
//! bar, laid out by the tests themselves.
#![allow(clippy::unwrap_used)]

mod bench;
mod block;
mod check;
mod explain;
mod ghosts;
mod level;
mod rules;
mod screen;
mod sentence;

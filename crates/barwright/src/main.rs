//! The program: a command line over all of it
fn main() {}

//! The pages, the service, and the job folder they share with the command line.
#![deny(missing_docs)]

pub mod files;
pub mod folder;

pub use files::FileError;
pub use folder::JobFolder;

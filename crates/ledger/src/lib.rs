//! The append-only record of a station, and what follows from it for every bar.
//!
//! Every [`Entry`] carries the hash of the one before it, so that an entry that is later changed,
//! removed, inserted or moved no longer fits and [`verify`] names it. What an entry says is a
//! [`Record`], usually made from a sealed document of the job. From the entries alone [`state`]
//! derives which bars are released: those between two good checks of one technique and level.
//!
//! Where to start reading: [`record`] (what is written), [`entry`] (how it is chained), [`state`]
//! (what it means), [`store`] (where it is kept), [`people`] (who may write what, and who signs).
//!
//! # Two ways in
//! - [`Store`] is asynchronous, cheap to clone and safe to share: for the pages and the service.
//! - [`Ledger`] is the same for callers that are not asynchronous (command line, tests). It drives
//!   a [`Store`] with a runtime of its own; called from inside another runtime it returns
//!   [`LedgerError::InsideRuntime`] instead of blocking that one.
//!
//! Times are always given by the caller, in microseconds since 1970-01-01 UTC: a virtual station
//! has its own clock, and this crate reads none.
//!
//! # What the chain proves, and what it does not
//! The hashes have no key. Whoever can write the file could rewrite everything from some entry on;
//! what stops that is a [`Head`] printed on papers that left the house: [`Store::verify`] takes
//! such a head and says whether this ledger still contains it.
#![deny(missing_docs)]

pub(crate) mod db;
pub mod entry;
pub mod equipment;
pub mod error;
pub mod expiry;
pub mod keys;
pub mod ledger;
pub mod people;
pub mod record;
pub mod rights;
pub mod secret;
pub mod state;
pub mod store;
pub mod verify;

pub use entry::{Entry, Head, Identity, Kind};
pub use equipment::Equipment;
pub use error::{LedgerError, Result};
pub use keys::{PublicKey, SigningKey};
pub use ledger::Ledger;
pub use people::People;
pub use record::{BarKey, Record};
pub use state::{BarState, State, Why};
pub use store::Store;
pub use verify::{Fault, FaultKind, Verification};

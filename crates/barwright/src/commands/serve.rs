//! `serve`: the pages.

use std::net::SocketAddr;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Show the job folder as pages, on this machine only unless told otherwise.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Address and port to listen on.
    #[arg(long, default_value = "127.0.0.1:8642")]
    pub address: SocketAddr,
    /// Let whoever reaches an address of the network read everything while there is no account.
    #[arg(long)]
    pub open: bool,
}

/// Serves until interrupted.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    bench.say(&format!(
        "pages of {} at http://{} (Ctrl-C ends)",
        bench.job.root().display(),
        args.address
    ));
    let accounts = barwright_web::Accounts::read(&bench.job)?;
    bench.say(match (accounts.is_empty(), args.address.ip().is_loopback()) {
        (true, true) => {
            "no account: whoever uses this machine reads them, and nobody changes anything by them"
        }
        (true, false) => "no account: whoever reaches this address reads them",
        (false, true) => "everybody signs in",
        (false, false) => {
            "everybody signs in; browsers keep a sign-in over TLS only, so put a TLS proxy before this address"
        }
    });
    let runtime = tokio::runtime::Runtime::new().map_err(|e| Failure::because(&e))?;
    runtime.block_on(barwright_web::serve(bench.job.clone(), args.address, args.open))?;
    Ok(Outcome::Good)
}

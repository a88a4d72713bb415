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
}

/// Serves until interrupted.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    bench.say(&format!(
        "pages of {} at http://{} (Ctrl-C ends)",
        bench.job.root().display(),
        args.address
    ));
    let runtime = tokio::runtime::Runtime::new().map_err(|e| Failure::because(&e))?;
    runtime.block_on(barwright_web::serve(bench.job.clone(), args.address))?;
    Ok(Outcome::Good)
}

//! `receive`: shots from acquisition systems, screened while the bars run.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use barwright_evaluate::screen::Retention;
use barwright_web::receive::{self, MessageOptions, News, Newsroom, Options, Publisher};
use barwright_web::{JobFolder, files};

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};
use barwright_web::steps;

/// Receive shots from acquisition systems and screen bars while they run.
///
/// Clients stream Arrow record batches over Arrow Flight (docs/receiving.md). What is acknowledged
/// is on the disk. Bars that an earlier run left in progress are settled first, and held. Ends with
/// Ctrl-C; exit status 1 if a bar was broken off or something failed on the way.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Lines and the job folders whose orders run through them; the line of station.toml with the
    /// job folder if none is named.
    #[arg(value_name = "LINE=FOLDER", value_parser = line)]
    lines: Vec<(String, PathBuf)>,
    /// Address and port for clients.
    #[arg(long, default_value = "127.0.0.1:8815")]
    address: SocketAddr,
    /// Show the first line's job folder and all lines as pages, at this loopback address.
    #[arg(long, value_name = "ADDRESS")]
    pages: Option<SocketAddr>,
    /// What is kept of a bar's samples, besides the peaks of every shot.
    #[arg(long, value_enum, default_value_t = Keep::Around)]
    keep: Keep,
    /// Silence after which a bar in progress is given up, in seconds.
    #[arg(long, value_name = "SECONDS", default_value_t = 60.0)]
    patience: f64,
    /// File with a token that clients must show.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
    /// Certificate (PEM) for TLS.
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    tls_cert: Option<PathBuf>,
    /// Private key (PEM) of the certificate.
    #[arg(long, value_name = "FILE", requires = "tls_cert")]
    tls_key: Option<PathBuf>,
    /// Also tell the news to this MQTT 5 broker, for machines that mark and sort.
    #[arg(long, value_name = "mqtt[s]://HOST:PORT")]
    mqtt: Option<String>,
    /// What the topics of the messages begin with.
    #[arg(long, value_name = "PREFIX", default_value = "barwright", requires = "mqtt")]
    mqtt_prefix: String,
    /// Certificate (PEM) of the authority that an mqtts:// broker is trusted by.
    #[arg(long, value_name = "FILE", requires = "mqtt")]
    mqtt_ca: Option<PathBuf>,
    /// File with the broker's login, a line of NAME:PASSWORD. Without TLS it crosses the network in
    /// the clear.
    #[arg(long, value_name = "FILE", requires = "mqtt")]
    mqtt_login: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Keep {
    /// No A-scans.
    Peaks,
    /// A-scans around alarms and where coupling is lost.
    Around,
    /// Every A-scan, in a capture of its own.
    All,
}

impl From<Keep> for Retention {
    fn from(keep: Keep) -> Self {
        match keep {
            Keep::Peaks => Self::Peaks,
            Keep::Around => Self::Around,
            Keep::All => Self::All,
        }
    }
}

fn line(text: &str) -> Result<(String, PathBuf), String> {
    match text.split_once('=') {
        Some((name, folder)) if !name.is_empty() && !folder.is_empty() => {
            Ok((name.to_owned(), PathBuf::from(folder)))
        }
        _ => Err("write it as LINE=FOLDER".into()),
    }
}

/// Receives until interrupted.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    if !(args.patience.is_finite() && args.patience > 0.0) {
        return Err(Failure::new(format!("a patience of {} s cannot be", args.patience))
            .hint(Some("give a number above 0".into())));
    }
    let named: Vec<(String, JobFolder)> = if args.lines.is_empty() {
        let station = bench.job.station()?;
        vec![(steps::line_of(&station).to_owned(), bench.job.clone())]
    } else {
        args.lines.iter().map(|(name, path)| (name.clone(), JobFolder::new(path))).collect()
    };
    // A line that could not take a bar is told now, not to its first client.
    for (_, folder) in &named {
        folder.technique()?;
        folder.rules()?;
        folder.order()?;
    }
    let token = match &args.token_file {
        Some(path) => Some(files::read_text(path)?.trim().to_owned()).filter(|t| !t.is_empty()),
        None => None,
    };
    let tls = match (&args.tls_cert, &args.tls_key) {
        (Some(cert), Some(key)) => Some((files::read_text(cert)?, files::read_text(key)?)),
        _ => None,
    };
    let messages = match &args.mqtt {
        Some(broker) => {
            let mut options = MessageOptions::new(broker, &args.mqtt_prefix)?;
            if let Some(path) = &args.mqtt_ca {
                options = options.trusting(&files::read_text(path)?)?;
            }
            if let Some(path) = &args.mqtt_login {
                options = options.with_login(&files::read_text(path)?)?;
            }
            Some(options.whole()?)
        }
        None => None,
    };
    let retention = args.keep.into();
    let patience = Duration::from_secs_f64(args.patience);
    let options = Options { retention, patience, token, tls };
    let news = Newsroom::default();
    let runtime = tokio::runtime::Runtime::new().map_err(|e| Failure::because(&e))?;
    runtime.block_on(async {
        let told = tokio::spawn(tell(news.listen(), bench.json));
        let lines = receive::lines(named, &news, retention)?;
        let publisher = messages.map(|options| {
            bench.say(&format!("messages to {}", args.mqtt.as_deref().unwrap_or_default()));
            Publisher::start(options, &news)
        });
        for line in &lines {
            for bar in receive::recover(line)? {
                bench.say(&format!(
                    "line {}: bar {bar} was in progress when the program ended; it is settled and held",
                    line.name()
                ));
            }
        }
        for line in &lines {
            let (name, root) = (line.name(), line.root().display());
            bench.say(&format!("line {name}: shots at {}, documents in {root}", args.address));
        }
        let pages = args.pages.map(|address| {
            bench.say(&format!("pages at http://{address}/line"));
            let folder = JobFolder::new(lines[0].root());
            let news = news.clone();
            tokio::spawn(async move {
                if let Err(e) = barwright_web::serve_line(folder, address, news).await {
                    eprintln!("the pages are not served: {e}");
                }
            })
        });
        let received = receive::receive(lines, args.address, options, news, interrupted()).await;
        if let Some(publisher) = publisher {
            publisher.stop().await;
        }
        if let Some(pages) = pages {
            pages.abort();
        }
        received?;
        // The news end once nobody is left to tell any.
        told.await.map_err(|e| Failure::because(&e))
    })
    .map(Outcome::good_if)
}

/// Waits for Ctrl-C, or for the system to ask for the end.
async fn interrupted() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut term) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = term.recv() => {}
            }
            return;
        }
    }
    if tokio::signal::ctrl_c().await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// Prints news as they come: a line of JSON each with `--json`, else words. Returns whether all
/// went well.
async fn tell(mut news: tokio::sync::broadcast::Receiver<News>, json: bool) -> bool {
    use tokio::sync::broadcast::error::RecvError;
    let mut good = true;
    loop {
        let news = match news.recv().await {
            Ok(news) => news,
            Err(RecvError::Lagged(n)) => {
                eprintln!("{n} news were not printed, they came too fast");
                continue;
            }
            Err(RecvError::Closed) => return good,
        };
        good &= !matches!(&news, News::Trouble { .. } | News::Ended { broken_off: Some(_), .. });
        let text = if json { serde_json::to_string(&news).ok() } else { words(&news) };
        if let Some(text) = text {
            println!("{text}");
        }
    }
}

fn words(news: &News) -> Option<String> {
    Some(match news {
        News::Began { line, bar, heat, length_m } => {
            format!("line {line}: bar {bar} of heat {heat}, {:.0} mm", length_m * 1e3)
        }
        News::Alarm { line, bar, alarm } => format!(
            "line {line}: bar {bar} alarm at {:.0} mm, {:.0} % FSH, beam {}",
            alarm.z_m * 1e3,
            alarm.height_fsh * 100.0,
            alarm.beam
        ),
        News::Progress(_) => return None,
        News::Ended { line, bar, broken_off: None } => format!("line {line}: bar {bar} has passed"),
        News::Ended { line, bar, broken_off: Some(why) } => {
            format!("line {line}: bar {bar} BROKEN OFF, held: {why}")
        }
        News::Judged { line, bar, shots, inspected, verdict } => format!(
            "line {line}: bar {bar} {shots} shots, {:.1} % inspected, {}",
            inspected * 100.0,
            verdict.map_or("not judged", barwright_report::text::verdict)
        ),
        News::Trouble { line, message } => format!("line {line}: {message}"),
    })
}

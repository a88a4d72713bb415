//! The command line, declared once; help comes from it.

use std::path::PathBuf;

use barwright_ledger::store::Home;
use barwright_web::JobFolder;
use clap::{Parser, Subcommand};

use crate::bench::Bench;
use crate::commands::{
    approve, bench as bench_command, calc, capture, certify, changeover, cut, decide, equipment,
    example, export, help, house, keys, ledger, level, look, people, plan, pod, receive, rules,
    screen, sentence, serve, technique, tokens, trends, twin, validate,
};
use crate::demo;
use crate::failure::{Failure, Outcome};

/// Engineering bench for in-line ultrasonic inspection of steel bars.
///
/// From an order and a station it works out a technique and proves what it sees, levels the beams
/// on a reference bar, checks them at line speed, screens and judges bars, and keeps the evidence.
/// Every command reads and writes the documents of one job folder (`--job`), under fixed names.
///
/// Barwright supports the judgement of qualified personnel and an approved written procedure; it
/// replaces neither.
#[derive(Debug, Parser)]
#[command(
    name = "barwright",
    version,
    propagate_version = true,
    arg_required_else_help = true,
    disable_help_subcommand = true,
    after_help = help::topics()
)]
pub struct Cli {
    /// Folder with the documents of the job.
    #[arg(long, global = true, value_name = "FOLDER", default_value = ".")]
    job: PathBuf,
    /// Ledger of a plant: the address of a PostgreSQL database, or a file; else the job folder's own.
    #[arg(
        long,
        global = true,
        value_name = "ADDRESS",
        env = "BARWRIGHT_LEDGER",
        hide_env_values = true
    )]
    ledger: Option<String>,
    /// Folder with the house's own languages, templates and logo; else the job folder's `house`.
    #[arg(long, global = true, value_name = "FOLDER", env = "BARWRIGHT_HOUSE")]
    house: Option<PathBuf>,
    /// Print the answer as JSON.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Args),
    Example(example::Args),
    Plan(plan::PlanArgs),
    Prove(plan::ProveArgs),
    Refbar(plan::RefbarArgs),
    Technique(technique::Args),
    Twin(twin::Args),
    Capture(capture::Args),
    Changeover(changeover::Args),
    Level(level::LevelArgs),
    Check(level::CheckArgs),
    Trends(trends::Args),
    Screen(screen::ScreenArgs),
    Receive(receive::Args),
    Rules(rules::Args),
    Sentence(sentence::Args),
    Decide(decide::Args),
    Cut(cut::Args),
    Ledger(ledger::Args),
    People(people::Args),
    Keys(keys::Args),
    Equipment(equipment::Args),
    Tokens(tokens::Args),
    Approve(approve::Args),
    Certify(certify::Args),
    House(house::Args),
    Export(export::Args),
    Serve(serve::Args),
    Look(look::Args),
    Pod(pod::Args),
    Validate(validate::Args),
    Calc(calc::Args),
    Bench(bench_command::Args),
    Help(help::Args),
}

impl Command {
    /// Whether it reads documents of the job folder and writes others from them: then it takes its turn.
    fn changes_documents(&self) -> bool {
        matches!(
            self,
            Self::Plan(_)
                | Self::Prove(_)
                | Self::Refbar(_)
                | Self::Changeover(_)
                | Self::Level(_)
                | Self::Check(_)
                | Self::Screen(_)
                | Self::Sentence(_)
                | Self::Decide(_)
                | Self::Cut(_)
                | Self::Approve(_)
                | Self::Certify(_)
                | Self::Export(_)
        )
    }
}

impl Cli {
    /// Does what was asked.
    ///
    /// # Errors
    /// When it could not be done.
    pub fn run(self) -> Result<Outcome, Failure> {
        let mut job = JobFolder::new(self.job);
        if let Some(address) = &self.ledger {
            job = job.with_ledger(Home::of(address));
        }
        if let Some(house) = self.house {
            job = job.with_house(house);
        }
        let bench = Bench { job, json: self.json };
        let _turn = self.command.changes_documents().then(|| bench.turn());
        match self.command {
            Command::Demo(args) => demo::run(&bench, &args),
            Command::Example(args) => example::run(&bench, &args),
            Command::Plan(args) => plan::plan(&bench, &args),
            Command::Prove(args) => plan::prove(&bench, &args),
            Command::Refbar(args) => plan::refbar(&bench, &args),
            Command::Technique(args) => technique::run(&bench, &args),
            Command::Twin(args) => twin::run(&bench, &args),
            Command::Capture(args) => capture::run(&bench, &args),
            Command::Changeover(args) => changeover::run(&bench, &args),
            Command::Level(args) => level::level(&bench, &args),
            Command::Check(args) => level::check(&bench, &args),
            Command::Trends(args) => trends::run(&bench, &args),
            Command::Screen(args) => screen::screen(&bench, &args),
            Command::Receive(args) => receive::run(&bench, &args),
            Command::Rules(args) => rules::run(&bench, &args),
            Command::Sentence(args) => sentence::run(&bench, &args),
            Command::Decide(args) => decide::run(&bench, &args),
            Command::Cut(args) => cut::run(&bench, &args),
            Command::Ledger(args) => ledger::run(&bench, &args),
            Command::People(args) => people::run(&bench, &args),
            Command::Keys(args) => keys::run(&bench, &args),
            Command::Tokens(args) => tokens::run(&bench, &args),
            Command::Equipment(args) => equipment::run(&bench, &args),
            Command::Approve(args) => approve::run(&bench, &args),
            Command::Certify(args) => certify::run(&bench, &args),
            Command::House(args) => house::run(&bench, &args),
            Command::Export(args) => export::run(&bench, &args),
            Command::Serve(args) => serve::run(&bench, &args),
            Command::Look(args) => look::run(&bench, &args),
            Command::Pod(args) => pod::run(&bench, &args),
            Command::Validate(args) => validate::run(&bench, &args),
            Command::Calc(args) => calc::run(&bench, &args),
            Command::Bench(args) => bench_command::run(&bench, &args),
            Command::Help(args) => help::run(&bench, &args),
        }
    }
}

//! `demo`: the whole job on an invented order and a virtual station.
//!
//! Strings together the steps that the other commands do one by one. Every figure in its summary
//! is computed; the truth is only looked at afterwards, to say what was found and missed.

mod clock;
mod day;
mod summary;

use std::path::PathBuf;

use barwright_job::Hash;
use barwright_ledger::Ledger;
use barwright_plan::{PlanWatch, ProveOptions};
use barwright_twin::{LotKind, Truth, VirtualStation, demo_scene, lot_scene};
use barwright_web::{JobFolder, files, steps};
use serde::Serialize;

use self::clock::{LineClock, Stopwatch};
use self::summary::Summary;
use crate::bench::Bench;
use crate::commands::example::Example;
use crate::commands::ledger::{What, record};
use crate::commands::{level, plan, serve};
use crate::failure::{Failure, Outcome};
use crate::{truth, virtual_captures};
use barwright_web::papers::Papers;

/// Do the whole job on an invented order and a virtual station, in one folder.
///
/// Plans 42 mm round bars for a ring of arc probes, proves the coverage, levels and checks on the
/// virtual station, screens a lot of which some bars carry known flaws, judges, records and prints.
/// Ends with what was found, missed and wrongly called. No server, no network.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder for everything; must be empty or hold an earlier demo.
    #[arg(long, value_name = "FOLDER", default_value = "out/demo")]
    out: PathBuf,
    /// Seed of everything random.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Number of bars in the lot.
    #[arg(long, default_value_t = 24)]
    bars: u32,
    /// Flaws of every kind anywhere in about half of the bars, instead of a few chosen ones.
    #[arg(long)]
    mixed: bool,
    /// A day on one line instead: two sizes, a check that fails, the hold list, the bars inspected again
    /// and released. Its ledger is that of `--ledger`, where given.
    #[arg(long, conflicts_with_all = ["bars", "mixed", "keep_captures"])]
    day: bool,
    /// Keep the raw captures of the bars (about 60 MB each), not only every peak and the A-scans
    /// around indications.
    #[arg(long)]
    keep_captures: bool,
    /// Open the pages on loopback afterwards.
    #[arg(long)]
    serve: bool,
    /// Address and port of the pages.
    #[arg(long, default_value = "127.0.0.1:8642", requires = "serve")]
    address: std::net::SocketAddr,
}

/// Marks a folder as a demo's own, so that a rerun may clear it and nothing else.
const MARK: &str = "demo.json";

/// Who enters the demo's records.
const AUTHOR: &str = "demo";

/// How often the reference bar goes through its motion list for a level.
const TURNS: u16 = 2;

#[derive(Serialize)]
struct Mark<'a> {
    made_by: &'a str,
    seed: u64,
    bars: u32,
}

/// Runs the demo.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let job = JobFolder::new(&args.out);
    let job = if args.day { job.with_ledger_of(&bench.job) } else { job };
    clear(&job)?;
    let text = serde_json::to_string_pretty(&Mark {
        made_by: "barwright demo",
        seed: args.seed,
        bars: args.bars,
    })
    .map_err(|e| Failure::because(&e))?;
    files::write(&job.path(MARK), text.as_bytes())?;
    if args.day {
        let day = day::run(bench, &job, args.seed)?;
        files::write(&job.path("summary.txt"), day.text().as_bytes())?;
        bench.answer(&day.text(), &day)?;
        bench.say(&format!("everything is in {}", args.out.display()));
        return Ok(Outcome::good_if(day.sound()));
    }
    let summary = Demo::new(bench, job.clone(), args)?.run()?;
    files::write(&job.path("summary.txt"), summary.text().as_bytes())?;
    let json = serde_json::to_string_pretty(&summary).map_err(|e| Failure::because(&e))?;
    files::write(&job.path("summary.json"), json.as_bytes())?;
    bench.answer(&format!("{}\n{}", summary.text(), summary.times_text()), &summary)?;
    bench.say(&format!("everything is in {}", args.out.display()));
    if args.serve {
        let bench = Bench { job, json: bench.json };
        return serve::run(&bench, &serve::Args { address: args.address, open: false });
    }
    Ok(Outcome::good_if(summary.sound()))
}

/// Empties a folder that an earlier demo made; refuses any other that is not empty.
fn clear(job: &JobFolder) -> Result<(), Failure> {
    let root = job.root();
    let occupied = match std::fs::read_dir(root) {
        Ok(mut entries) => entries.next().is_some(),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => false,
        Err(e) => {
            return Err(Failure::new(format!("{}: {e}", root.display()))
                .hint(Some("choose a folder you may write to with --out".into())));
        }
    };
    if !occupied {
        return Ok(());
    }
    if !job.path(MARK).exists() {
        return Err(Failure::new(format!("{} holds something that no demo made", root.display()))
            .hint(Some("choose an empty folder with --out".into())));
    }
    std::fs::remove_dir_all(root).map_err(|e| {
        Failure::new(format!("{}: the earlier demo cannot be removed: {e}", root.display()))
    })
}

/// A demo under way.
struct Demo<'a> {
    bench: &'a Bench,
    args: &'a Args,
    job: JobFolder,
    ledger: Ledger,
    clock: LineClock,
    watch: Stopwatch,
}

impl<'a> Demo<'a> {
    fn new(bench: &'a Bench, job: JobFolder, args: &'a Args) -> Result<Self, Failure> {
        Example::Round42.write(&job)?;
        let order = files::read_text(&job.order_path())?;
        let order = order.replace("count = 24", &format!("count = {}", args.bars));
        files::write(&job.order_path(), order.as_bytes())?;
        let clock = LineClock::start();
        let ledger =
            Ledger::create_at(&job.ledger_home(), &job.station()?.station.name, clock.now_us())?;
        Ok(Self { bench, args, job, ledger, clock, watch: Stopwatch::default() })
    }

    /// Enters a document of the job folder.
    fn enter(&mut self, what: What, name: &str) -> Result<(), Failure> {
        let record = record(&self.job, what, name)?;
        self.ledger.append(&record, AUTHOR, self.clock.now_us())?;
        Ok(())
    }

    fn run(mut self) -> Result<Summary, Failure> {
        let (bench, job) = (self.bench, self.job.clone());
        self.watch.begin("plan");
        let technique = steps::plan(&job, false, PlanWatch::default())?;
        bench.say(&plan::technique_text(&technique));
        for what in [What::Order, What::Station, What::Rules, What::Technique] {
            self.enter(what, "")?;
        }
        self.watch.begin("prove");
        let progress = bench.progress("proving coverage", 100);
        let proof = steps::prove(&job, &ProveOptions::default(), &|share| {
            progress.set_position((share * 100.0) as u64)
        })?;
        progress.finish_and_clear();
        for class in &proof.body.classes {
            bench.say(&plan::class_text(class));
        }
        self.enter(What::Proof, "")?;
        self.watch.begin("reference bar");
        let reference = steps::reference_bar(&job)?;
        self.enter(What::ReferenceBar, "")?;

        self.watch.begin("virtual station");
        let order = job.order()?;
        let scene = if self.args.mixed {
            let count = order.bars.count as usize;
            lot_scene(self.args.seed, &order, &technique.body, count, LotKind::Mixed)
        } else {
            demo_scene(self.args.seed, &order)
        };
        files::write(&job.path("scene.toml"), scene.to_toml().as_bytes())?;
        let known = Truth::of(&scene, &technique)?;
        files::write_sealed(&job.path("truth.json"), &known)?;
        let station = VirtualStation::new(&technique, &scene.station, scene.seed)?;

        self.watch.begin("level");
        let duration: f64 =
            reference.body.motion.iter().map(|m| m.duration_s).sum::<f64>() * f64::from(TURNS);
        virtual_captures::reference(&job, &station, &reference, None, TURNS, "reference-1")?;
        self.clock.pass_s(duration);
        let first = steps::level(&job, &[job.capture_path("reference-1")])?;
        bench.say(&level::level_text(&first));
        // The second capture shows what the first level's gains made of it; its level is in force.
        virtual_captures::reference(
            &job,
            &station,
            &reference,
            Some(&first),
            TURNS,
            "reference-2",
        )?;
        self.clock.pass_s(duration);
        let level = steps::level(&job, &[job.capture_path("reference-2")])?;
        bench.say(&level::level_text(&level));
        self.enter(What::Level, "")?;

        let mut checks = vec![self.check(&station, "check-01")?];
        let judgements = self.bars(&station, &scene)?;
        checks.push(self.check(&station, "check-02")?);

        self.watch.begin("papers");
        self.papers()?;
        self.watch.end();
        let now = self.clock.now_us();
        let states = self.ledger.bars(now)?;
        let verification = self.ledger.verify(None)?;
        let compared = truth::compare(&known.body, &judgements);
        Ok(Summary::new(summary::Parts {
            seed: self.args.seed,
            technique: &technique,
            proof: &proof,
            levels: [&first, &level],
            checks: &checks,
            judgements: &judgements,
            states: &states,
            verification: &verification,
            compared,
            rules: &job.rules()?,
            order: &order,
            times: self.watch.times(),
        }))
    }

    /// Passes the reference bar at line speed, judges and enters the check.
    fn check(
        &mut self,
        station: &VirtualStation,
        name: &str,
    ) -> Result<barwright_job::Sealed<barwright_job::check::Check>, Failure> {
        self.watch.begin("check");
        let (_, passes) = virtual_captures::check(&self.job, station, None, name)?;
        let (length, speed) =
            (self.job.reference()?.body.length_m, self.job.technique()?.body.line_speed_m_s);
        self.clock.pass_s(f64::from(passes) * (length / speed + 30.0));
        let (number, check) = steps::check(&self.job, &self.job.capture_path(name))?;
        self.bench.say(&level::check_text(number, &check));
        self.enter(What::Check, &number.to_string())?;
        Ok(check)
    }

    /// Screens, judges and enters every bar of the scene.
    fn bars(
        &mut self,
        station: &VirtualStation,
        scene: &barwright_twin::Scene,
    ) -> Result<Vec<barwright_job::Sealed<barwright_job::judgement::Judgement>>, Failure> {
        let speed = self.job.technique()?.body.line_speed_m_s;
        let length = self.job.order()?.bars.length_mm / 1e3;
        let progress = self.bench.progress("bars", scene.bars.len() as u64);
        let mut judgements = Vec::new();
        for bar in &scene.bars {
            self.watch.begin("virtual bars");
            virtual_captures::bar(&self.job, station, bar)?;
            // A bar's way through the ring, and the gap to the next.
            self.clock.pass_s(length / speed + 2.0);
            self.watch.begin("screen");
            let path = self.job.capture_path(&bar.name);
            steps::screen(&self.job, &path, true)?;
            if !self.args.keep_captures {
                std::fs::remove_file(&path)
                    .map_err(|e| Failure::new(format!("{}: {e}", path.display())))?;
            }
            self.watch.begin("sentence");
            judgements.push(steps::judge(&self.job, &bar.name)?);
            self.watch.begin("ledger");
            self.enter(What::Bar, &bar.name)?;
            self.enter(What::Judgement, &bar.name)?;
            progress.inc(1);
        }
        progress.finish_and_clear();
        Ok(judgements)
    }

    /// Sets every paper and enters it.
    fn papers(&mut self) -> Result<(), Failure> {
        self.clock.pass_s(60.0);
        let papers = Papers::new(&self.job, self.clock.now_us())?;
        let progress = self.bench.progress("papers", self.job.bars()?.len() as u64);
        let set = papers.all(|done| progress.set_position(done as u64))?;
        progress.finish_and_clear();
        for (name, bytes) in &set {
            files::write(&self.job.paper_path(name), bytes)?;
            let record = barwright_ledger::Record::paper(name, name, Hash::of(bytes), []);
            self.ledger.append(&record, AUTHOR, self.clock.now_us())?;
        }
        Ok(())
    }
}

//! `pod campaign`: trials by the virtual station.

use std::path::PathBuf;

use barwright_evaluate::pod::{PodError, SignalScale, false_calls, hit_miss, signal_response};
use barwright_gpu::{Choice, Engine};
use barwright_job::{
    Finding, Topic,
    pod::{Link, Pod, Scale},
};
use barwright_twin::{Campaign, campaign::FlawKind};
use barwright_web::files;

use super::{LinkWord, Naming, Told, refused, store, words};
use crate::bench::Bench;
use crate::campaign::{By, Pass, Ran, flaw_heights, run, span, trials};
use crate::failure::{Failure, Outcome};

/// What to run.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The campaign (TOML).
    #[arg(value_name = "FILE")]
    campaign: PathBuf,
    /// Name of the result: letters, digits, hyphens.
    #[arg(long)]
    name: String,
    /// Shape of the hit/miss curve.
    #[arg(long, value_enum, default_value_t = LinkWord::Logit)]
    link: LinkWord,
    /// Run this many passes more at most, then say how long the rest takes.
    #[arg(long, value_name = "N", conflicts_with = "heights")]
    most: Option<usize>,
    /// Heights of the echoes alone, of discs: no bar is passed or judged, thousands of flaws take minutes, and on a device
    /// seconds. Noise and calls are then left out.
    #[arg(long)]
    heights: bool,
    /// What computes heights: `gpu` a device of NVIDIA (a program built with the feature `gpu`), `cpu` the processors, `auto`
    /// a device where there is one.
    #[arg(long, value_name = "DEVICE", default_value_t = Choice::Auto, requires = "heights")]
    device: Choice,
}

/// Runs, or goes on with, a campaign and fits what came of it.
pub fn campaign(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let log = bench
        .job
        .campaign_path(&args.name)
        .ok_or_else(|| Failure::no_name(&args.name, "a result"))?;
    let campaign = files::read_written(&args.campaign, Campaign::from_toml)?;
    let (technique, rules, order) =
        (bench.job.technique()?, bench.job.rules()?, bench.job.order()?);
    let (station, reference) = (bench.job.station()?, bench.job.reference()?);
    let by = By {
        campaign: &campaign,
        technique: &technique,
        rules: &rules,
        order: &order,
        station: &station,
        reference: &reference,
    };
    if args.heights {
        return heights(bench, args, &by);
    }
    let progress = bench.progress("passes", 0);
    let ran = run(&by, &log, args.most, &progress, &|words| progress.suspend(|| bench.say(words)))?;
    progress.finish_and_clear();
    if ran.passes.len() < ran.whole {
        return left(bench, &ran);
    }
    let calls: u32 = ran.passes.iter().map(|p| p.false_calls).sum();
    let places: u32 = ran.passes.iter().map(|p| p.places).sum();
    let noise = false_calls(calls, places);
    let decision = rules.alarm.height_fsh_percent;
    let full = technique.body.record.full_scale_fsh * 99.9;
    let hits = hit_miss(&trials(&ran.passes, None), Scale::Log, Link::from(args.link));
    let heights = trials(&ran.passes, Some([decision, full]));
    let signals = signal_response(&heights, Scale::Log, SignalScale::Log, decision);
    let source = [("campaign", campaign.hash()), ("technique", technique.hash.clone())];
    let named = |name: &str, mut pod: Pod, unit: &str, other: Option<String>| {
        describe(&mut pod, &campaign, &ran.passes);
        unit.clone_into(&mut pod.signal_unit);
        pod.noise.clone_from(&noise);
        pod.findings.extend(other.map(|words| Finding::new(Topic::Validity, words)));
        let naming = Naming { name, subject: &campaign.subject, unit: "mm" };
        store(bench, &naming, pod, &source)
    };
    // Each stands for itself; what the other could not be fitted to is said with it.
    let (no_hits, no_signals) = (
        hits.as_ref().err().map(why("found and missed")),
        signals.as_ref().err().map(why("heights")),
    );
    let told = match (hits, signals) {
        (Err(e), Err(_)) => return Err(unfit(&e)),
        (hits, signals) => {
            let mut told = Vec::new();
            if let Ok(hits) = hits {
                told.push(("found and missed", named(&args.name, hits, "", no_signals)?));
            }
            if let Ok(signals) = signals {
                let name = format!("{}-signals", args.name);
                told.push(("heights", named(&name, signals, "% FSH", no_hits)?));
            }
            told
        }
    };
    let text: Vec<String> =
        told.iter().map(|(title, t)| format!("{title}\n{}", words(t))).collect();
    let (titles, all): (Vec<&str>, Vec<Told>) = told.into_iter().unzip();
    bench.answer(&text.join("\n"), &all)?;
    let whole = titles.len() == 2 && all.iter().all(|t| t.pod.a90_95.is_some());
    Ok(Outcome::good_if(whole))
}

fn why(what: &str) -> impl Fn(&PodError) -> String {
    move |e| format!("{what} were not fitted: {e}")
}

/// A campaign of heights alone.
fn heights(bench: &Bench, args: &Args, by: &By<'_>) -> Result<Outcome, Failure> {
    let engine = Engine::open(args.device);
    let progress = bench.progress("flaws", 0);
    let found = flaw_heights(by, &engine, &progress);
    progress.finish_and_clear();
    for sentence in engine.sentences() {
        bench.say(&sentence);
    }
    let (campaign, rules) = (by.campaign, by.rules);
    let decision = rules.alarm.height_fsh_percent;
    let full = by.technique.body.record.full_scale_fsh * 99.9;
    let passes = found?;
    let trials = trials(&passes, Some([decision, full]));
    let mut pod =
        signal_response(&trials, Scale::Log, SignalScale::Log, decision).map_err(|e| unfit(&e))?;
    describe(&mut pod, campaign, &passes);
    pod.signal_unit = "% FSH".into();
    pod.conditions[0] = format!(
        "By calculation: heights of echoes of {} flaws by the exact field of the bar (first passage), {} settings, seed {}. No noise, no false calls: what stands over the alarm height counts as found.",
        pod.targets, campaign.line.settings, campaign.seed
    );
    pod.not_covered
        .push("Noise, persistence, grouping and judging, which no height alone tells.".into());
    let source = [("campaign", campaign.hash()), ("technique", by.technique.hash.clone())];
    let naming = Naming { name: &args.name, subject: &campaign.subject, unit: "mm" };
    let told = store(bench, &naming, pod, &source)?;
    bench.answer(&words(&told), &told)?;
    Ok(Outcome::good_if(told.pod.a90_95.is_some()))
}

/// A campaign that is not at its end.
fn left(bench: &Bench, ran: &Ran) -> Result<Outcome, Failure> {
    let left = ran.whole - ran.passes.len();
    let time = ran.seconds_a_pass.map_or_else(String::new, |s| {
        format!("; at {s:.1} s a pass the rest takes about {}", span(s * left as f64))
    });
    let text = format!("{} of {} passes are known{time}", ran.passes.len(), ran.whole);
    bench.answer(
        &text,
        &serde_json::json!({
            "passes": ran.passes.len(),
            "whole": ran.whole,
            "seconds_a_pass": ran.seconds_a_pass,
        }),
    )?;
    Ok(Outcome::Attention)
}

fn unfit(e: &PodError) -> Failure {
    let failure = refused(e);
    match e {
        PodError::Separable { .. } => failure.hint(Some(
            "the sizes that are found and those that are missed do not overlap: run more bars, or sizes closer about where they part".into(),
        )),
        _ => failure,
    }
}

/// How the trials were made, and what they leave out.
fn describe(pod: &mut Pod, campaign: &Campaign, passes: &[Pass]) {
    let (flaw, line) = (&campaign.flaw, &campaign.line);
    let between = |[low, high]: [f64; 2], unit: &str| format!("{low} to {high} {unit}");
    let kind = match flaw.kind {
        FlawKind::Disc => "flat inclusions (discs), by diameter",
        FlawKind::Crack => "radial cracks open to the surface, by depth",
        FlawKind::CentrePipe => "open pipe on the axis, by diameter",
    };
    let mut how = vec![
        format!(
            "By calculation: the virtual station, exact field of the bar, {} bars of {} mm, {} passes each, seed {}.",
            campaign.bars, campaign.bar_length_mm, campaign.passes, campaign.seed
        ),
        format!("Flaws: {kind}, {}, even in the logarithm.", between(flaw.size_mm, "mm")),
    ];
    if let Some(depth) = flaw.depth_mm {
        let tilt = flaw.tilt_deg.unwrap_or_default();
        how.push(format!(
            "Depth {} even by area, anywhere around; turned by {} within the section.",
            between(depth, "mm"),
            between(tilt, "degrees")
        ));
    }
    if let Some(length) = flaw.length_mm {
        how.push(format!("Length {} along the bar, anywhere around.", between(length, "mm")));
    }
    how.push(format!(
        "Line: {} settings; axis up to {} mm off the ring's, wander {}, noise {} FSH, sensitivity scattered by {} dB (elements) and {} dB (probes), levelled on the reference bar{}.",
        line.settings,
        line.off_centre_mm,
        between(line.wobble_mm, "mm"),
        between(line.noise_fsh_percent, "%"),
        line.element_spread_db,
        line.probe_spread_db,
        line.warmer_k.map_or_else(String::new, |k| format!(", water {} off", between(k, "K")))
    ));
    let asked = campaign.bars as usize * campaign.flaws_per_bar as usize;
    let made: usize = passes.iter().filter(|p| p.pass == 0).map(|p| p.flaws.len()).sum();
    if made < asked {
        how.push(format!("{made} of {asked} flaws found room along the bars."));
    }
    pod.conditions = how;
    pod.not_covered.push(
        "What the virtual station leaves out: rough and irregular flaws, changes of mode at flaws, their shadows, wear of the gain curve, steel that scatters, people.".into(),
    );
    pod.not_covered.push(
        "Trials by calculation stand beside trials on steel; they do not replace them.".into(),
    );
}

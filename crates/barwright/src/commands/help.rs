//! `help`: the help of commands, and the chapters of the handbook as plain text.

mod plain;

use clap::CommandFactory as _;
use serde::Serialize;

use crate::bench::Bench;
use crate::cli::Cli;
use crate::failure::{Failure, Outcome};

/// Show the help of a command, or a chapter of the handbook.
///
/// Without a name: all commands, and the topics of the handbook.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A topic of the handbook, or a command with its subcommands: `help steps`, `help ledger bars`.
    #[arg(value_name = "TOPIC|COMMAND")]
    name: Vec<String>,
}

/// A chapter of the handbook.
struct Topic {
    name: &'static str,
    /// Its file in `docs/handbook`.
    file: &'static str,
    markdown: &'static str,
}

macro_rules! topics {
    ($($name:literal: $file:literal),* $(,)?) => {
        [$(Topic {
            name: $name,
            file: $file,
            markdown: include_str!(concat!("../../../../docs/handbook/", $file)),
        }),*]
    };
}

/// In the order in which they are read.
const TOPICS: [Topic; 11] = topics! {
    "handbook": "index.md",
    "first-hour": "first-hour.md",
    "steps": "steps.md",
    "own-captures": "own-captures.md",
    "figures": "figures.md",
    "validated": "validated.md",
    "plant": "plant.md",
    "adapting": "adapting.md",
    "exchange": "exchange.md",
    "interface": "interface.md",
    "troubleshooting": "troubleshooting.md",
};

impl Topic {
    /// The first heading of the chapter.
    fn title(&self) -> &str {
        let heading = self.markdown.lines().find_map(|line| line.strip_prefix("# "));
        heading.unwrap_or(self.name)
    }

    /// The chapter as plain text.
    fn text(&self) -> String {
        plain::text(self.markdown, &address)
    }
}

/// Where a link of a chapter leads, for somebody at a terminal; nothing within the chapter.
fn address(target: &str) -> Option<String> {
    let file = target.split('#').next().unwrap_or_default();
    if let Some(topic) = TOPICS.iter().find(|topic| topic.file == file) {
        return Some(format!("help {}", topic.name));
    }
    match file.strip_prefix("../") {
        Some(page) => Some(format!("docs/{page}")),
        None => (!file.is_empty()).then(|| file.to_owned()),
    }
}

/// The topics with their titles, as they stand below the list of commands.
pub fn topics() -> String {
    let mut text = String::from("Topics of the handbook (barwright help TOPIC):");
    for topic in &TOPICS {
        text.push_str(&format!("\n  {:<15}  {}", topic.name, topic.title()));
    }
    text
}

/// The answer as data.
#[derive(Debug, Serialize)]
struct Answer {
    /// What was asked for; empty for the list of everything.
    topic: String,
    text: String,
}

/// Shows what was asked for.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let answer = answer(&args.name)?;
    bench.answer(&answer.text, &answer)?;
    Ok(Outcome::Good)
}

fn answer(name: &[String]) -> Result<Answer, Failure> {
    let topic = name.join(" ");
    if let Some(chapter) = TOPICS.iter().find(|chapter| chapter.name == topic) {
        return Ok(Answer { topic, text: chapter.text() });
    }
    let mut root = Cli::command();
    root.build();
    let mut command = &mut root;
    for part in name {
        command = match command.find_subcommand_mut(part) {
            Some(found) => found,
            None => return Err(unknown(&topic)),
        };
    }
    let text = command.render_long_help().to_string();
    Ok(Answer { topic, text })
}

fn unknown(name: &str) -> Failure {
    let topics: Vec<&str> = TOPICS.iter().map(|topic| topic.name).collect();
    let root = Cli::command();
    let commands: Vec<&str> = root.get_subcommands().map(clap::Command::get_name).collect();
    Failure::new(format!("there is no topic and no command {name:?}")).hint(Some(format!(
        "topics: {}; commands: {}",
        topics.join(", "),
        commands.join(", ")
    )))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::path::{Path, PathBuf};

    use clap::{Parser as _, error::ErrorKind};
    use miette::Diagnostic as _;

    use super::*;

    fn ask(words: &str) -> Result<Answer, Failure> {
        let name: Vec<String> = words.split_whitespace().map(str::to_owned).collect();
        answer(&name)
    }

    fn project() -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
    }

    // By construction: a topic answers with its chapter, under its title.
    #[test]
    fn every_topic_is_found_and_says_something() {
        for topic in &TOPICS {
            let answer = ask(topic.name).expect("a topic");
            assert_eq!(answer.topic, topic.name);
            assert!(answer.text.starts_with(topic.title()), "{}", topic.name);
            // A screen is 24 lines; a chapter that has none of them was not written.
            assert!(answer.text.lines().count() > 24, "{}", topic.name);
        }
    }

    // Own rule: a chapter that no topic names could be read by nobody at a terminal.
    #[test]
    fn every_chapter_is_a_topic() {
        let folder = project().join("docs/handbook");
        let files: BTreeSet<String> = std::fs::read_dir(folder)
            .expect("the handbook")
            .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
            .collect();
        let named: BTreeSet<String> = TOPICS.iter().map(|topic| topic.file.to_owned()).collect();
        assert_eq!(files, named);
    }

    // Own rule: a name means one thing.
    #[test]
    fn no_topic_has_the_name_of_a_command() {
        for topic in &TOPICS {
            assert!(Cli::command().find_subcommand(topic.name).is_none(), "{}", topic.name);
        }
    }

    #[test]
    fn commands_show_their_help_and_nothing_shows_the_lists() {
        let root = Cli::command();
        for command in root.get_subcommands() {
            let answer = ask(command.get_name()).expect("a command");
            let usage = format!("barwright {}", command.get_name());
            assert!(answer.text.contains(&usage), "{usage}: {}", answer.text);
        }
        let bars = ask("ledger bars").expect("a subcommand");
        assert!(bars.text.contains("--heat"), "{}", bars.text);

        let all = ask("").expect("the lists").text;
        for topic in &TOPICS {
            assert!(all.contains(&format!("\n  {}", topic.name)), "{}", topic.name);
        }
        for command in root.get_subcommands() {
            assert!(all.contains(&format!("\n  {}", command.get_name())), "{all}");
        }
    }

    #[test]
    fn the_unknown_is_refused_with_what_there_is() {
        for name in ["stpes", "ledger stpes", "steps ledger"] {
            let failure = ask(name).expect_err("unknown");
            assert!(failure.to_string().contains(name), "{failure}");
            let hint = failure.help().expect("a hint").to_string();
            for known in ["steps", "troubleshooting", "plan", "ledger"] {
                assert!(hint.contains(known), "{known}: {hint}");
            }
        }
    }

    // Own rule: what is read at a terminal carries no marks of Markdown outside quoted code.
    #[test]
    fn no_marks_are_left() {
        for topic in &TOPICS {
            let text = topic.text();
            for mark in ["](", "**", "| ---", "```", ".md)#"] {
                assert!(!text.contains(mark), "{}: {mark}", topic.name);
            }
        }
        assert_eq!(address("steps.md#judge").as_deref(), Some("help steps"));
        assert_eq!(address("../people.md#keys").as_deref(), Some("docs/people.md"));
        assert_eq!(address("#judge"), None);
    }

    /// Command lines that a chapter quotes: in blocks after a `$`, or as code within a sentence.
    fn quoted(markdown: &str) -> Vec<String> {
        let mut found = Vec::new();
        let mut lines = markdown.lines();
        let mut block = false;
        while let Some(line) = lines.next() {
            if line.starts_with("```") {
                block = !block;
            } else if block {
                let Some(typed) = line.strip_prefix("$ ") else { continue };
                let mut typed = typed.to_owned();
                while let Some(open) = typed.strip_suffix('\\') {
                    typed = format!("{open}{}", lines.next().expect("the line goes on"));
                }
                let piped = typed.split(" | ").find(|part| part.starts_with("barwright "));
                found.extend(piped.map(str::to_owned));
            } else {
                let code = line.split('`').skip(1).step_by(2);
                found.extend(code.filter(|c| c.starts_with("barwright ")).map(str::to_owned));
            }
        }
        found
    }

    /// Words as a shell takes them: quotes hold together, `#` begins a comment.
    fn words(typed: &str) -> Vec<String> {
        let mut words = vec![String::new()];
        let mut quote = None;
        for c in typed.chars() {
            let last = words.last_mut().expect("there is one");
            match (quote, c) {
                (Some(q), c) if c == q => quote = None,
                (None, '"' | '\'') => quote = Some(c),
                (None, '#') if last.is_empty() => break,
                (None, ' ') => words.push(String::new()),
                _ => last.push(c),
            }
        }
        words.retain(|word| !word.is_empty());
        words
    }

    // Truth: the program's own command line. What the handbook quotes can be typed.
    #[test]
    fn every_command_line_of_the_handbook_parses() {
        let mut tried = 0;
        for topic in &TOPICS {
            for typed in quoted(topic.markdown) {
                tried += 1;
                match Cli::try_parse_from(words(&typed)) {
                    Ok(_) => {}
                    Err(e)
                        if matches!(
                            e.kind(),
                            // A family of commands by itself shows its help.
                            ErrorKind::DisplayHelp
                                | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand
                                | ErrorKind::DisplayVersion
                        ) => {}
                    Err(e) => panic!("{}: {typed}\n{e}", topic.file),
                }
            }
        }
        // The eight steps alone quote more than that.
        assert!(tried > 40, "only {tried} command lines were found");
        assert!(Cli::try_parse_from(words("barwright ledger bars --heet H1")).is_err());
    }

    // Truth: the tree. What the handbook names of the project is there.
    #[test]
    fn every_path_of_the_handbook_exists() {
        let mut tried = 0;
        for topic in &TOPICS {
            for code in topic.markdown.split('`').skip(1).step_by(2) {
                let place = ["crates/", "docs/", "examples/", "checks/", "rules/", "scripts/"];
                // Names of files that a job folder will hold have a placeholder in them.
                let of_tree = !code.contains("NN") && !code.contains(char::is_whitespace);
                if of_tree && place.iter().any(|p| code.starts_with(p)) {
                    tried += 1;
                    assert!(project().join(code).exists(), "{}: {code}", topic.file);
                }
            }
        }
        assert!(tried > 20, "only {tried} paths were found");
    }
}

//! Markdown as the handbook is written in, as plain text for a terminal of 100 columns.
//!
//! Headings are underlined, paragraphs and lists wrapped, tables set in columns whose cells wrap, code
//! is indented as it stands. Links keep their words, with where they lead in brackets.

/// Columns of the text.
const WIDTH: usize = 100;
/// Blanks between the columns of a table.
const GAP: usize = 2;

/// The text of a chapter. `address` says where a link leads, or that this need not be said.
pub fn text(markdown: &str, address: &dyn Fn(&str) -> Option<String>) -> String {
    let mut page = Page { out: String::new(), address };
    let mut lines = markdown.lines().peekable();
    while let Some(line) = lines.next() {
        let starts_block = |line: &str| {
            line.trim().is_empty()
                || line.starts_with(['#', '|'])
                || line.starts_with("```")
                || item(line).is_some()
        };
        if line.starts_with("```") {
            let code: Vec<&str> = lines.by_ref().take_while(|l| !l.starts_with("```")).collect();
            page.code(&code);
        } else if line.starts_with('#') {
            page.heading(line);
        } else if line.starts_with('|') {
            let mut rows = vec![line];
            while let Some(row) = lines.next_if(|l| l.starts_with('|')) {
                rows.push(row);
            }
            page.table(&rows);
        } else if line.trim().is_empty() {
            page.blank();
        } else {
            let mut block = line.trim().to_owned();
            while let Some(more) = lines.next_if(|l| !starts_block(l)) {
                block.push(' ');
                block.push_str(more.trim());
            }
            page.paragraph(&block, line);
        }
    }
    page.out.truncate(page.out.trim_end().len());
    page.out.push('\n');
    page.out
}

/// Width of the mark that begins an item of a list, blanks before it included.
fn item(line: &str) -> Option<usize> {
    let trimmed = line.trim_start();
    let before = line.len() - trimmed.len();
    let digits = trimmed.chars().take_while(char::is_ascii_digit).count();
    let numbered = digits > 0 && trimmed[digits..].starts_with(". ");
    let mark = if numbered { Some(digits + 2) } else { trimmed.starts_with("- ").then_some(2) };
    mark.map(|mark| before + mark)
}

struct Page<'a> {
    out: String,
    address: &'a dyn Fn(&str) -> Option<String>,
}

impl Page<'_> {
    fn line(&mut self, line: &str) {
        self.out.push_str(line.trim_end());
        self.out.push('\n');
    }

    fn blank(&mut self) {
        if !self.out.is_empty() && !self.out.ends_with("\n\n") {
            self.out.push('\n');
        }
    }

    fn heading(&mut self, line: &str) {
        let level = line.chars().take_while(|c| *c == '#').count();
        let words = self.inline(line[level..].trim());
        self.blank();
        self.line(&words);
        let under = if level == 1 { "=" } else { "-" };
        if level < 3 {
            self.line(&under.repeat(count(&words)));
        }
        self.blank();
    }

    fn code(&mut self, code: &[&str]) {
        self.blank();
        for line in code {
            self.line(&format!("    {line}"));
        }
        self.blank();
    }

    /// A paragraph, or an item of a list, whose lines after the first hang below its words.
    fn paragraph(&mut self, block: &str, first: &str) {
        let before = first.len() - first.trim_start().len();
        let hang = item(first).unwrap_or(before);
        let words = self.inline(block);
        for (number, line) in wrapped(&words, WIDTH - hang).into_iter().enumerate() {
            // The mark itself stands in the first line, so that this one hangs less.
            self.line(&format!("{}{line}", " ".repeat(if number == 0 { before } else { hang })));
        }
    }

    fn table(&mut self, rows: &[&str]) {
        let rows: Vec<Vec<String>> = rows
            .iter()
            .filter(|row| !row.chars().all(|c| matches!(c, '|' | '-' | ':' | ' ')))
            .map(|row| cells(row).iter().map(|cell| self.inline(cell)).collect())
            .collect();
        let widths = widths(&rows);
        let fits = rows.iter().flatten().zip(widths.iter().cycle()).all(|(c, w)| count(c) <= *w);
        self.blank();
        for (number, row) in rows.iter().enumerate() {
            let cells: Vec<Vec<String>> =
                row.iter().zip(&widths).map(|(cell, width)| wrapped(cell, *width)).collect();
            let height = cells.iter().map(Vec::len).max().unwrap_or(0);
            for at in 0..height {
                let mut line = String::new();
                for (cell, width) in cells.iter().zip(&widths) {
                    let part = cell.get(at).map_or("", String::as_str);
                    line.push_str(part);
                    line.push_str(&" ".repeat(width + GAP - count(part).min(*width)));
                }
                self.line(&line);
            }
            if number == 0 {
                let rule: Vec<String> = widths.iter().map(|width| "-".repeat(*width)).collect();
                self.line(&rule.join(&" ".repeat(GAP)));
            } else if !fits {
                // Rows of several lines are told apart by a blank one.
                self.blank();
            }
        }
        self.blank();
    }

    /// Words without the marks of emphasis and links; quoted code stays as it is.
    fn inline(&self, text: &str) -> String {
        let mut out = String::new();
        for (number, part) in text.split('`').enumerate() {
            if number % 2 == 1 {
                out.push_str(&format!("`{part}`"));
            } else {
                out.push_str(&part.replace('*', ""));
            }
        }
        self.links(&out)
    }

    fn links(&self, text: &str) -> String {
        let mut out = String::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once('[') {
            let link = after.split_once("](").and_then(|(words, tail)| {
                let (target, tail) = tail.split_once(')')?;
                (!words.contains('[')).then_some((words, target, tail))
            });
            out.push_str(before);
            let Some((words, target, tail)) = link else {
                out.push('[');
                rest = after;
                continue;
            };
            match (self.address)(target) {
                // Where it stands in brackets already, the address says enough.
                Some(address) if before.ends_with('(') && tail.starts_with(')') => {
                    out.push_str(&address);
                }
                Some(address) if address != words => {
                    out.push_str(&format!("{words} ({address})"));
                }
                _ => out.push_str(words),
            }
            rest = tail;
        }
        out.push_str(rest);
        out
    }
}

fn count(text: &str) -> usize {
    text.chars().count()
}

/// Cells of a row; a bar that is meant as one is written `\|`.
fn cells(row: &str) -> Vec<String> {
    let row = row.trim().trim_start_matches('|').trim_end_matches('|').replace("\\|", "\u{0}");
    row.split('|').map(|cell| cell.trim().replace('\u{0}', "|")).collect()
}

/// Widths of columns that fit the page: the widest give way first, down to their longest word.
fn widths(rows: &[Vec<String>]) -> Vec<usize> {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let most = |measure: &dyn Fn(&str) -> usize| -> Vec<usize> {
        (0..columns)
            .map(|c| rows.iter().filter_map(|r| r.get(c)).map(|t| measure(t)).max().unwrap_or(0))
            .collect()
    };
    let mut widths = most(&count);
    let least = most(&|text| text.split_whitespace().map(count).max().unwrap_or(0));
    let room = WIDTH.saturating_sub(GAP * columns.saturating_sub(1));
    while widths.iter().sum::<usize>() > room {
        let yields = (0..columns).filter(|c| widths[*c] > least[*c]).max_by_key(|c| widths[*c]);
        let Some(widest) = yields else { break };
        widths[widest] -= 1;
    }
    widths
}

/// Lines of at most so many characters, broken between words; a word that is longer stands alone.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && count(&line) + 1 + count(word) > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(markdown: &str) -> String {
        text(markdown, &|target| target.strip_suffix(".md").map(str::to_owned))
    }

    // Own rule, case by case, written out by hand.
    #[test]
    fn blocks_read_as_they_are_meant() {
        for (markdown, plain) in [
            ("# Steps\ntext", "Steps\n=====\n\ntext\n"),
            ("## **One** step", "One step\n--------\n"),
            ("one\ntwo\n\n\nthree", "one two\n\nthree\n"),
            (
                "```\n$ barwright plan | x\n  **not** bold\n```",
                "    $ barwright plan | x\n      **not** bold\n",
            ),
            ("- one\n  goes on\n- two", "- one goes on\n- two\n"),
            ("1. one\n2. two", "1. one\n2. two\n"),
            ("see [people](who.md), [here](#x) and [y", "see people (who), here and [y\n"),
            ("*so* ([people](who.md))", "so (who)\n"),
            (
                "| a | b |\n| --- | --- |\n| `x \\| y` | [z](#q) |",
                "a        b\n-------  -\n`x | y`  z\n",
            ),
        ] {
            assert_eq!(shown(markdown), plain, "{markdown}");
        }
    }

    // By construction: nothing is wider than the page, and no word is lost.
    #[test]
    fn long_text_is_broken_between_words() {
        let many = "word ".repeat(60);
        let item = format!("- {many}");
        let table = format!("| head | other |\n| --- | --- |\n| {many} | {many} |\n| a | b |");
        for markdown in [many.as_str(), item.as_str(), table.as_str()] {
            let plain = shown(markdown);
            assert!(plain.lines().all(|line| count(line) <= WIDTH), "{plain}");
            let words = |text: &str| text.matches("word").count();
            assert_eq!(words(&plain), words(markdown));
        }
        // Lines of an item hang below its words.
        assert!(shown(&item).lines().skip(1).all(|line| line.starts_with("  word")));
    }
}

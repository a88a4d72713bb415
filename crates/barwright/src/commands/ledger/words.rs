//! Entries, states and lists in words.

use std::fmt::Write as _;

use barwright_ledger::{
    Entry, State,
    store::questions::{Affected, Bars, HoldList, LineNow, Shipped, Story},
};

/// An entry in a line.
pub fn entry_text(entry: &Entry) -> String {
    format!(
        "{:>5}  {}  {:13}  {}  ({})  {}\n",
        entry.seq,
        entry.date(),
        entry.kind.word(),
        entry.subject,
        entry.author,
        entry.hash.short()
    )
}

/// A part of a long list of bars.
pub fn bars_text(found: &Bars) -> String {
    let mut text = String::new();
    for bar in &found.bars {
        let earlier = match bar.screening {
            Some(seq) if Some(seq) != bar.state.screened => " (screened again since)",
            _ => "",
        };
        let _ = writeln!(text, "{}: {}{earlier}", bar.state.bar, bar.state.state.words());
    }
    let _ = match found.total {
        0 => writeln!(text, "none"),
        total if found.next.is_some() => {
            writeln!(text, "{} of {total}; go on with --after", found.bars.len())
        }
        total => writeln!(text, "{total} altogether"),
    };
    text
}

/// The holds by cause: what to bring back, and what is left to do.
pub fn hold_lists_text(lists: &[HoldList]) -> String {
    let mut text = String::new();
    for list in lists {
        let last = match list.last_good_check {
            Some(seq) => format!("last good check: entry {seq}"),
            None => "no good check before".into(),
        };
        let on = if list.line.is_empty() { String::new() } else { format!("{}: ", list.line) };
        let _ = writeln!(
            text,
            "{on}{}; {last}; {} of {} bars still to be inspected again or decided",
            list.why.words(),
            list.open,
            list.bars.len()
        );
        for bar in &list.bars {
            let _ = writeln!(text, "  {}", affected_text(bar));
        }
    }
    if lists.is_empty() {
        text.push_str("no bar is held\n");
    }
    text
}

fn affected_text(bar: &Affected) -> String {
    let mut text = match bar.again {
        Some(seq) => {
            format!("{}: inspected again (entry {seq}), {}", bar.bar, bar.state.words())
        }
        None => match &bar.state {
            State::Held { why } => format!("{}: {}", bar.bar, why.cure()),
            state => format!("{}: {}", bar.bar, state.words()),
        },
    };
    if !bar.pieces.is_empty() {
        let _ = write!(text, "; cut into {}", bar.pieces.join(", "));
    }
    for shipped in &bar.shipped {
        let _ = write!(text, "; {}", shipped_text(shipped));
    }
    text
}

fn shipped_text(shipped: &Shipped) -> String {
    let what = match shipped.piece.as_str() {
        "" => "SHIPPED".to_owned(),
        piece => format!("piece {piece} SHIPPED"),
    };
    format!("{what} with {} to {} (entry {})", shipped.delivery, shipped.customer, shipped.seq)
}

/// Everything about one bar.
pub fn story_text(story: &Story) -> String {
    let state = &story.state;
    let mut text = format!("{}: {}\n", state.bar, state.state.words());
    let check = |seq: Option<i64>| seq.map_or("none".to_owned(), |seq| format!("entry {seq}"));
    let _ = writeln!(
        text,
        "check before: {}, check after: {}",
        check(state.opening_check),
        check(state.closing_check)
    );
    text.push_str("\nabout it:\n");
    text.extend(story.entries.iter().map(entry_text));
    text.push_str("\nit rests on:\n");
    text.extend(story.rests_on.iter().map(entry_text));
    for (equipment, place) in &story.equipment {
        let _ = writeln!(text, "in use at {place}: {equipment}");
    }
    for (piece, from_m, to_m) in &story.pieces {
        let _ = writeln!(text, "piece {piece}: {:.0} to {:.0} mm", from_m * 1e3, to_m * 1e3);
    }
    for shipped in &story.shipped {
        let _ = writeln!(text, "{}", shipped_text(shipped));
    }
    text
}

/// Lines and their next checks.
pub fn lines_text(lines: &[LineNow]) -> String {
    let mut text = String::new();
    for line in lines {
        let _ = write!(text, "{}: ", line.line);
        let _ = match (&line.closed, line.next_check_us) {
            (None, Some(us)) => {
                let due = barwright_ledger::entry::date(us);
                let late = if line.overdue { "OVERDUE, it was due " } else { "next check until " };
                write!(text, "{late}{due}")
            }
            (why, _) => {
                let why = why.map_or_else(String::new, |why| format!(": {}", why.words()));
                write!(text, "check before the next bar{why}")
            }
        };
        if let Some(operator) = &line.operator {
            let _ = write!(text, ", run by {operator}");
        }
        text.push('\n');
    }
    if lines.is_empty() {
        text.push_str("no line yet\n");
    }
    text
}

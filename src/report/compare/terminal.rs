//! A comparison on a terminal, at 80 columns.

use std::io::{self, Write};

use crate::compare::{Cell, Comparison, Group, Row, RowSubject, Tally};
use crate::text::{cut, safe, wrap};
use crate::words;

const WIDTH: usize = 80;
const LABEL_WIDTH: usize = 23;
/// A column with the blank before it: `−12.34 ± 0.56`.
const COLUMN_WIDTH: usize = 14;
const COLUMNS: usize = 4;

/// Writes what was compared, the matrix of required rows, who can be told apart, the questions with their answers, cautions and
/// how it was judged.
///
/// # Errors
/// Those of `out`.
pub fn table(comparison: &Comparison, out: &mut impl Write) -> io::Result<()> {
    let mut page = Page { out };
    page.head(comparison)?;
    for (i, groups) in comparison.groups.chunks(COLUMNS).enumerate() {
        page.matrix(comparison, i * COLUMNS, groups)?;
    }
    let left_out = comparison.rows.iter().filter(|row| !row.required || nothing_counted(row)).count();
    if left_out > 0 {
        let rows = if left_out == 1 { "row" } else { "rows" };
        page.wrapped("", &format!("{left_out} {rows} (advisory, or counts of nothing) in --csv and --json."))?;
    }
    page.title("Who can be told apart")?;
    comparison.apart.iter().try_for_each(|says| page.wrapped("  ", says))?;
    for question in &comparison.questions {
        page.title(&question.asks)?;
        for answer in &question.answers {
            page.wrapped("  ", &format!("{}: {}", words::capital(&answer.of), answer.says))?;
        }
    }
    if !comparison.cautions.is_empty() {
        page.title("Cautions")?;
        comparison.cautions.iter().try_for_each(|says| page.wrapped("  ", says))?;
    }
    page.title("How it was judged")?;
    comparison.method.iter().try_for_each(|says| page.wrapped("  ", says))
}

struct Page<'o, W> {
    out: &'o mut W,
}

impl<W: Write> Page<'_, W> {
    fn title(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "\n{text}")
    }

    /// The first line hangs out to the left by two.
    fn wrapped(&mut self, indent: &str, text: &str) -> io::Result<()> {
        let text = text.replace('\u{a0}', " ");
        for (i, line) in wrap(&text, WIDTH - indent.len() - 2).into_iter().enumerate() {
            let hang = if i > 0 { "  " } else { "" };
            writeln!(self.out, "{indent}{hang}{line}")?;
        }
        Ok(())
    }

    fn head(&mut self, comparison: &Comparison) -> io::Result<()> {
        let protocol = &comparison.protocol;
        self.wrapped("", &format!("{}, revision {}", protocol.title, protocol.revision))?;
        let day = |at: chrono::DateTime<chrono::Utc>| at.format("%Y-%m-%d").to_string();
        let (first, last) = (day(comparison.first), day(comparison.last));
        let when = if first == last { first } else { format!("{first} to {last}") };
        let specimens: std::collections::BTreeSet<&str> =
            comparison.sessions.iter().map(|session| session.specimen.as_str()).collect();
        let count = |n: usize, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
        let what = format!(
            "{} of {}, {when}",
            count(comparison.sessions.len(), "session"),
            count(specimens.len(), "specimen")
        );
        self.wrapped("", &what)?;
        self.wrapped("", &format!("by {}; value ± expanded uncertainty, verdicts beneath", comparison.by.word()))
    }

    fn matrix(&mut self, comparison: &Comparison, from: usize, groups: &[Group]) -> io::Result<()> {
        writeln!(self.out)?;
        let of_group = |group: &Group| {
            let sessions =
                if group.sessions == 1 { "1 session".to_owned() } else { format!("{} sessions", group.sessions) };
            [wrap(&group.name, COLUMN_WIDTH - 1), vec![sessions], tally(&group.verdicts)].concat()
        };
        self.beside(&[], &groups.iter().map(of_group).collect::<Vec<_>>())?;
        writeln!(self.out, "{}", "-".repeat(LABEL_WIDTH + COLUMN_WIDTH * groups.len()))?;
        for row in comparison.rows.iter().filter(|row| row.required && !nothing_counted(row)) {
            let unit = if row.unit.is_empty() { String::new() } else { format!(" ({})", row.unit) };
            let label = wrap(&format!("{}{unit}", words::capital(&row.name)).replace('\u{a0}', " "), LABEL_WIDTH);
            let cells: Vec<Vec<String>> = row.cells[from..from + groups.len()].iter().map(|c| cell(row, c)).collect();
            self.beside(&label, &cells)?;
        }
        Ok(())
    }

    /// A label and columns, each of some lines, beside each other.
    fn beside(&mut self, label: &[String], columns: &[Vec<String>]) -> io::Result<()> {
        let lines = columns.iter().map(Vec::len).chain([label.len()]).max().unwrap_or(0);
        for i in 0..lines {
            let mut line = format!("{:<LABEL_WIDTH$}", label.get(i).map_or("", String::as_str));
            for column in columns {
                let text = cut(&safe(column.get(i).map_or("", String::as_str)), COLUMN_WIDTH - 1);
                line.push_str(&format!("{text:>COLUMN_WIDTH$}"));
            }
            writeln!(self.out, "{}", line.trim_end())?;
        }
        Ok(())
    }
}

/// Seconds without data and the like, none anywhere and passed by all.
fn nothing_counted(row: &Row) -> bool {
    row.cells.iter().all(|cell| {
        let verdicts = cell.verdicts;
        cell.value == Some(0.0) && cell.expanded_uncertainty.is_none() && verdicts.fail + verdicts.undecided == 0
    })
}

fn cell(row: &Row, cell: &Cell) -> Vec<String> {
    let value = match cell.value {
        Some(value) => words::quantity(value, cell.expanded_uncertainty, "").replace('\u{a0}', " "),
        None if cell.censored > 0 => "a bound only".to_owned(),
        None => "no value".to_owned(),
    };
    if RowSubject::from_word(&row.of) == Some(RowSubject::Steady) {
        vec![value]
    } else {
        [vec![value], tally(&cell.verdicts)].concat()
    }
}

/// The worst first, a line for each.
fn tally(verdicts: &Tally) -> Vec<String> {
    let counts = [
        (verdicts.fail, "fail"),
        (verdicts.undecided, "undecided"),
        (verdicts.not_ridden, "not ridden"),
        (verdicts.not_applicable, "not appl."),
        (verdicts.pass, "pass"),
    ];
    counts.into_iter().filter(|(n, _)| *n > 0).map(|(n, word)| format!("{n} {word}")).collect()
}

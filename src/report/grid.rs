//! Columns and lines of any kind, as a register answers: a table for a terminal, lines for a spreadsheet.

use std::io::{self, Write};

use crate::register::Value;
use crate::text::{cut, safe};

const WIDTH: usize = 80;
const GAP: usize = 2;
/// What a column is narrowed to at the least.
const LEAST_WIDTH: usize = 6;

/// A table of at most 80 columns. What does not fit is cut, with an ellipsis, the widest column first; those in `whole`
/// are never cut. Numbers stand right; a missing value is blank.
///
/// # Errors
/// Those of `out`.
pub fn table(heads: &[String], lines: &[Vec<Value>], whole: &[usize], out: &mut impl Write) -> io::Result<()> {
    let cells: Vec<Vec<String>> = lines.iter().map(|line| line.iter().map(cell).collect()).collect();
    let heads: Vec<String> = heads.iter().map(|head| safe(head)).collect();
    let widest = |i: usize| cells.iter().map(|line| line[i].chars().count()).chain([heads[i].chars().count()]).max();
    let mut widths: Vec<usize> = (0..heads.len()).map(|i| widest(i).unwrap_or(0)).collect();
    let gaps = GAP * widths.len().saturating_sub(1);
    while widths.iter().sum::<usize>() + gaps > WIDTH {
        let can_shrink = |&i: &usize| !whole.contains(&i) && widths[i] > LEAST_WIDTH;
        let Some(widest) = (0..widths.len()).filter(can_shrink).max_by_key(|&i| (widths[i], i)) else { break };
        widths[widest] -= 1;
    }
    // A column of nothing but numbers and blanks.
    let right: Vec<bool> = (0..heads.len())
        .map(|i| {
            let mut numbers = lines.iter().map(|line| matches!(line[i], Value::Integer(_) | Value::Real(_)));
            let blank = |line: &Vec<Value>| matches!(line[i], Value::Null);
            numbers.any(|number| number)
                && lines.iter().all(|line| blank(line) || matches!(line[i], Value::Integer(_) | Value::Real(_)))
        })
        .collect();
    for line in std::iter::once(&heads).chain(&cells) {
        let padded = line.iter().enumerate().map(|(i, text)| {
            let text = cut(text, widths[i]);
            let pad = " ".repeat(widths[i] - text.chars().count());
            if right[i] { pad + &text } else { text + &pad }
        });
        let line = padded.collect::<Vec<_>>().join(&" ".repeat(GAP));
        writeln!(out, "{}", line.trim_end())?;
    }
    Ok(())
}

/// What a cell shows: six significant digits of a fraction.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::Integer(number) => number.to_string(),
        Value::Real(number) if number.fract() == 0.0 && number.abs() < 1e15 => format!("{number:.0}"),
        Value::Real(number) => {
            let whole_digits = (number.abs().log10().floor() as i32 + 1).max(0);
            let text = format!("{number:.*}", (6 - whole_digits).max(0) as usize);
            if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
        }
        Value::Text(text) => safe(text),
        Value::Blob(bytes) => format!("{} bytes", bytes.len()),
    }
}

/// A line of names, then the lines, every digit of their numbers. What is no number stands in quotes; text that a
/// spreadsheet would run begins with an apostrophe; a missing value is empty.
///
/// # Errors
/// Those of `out`.
pub fn csv<'l>(
    heads: &[String],
    lines: impl IntoIterator<Item = io::Result<&'l [Value]>>,
    out: impl Write,
) -> io::Result<()> {
    let mut writer = Lines::new(heads, out)?;
    for line in lines {
        writer.line(line?)?;
    }
    writer.finish()
}

/// [`csv()`] line by line.
pub struct Lines<W: Write>(csv::Writer<W>);

impl<W: Write> Lines<W> {
    /// # Errors
    /// Those of `out`.
    pub fn new(heads: &[String], out: W) -> io::Result<Self> {
        let mut writer = csv::WriterBuilder::new().quote_style(csv::QuoteStyle::NonNumeric).from_writer(out);
        writer.write_record(heads.iter().map(|head| crate::text::cell(head)))?;
        Ok(Self(writer))
    }

    /// # Errors
    /// Those of what is written to.
    pub fn line(&mut self, line: &[Value]) -> io::Result<()> {
        let cells = line.iter().map(|value| match value {
            Value::Null => String::new(),
            Value::Integer(number) => number.to_string(),
            Value::Real(number) => number.to_string(),
            Value::Text(text) => crate::text::cell(text),
            Value::Blob(_) => cell(value),
        });
        Ok(self.0.write_record(cells)?)
    }

    /// # Errors
    /// Those of what is written to.
    pub fn finish(mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(text: &str) -> Value {
        Value::Text(text.to_owned())
    }

    fn heads(heads: &[&str]) -> Vec<String> {
        heads.iter().map(|&head| head.to_owned()).collect()
    }

    fn shown(heads: &[String], lines: &[Vec<Value>], whole: &[usize]) -> String {
        let mut bytes = vec![];
        table(heads, lines, whole, &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn numbers_stand_right_and_what_is_missing_is_blank() {
        let lines =
            [vec![text("unit 017"), Value::Real(-14.25), Value::Integer(3)], vec![text("u"), Value::Null, Value::Null]];
        insta::assert_snapshot!(shown(&heads(&["unit", "error_w", "n"]), &lines, &[]), @r"
        unit      error_w  n
        unit 017   -14.25  3
        u
        ");
    }

    #[test]
    fn the_widest_column_is_cut_first_and_one_that_is_needed_whole_never() {
        let lines = [vec![text(&"a".repeat(70)), text(&"b".repeat(30))]];
        let table = shown(&heads(&["x", "y"]), &lines, &[1]);
        assert!(table.lines().all(|line| line.chars().count() <= WIDTH), "{table}");
        assert!(table.contains(&format!("{}…  {}", "a".repeat(47), "b".repeat(30))), "{table}");
    }

    #[test]
    fn what_would_move_a_cursor_or_be_run_does_neither() {
        let lines = [vec![text("\x1b[2Jx"), text("=1+1")]];
        assert!(!shown(&heads(&["a", "b"]), &lines, &[]).contains('\x1b'));
        let mut bytes = vec![];
        csv(&heads(&["a", "b"]), lines.iter().map(|line| Ok(line.as_slice())), &mut bytes).unwrap();
        assert_eq!(String::from_utf8(bytes).unwrap(), "\"a\",\"b\"\n\"\u{fffd}[2Jx\",\"'=1+1\"\n");
    }

    #[test]
    fn a_fraction_shows_six_digits_and_the_lines_hold_all() {
        for (number, is) in [(0.0951234567, "0.095123"), (1234.56789, "1234.57"), (-3.5, "-3.5"), (2.0, "2")] {
            assert_eq!(cell(&Value::Real(number)), is);
        }
        let mut bytes = vec![];
        csv(&heads(&["a"]), [Ok([Value::Real(0.1 + 0.2)].as_slice())], &mut bytes).unwrap();
        assert_eq!(String::from_utf8(bytes).unwrap(), "\"a\"\n0.30000000000000004\n");
    }
}

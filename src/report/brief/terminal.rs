//! The run sheet on a terminal of 80 columns, without colour.

use std::io::{self, Write};

use super::parts::{LineRow, PartRow};
use super::sheet::{RunSheet, Worn};
use crate::text::{safe, wrap};

const WIDTH: usize = 80;
/// Of a column of times, and of those that follow.
const AT: usize = 9;
const DOES: usize = 20;
const LASTS: usize = 12;
const POWER: usize = 18;
const CADENCE: usize = 11;
/// To write on.
const BLANK: &str = "______________";

/// # Errors
/// Those of `out`.
pub fn write(sheet: &RunSheet, out: &mut impl Write) -> io::Result<()> {
    let mut paper = TerminalSheet { out };
    paper.wrapped("", &format!("Run sheet: {}, revision {}", sheet.title, sheet.revision))?;
    if let Some(purpose) = &sheet.purpose {
        paper.wrapped("", purpose)?;
    }
    paper.wrapped("", &format!("{}, {}", sheet.setting, sheet.length))?;
    for note in &sheet.notes {
        paper.wrapped("", &format!("Note: {note}"))?;
    }
    paper.list("Cautions", "  ! ", &sheet.cautions)?;
    paper.head("Who and what")?;
    for (term, known) in &sheet.facts {
        paper.blank(term, known.as_deref())?;
    }
    sheet.instruments.iter().try_for_each(|worn| paper.worn(worn))?;
    paper.list("Before", "  [ ] ", &sheet.checks)?;
    paper.head("The ride")?;
    sheet.ride_notes.iter().try_for_each(|note| paper.wrapped("  ", note))?;
    writeln!(paper.out)?;
    sheet.parts.iter().try_for_each(|part| paper.part(part))?;
    paper.list("Where something goes wrong", "  ", &sheet.spoils)?;
    paper.head("To write down")?;
    if sheet.zeros {
        paper.wrapped("  ", &format!("Zero offset of each instrument: before {BLANK}  after {BLANK}"))?;
    }
    for (term, known) in &sheet.conditions {
        paper.blank(term, known.as_deref())?;
    }
    for load in &sheet.loads {
        let what = format!("{} {}, {}", load.mass, load.side, load.angle);
        paper.blank(&what, Some(&format!("{BLANK} N·m")))?;
    }
    paper.wrapped("  ", &format!("Spoiled: part and number {BLANK}  time of day {BLANK}"))
}

struct TerminalSheet<'w, W: Write> {
    out: &'w mut W,
}

impl<W: Write> TerminalSheet<'_, W> {
    fn head(&mut self, title: &str) -> io::Result<()> {
        writeln!(self.out, "\n{title}")
    }

    /// Lines of at most the terminal's width, those after the first under its text.
    fn wrapped(&mut self, first: &str, text: &str) -> io::Result<()> {
        let wide = first.chars().count();
        for (at, line) in wrap(text, WIDTH - wide).iter().enumerate() {
            let before = if at == 0 { first.to_owned() } else { " ".repeat(wide) };
            writeln!(self.out, "{before}{line}")?;
        }
        Ok(())
    }

    fn list(&mut self, title: &str, mark: &str, items: &[impl AsRef<str>]) -> io::Result<()> {
        if items.is_empty() {
            return Ok(());
        }
        self.head(title)?;
        items.iter().try_for_each(|item| self.wrapped(mark, item.as_ref()))
    }

    fn blank(&mut self, term: &str, known: Option<&str>) -> io::Result<()> {
        self.wrapped(&format!("  {:<24} ", safe(term)), known.unwrap_or(BLANK))
    }

    fn worn(&mut self, worn: &Worn) -> io::Result<()> {
        let said = |known: &Option<String>| known.clone().unwrap_or_else(|| BLANK.to_owned());
        let name = match (&worn.label, &worn.place) {
            (Some(label), Some(place)) => format!("{label}: {place}"),
            _ => BLANK.to_owned(),
        };
        let facts = format!("{name}, firmware {}, battery {}", said(&worn.firmware), said(&worn.battery));
        self.wrapped(&format!("  {:<24} ", worn.role), &facts)
    }

    fn part(&mut self, part: &PartRow) -> io::Result<()> {
        let at = format!("{:>7}  ", part.at.as_deref().unwrap_or(""));
        let easy = part.lines.first().filter(|_| part.easy && part.lines.len() == 1);
        if let Some(line) = easy {
            let asks = [Some(&line.lasts), line.power.as_ref(), line.ring.as_ref()];
            let asks: Vec<&str> = asks.into_iter().flatten().filter(|ask| *ask != "–").map(String::as_str).collect();
            return self.wrapped(&at, &format!("{}: {}", part.title, asks.join(", ")));
        }
        let times = part.times.map(|times| format!(", {times} times")).unwrap_or_default();
        let how: String = part.how.iter().map(|how| format!("; {how}")).collect();
        self.wrapped(&at, &format!("{}{times}{how}", part.title.to_uppercase()))?;
        part.lines.iter().try_for_each(|line| self.line(line))
    }

    fn line(&mut self, line: &LineRow) -> io::Result<()> {
        let at = format!("{:>7}  ", line.at.as_deref().unwrap_or(""));
        let times = line.times.map(|times| format!(" ({times} times)")).unwrap_or_default();
        let does = format!("{}{times}", line.does);
        let power = match (&line.power, &line.share) {
            (Some(power), Some(share)) => format!("{} ({})", short(power), short(share)),
            (power, _) => power.as_deref().map(short).unwrap_or_default(),
        };
        let lasts = if line.lasts == "–" { String::new() } else { short(&line.lasts) };
        let cadence = line.cadence.as_deref().map(short).unwrap_or_default();
        let ring = [
            line.ring.as_deref().map(|ring| ring.replace(" ring", "")),
            line.gear.as_ref().map(|g| g.replace(' ', "")),
        ];
        let ring = ring.into_iter().flatten().collect::<Vec<_>>().join(" ");
        if [&power, &lasts, &cadence, &ring].iter().all(|cell| cell.is_empty()) {
            return self.wrapped(&at, &does);
        }
        let cells = [(does, DOES), (lasts, LASTS), (power, POWER), (cadence, CADENCE), (ring, 0)];
        let (mut text, mut column) = (at, AT);
        for (cell, wide) in cells {
            let cell = safe(&cell);
            column += wide;
            if wide > 0 && cell.chars().count() >= wide {
                // What is too long for its column pushes the rest to the next line, under their own.
                writeln!(self.out, "{text}{cell}")?;
                text = " ".repeat(column);
            } else {
                text += &format!("{cell:<wide$}");
            }
        }
        if text.trim().is_empty() {
            return Ok(());
        }
        writeln!(self.out, "{}", text.trim_end())
    }
}

/// `at least 600 W` as `≥ 600 W`, `30 to 90 W` as `30–90 W`: columns are narrow here.
fn short(text: &str) -> String {
    text.replace("at least ", "≥ ").replace("at most ", "≤ ").replace(" to ", "–")
}

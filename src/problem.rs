//! Mistakes in files that people wrote, each at its place.

use std::fmt;
use std::path::PathBuf;

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

use crate::text::{safe, safe_lines};

/// One mistake: where, what, and the way out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    pub file: PathBuf,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// How many characters to underline, at least 1.
    pub length: usize,
    /// What is wrong and what was expected; lower case, no full stop.
    pub message: String,
    /// What to do, where more than the message is known (the nearest known key, the right form).
    pub help: Option<String>,
    /// The line as written; empty if the file could not be read.
    pub source_line: String,
}

impl Problem {
    /// A file that is not what it is given for, or can't be read at all: no line of it says more.
    pub(crate) fn of_whole(file: PathBuf, message: String, help: Option<String>) -> Self {
        Self { file, line: 1, column: 1, length: 1, message, help, source_line: String::new() }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (file, message) = (safe(&self.file.display().to_string()), safe(&self.message));
        let help = self.help.as_deref().map(safe);
        let group = Level::ERROR.primary_title(message.as_str());
        let group = if self.source_line.is_empty() {
            let whole = annotate_snippets::Origin::path(file);
            // Of a file that could not be read no line says more.
            let is_whole = (self.line, self.column) == (1, 1);
            group.element(if is_whole { whole } else { whole.line(self.line).char_column(self.column) })
        } else {
            let mut line = safe_lines(&self.source_line);
            if line.chars().count() < self.column {
                // A caret past the end of the line needs something to stand under.
                line.push(' ');
            }
            let byte = |column: usize| line.char_indices().nth(column).map_or(line.len(), |(at, _)| at);
            let from = byte(self.column - 1).min(line.len() - 1);
            let to = byte(self.column - 1 + self.length).clamp(from + 1, line.len());
            let mark = AnnotationKind::Primary.span(from..to);
            group.element(Snippet::source(line).line_start(self.line).path(file).annotation(mark))
        };
        let group = match &help {
            Some(help) => group.element(Level::HELP.message(help.as_str())),
            None => group,
        };
        write!(f, "{}", Renderer::plain().render(&[group]))
    }
}

/// Every mistake that reading a file and what it names has found: at least one, by file and place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems(Vec<Problem>);

impl Problems {
    /// `None` if there are none.
    pub(crate) fn of(mut problems: Vec<Problem>) -> Option<Self> {
        problems.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
        problems.dedup();
        (!problems.is_empty()).then_some(Self(problems))
    }

    pub fn iter(&self) -> std::slice::Iter<'_, Problem> {
        self.0.iter()
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("\n\n")?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

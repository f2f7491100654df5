//! Marks onto the disk, each at once.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::session::{MarksHeader, TimedMark};

/// What the first line says to whoever opens the file.
const COMMENT: &str =
    "# Marks of a ride, by the clock of the computer that wrote them. A line can be mended or taken out by hand.\n";

/// A marks file that can't be begun.
#[derive(Debug, thiserror::Error)]
#[error("{}: {source}; choose another place with --marks FILE", .file.display())]
pub struct MarksWriteError {
    pub file: PathBuf,
    pub source: io::Error,
}

/// Writes marks line by line, each on the disk before the next key. What was there stays.
#[derive(Debug)]
pub struct MarksWriter {
    file: File,
    written: usize,
    /// Not written yet, because the disk would not.
    waiting: String,
    trouble: Option<String>,
}

impl MarksWriter {
    /// A new file. One that is there is never written over.
    ///
    /// # Errors
    /// [`MarksWriteError`] if there is one, or if none can be made there.
    pub fn begin(path: &Path, heading: &MarksHeader) -> Result<Self, MarksWriteError> {
        let failed = |source| MarksWriteError { file: path.to_owned(), source };
        let file = OpenOptions::new().append(true).create_new(true).open(path).map_err(failed)?;
        let mut keeper = Self { file, written: 0, waiting: format!("{COMMENT}{heading}\n"), trouble: None };
        keeper.write().map_err(failed)?;
        // The file's name is on the disk only with its folder.
        if let Some(folder) = path.parent() {
            let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
            let _ = File::open(folder).and_then(|folder| folder.sync_all());
        }
        Ok(keeper)
    }

    /// A file with `written` marks, to go on with. Half a line at its end is left as it is; what follows has its own.
    ///
    /// # Errors
    /// [`MarksWriteError`] if it can't be opened.
    pub fn go_on(path: &Path, heading: &MarksHeader, written: usize) -> Result<Self, MarksWriteError> {
        let failed = |source| MarksWriteError { file: path.to_owned(), source };
        let mut file = OpenOptions::new().append(true).read(true).open(path).map_err(failed)?;
        let length = file.metadata().map_err(failed)?.len();
        let mut last = [b'\n'];
        if length > 0 {
            file.seek(SeekFrom::End(-1)).and_then(|_| file.read_exact(&mut last)).map_err(failed)?;
        }
        let mut waiting = if last == [b'\n'] { String::new() } else { "\n".to_owned() };
        if length == 0 {
            waiting = format!("{COMMENT}{heading}\n");
        }
        let mut keeper = Self { file, written, waiting, trouble: None };
        keeper.write().map_err(failed)?;
        Ok(keeper)
    }

    /// Writes marks; what the disk does not take is kept and tried again with the next.
    pub fn keep(&mut self, marks: &[TimedMark]) {
        for mark in marks {
            self.waiting.push_str(&format!("{mark}\n"));
            self.written += 1;
        }
        let was_in_trouble = self.trouble.is_some();
        if marks.is_empty() && !was_in_trouble {
            return;
        }
        self.trouble = self.write().err().map(|error| error.to_string());
        if self.trouble.is_some() && !was_in_trouble {
            // Part of a line may be there: the next try begins on one of its own.
            self.waiting.insert(0, '\n');
        }
    }

    fn write(&mut self) -> io::Result<()> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        self.file.write_all(self.waiting.as_bytes())?;
        self.file.flush()?;
        self.file.sync_data()?;
        self.waiting.clear();
        Ok(())
    }

    pub fn written(&self) -> usize {
        self.written
    }

    /// Why marks are not written, if they are not.
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::session::{MarkEvent, SessionEvent, load_marks};

    fn mark(s: i64) -> TimedMark {
        TimedMark {
            at: DateTime::from_timestamp(s, 0).unwrap(),
            what: MarkEvent::Session(SessionEvent::Paused),
            text: None,
        }
    }

    #[test]
    fn a_file_that_is_there_is_gone_on_with_and_never_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("m.yaml");
        let heading = MarksHeader { title: "t".into(), revision: "1".into(), sha256: "0".into() };
        MarksWriter::begin(&path, &heading).unwrap().keep(&[mark(1), mark(2)]);
        assert!(MarksWriter::begin(&path, &heading).is_err());
        // Half a line, as a crash leaves it.
        let before = std::fs::read_to_string(&path).unwrap() + "- { at: \"2026-11-28T1";
        std::fs::write(&path, &before).unwrap();
        let mut keeper = MarksWriter::go_on(&path, &heading, 2).unwrap();
        keeper.keep(&[mark(3)]);
        assert!(std::fs::read_to_string(&path).unwrap().starts_with(&before));
        let read = load_marks(&path, None).unwrap_or_else(|p| panic!("{p}"));
        assert_eq!((read.marks.len(), keeper.written(), read.cautions.len()), (3, 3, 1), "{:?}", read.cautions);
    }

    #[test]
    fn what_a_full_disk_does_not_take_is_told_and_kept() {
        let full = Path::new("/dev/full");
        if !full.exists() {
            return;
        }
        let file = OpenOptions::new().append(true).open(full).unwrap();
        let mut keeper = MarksWriter { file, written: 0, waiting: String::new(), trouble: None };
        keeper.keep(&[mark(1)]);
        assert!(keeper.trouble().is_some());
        let path = tempfile::NamedTempFile::new().unwrap();
        keeper.file = OpenOptions::new().append(true).open(path.path()).unwrap();
        keeper.keep(&[mark(2)]);
        assert_eq!(keeper.trouble(), None);
        assert_eq!(load_marks(path.path(), None).unwrap().marks.len(), 2);
    }
}

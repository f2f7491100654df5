//! What commands write: a document to a file of its own, never over what the command reads, never over another session's
//! sheet or verdict.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use serde::Deserialize;

use crate::files;
use crate::text::safe;

/// A path as a terminal may show it.
pub(super) fn shown(path: &Path) -> String {
    safe(&path.display().to_string())
}

/// Standard output (of a script, input), as options name it.
pub(super) fn is_standard_output(to: &Path) -> bool {
    to == Path::new("-")
}

/// What a command reads, so that nothing that it writes takes its place.
#[derive(Debug, Default, Clone)]
pub(super) struct Inputs {
    files: Vec<PathBuf>,
}

impl Inputs {
    pub(super) fn add(&mut self, file: &Path) {
        self.files.push(file.to_owned());
    }

    pub(super) fn extend<P: AsRef<Path>>(&mut self, files: impl IntoIterator<Item = P>) {
        files.into_iter().for_each(|file| self.add(file.as_ref()));
    }

    /// Whether each of these outputs may be written: none is an input, however its path is spelled, and no two are one file.
    ///
    /// # Errors
    /// A sentence with the first that may not.
    pub(super) fn may_write<P: AsRef<Path>>(&self, outputs: impl IntoIterator<Item = P>) -> anyhow::Result<()> {
        let mut places: Vec<PathBuf> = vec![];
        for to in outputs {
            let to = to.as_ref();
            refuse_pipe(to)?;
            // A terminal and the void take several.
            if is_standard_output(to) || std::fs::metadata(to).is_ok_and(|there| !there.is_file()) {
                continue;
            }
            if let Some(input) = self.files.iter().find(|input| is_same_file(input, to)) {
                let also = if input == to { String::new() } else { format!(" (as {})", input.display()) };
                bail!("{} is read by this command{also} and can't be written over; name another file", to.display());
            }
            let place = place(to);
            if places.contains(&place) {
                bail!("{} is named for two outputs; give each a file of its own", to.display());
            }
            places.push(place);
        }
        Ok(())
    }
}

/// A named pipe that nobody reads would be waited for without end; what a shell makes of `>(…)` is a link to one that is read.
fn refuse_pipe(to: &Path) -> anyhow::Result<()> {
    #[cfg(unix)]
    if std::fs::symlink_metadata(to).is_ok_and(|there| std::os::unix::fs::FileTypeExt::is_fifo(&there.file_type())) {
        bail!("{} is a pipe; name a file, or - for standard output", to.display());
    }
    Ok(())
}

/// Whether two paths lead to one file: by links, by another spelling, or as two names of it.
fn is_same_file(a: &Path, b: &Path) -> bool {
    if matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b) {
        return true;
    }
    has_two_names(a, b)
}

#[cfg(unix)]
fn has_two_names(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let id = |path: &Path| std::fs::metadata(path).map(|there| (there.dev(), there.ino()));
    matches!((id(a), id(b)), (Ok(a), Ok(b)) if a == b)
}

#[cfg(not(unix))]
fn has_two_names(_: &Path, _: &Path) -> bool {
    false
}

/// Where a file is, or will be.
fn place(to: &Path) -> PathBuf {
    let in_folder = || {
        let folder = folder_of(to).canonicalize().ok()?;
        Some(folder.join(to.file_name()?))
    };
    to.canonicalize().ok().or_else(in_folder).unwrap_or_else(|| to.to_owned())
}

fn folder_of(to: &Path) -> &Path {
    to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A document that says which sheet's it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Numbered {
    Sheet,
    Verdict,
}

impl Numbered {
    /// The sheet's number in a document; `None` for what is none.
    fn number(self, bytes: &[u8]) -> Option<String> {
        #[derive(Deserialize)]
        struct Head {
            sheet_number: String,
        }
        let number = match self {
            Numbered::Verdict => serde_json::from_slice::<Head>(bytes).ok()?.sheet_number,
            Numbered::Sheet => {
                let text = std::str::from_utf8(bytes).ok()?;
                let (title, _) = text.split_once("</title>")?;
                title.rsplit_once("verdict sheet ")?.1.to_owned()
            }
        };
        // It becomes part of a file's name.
        let plain = number.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
        (plain && (1..=40).contains(&number.len())).then_some(number)
    }
}

/// A file that made room for another one.
pub(super) struct KeptAside {
    pub from: PathBuf,
    pub to: PathBuf,
    /// Of the sheet that it is of; `None` for what is neither a sheet nor a verdict.
    pub number: Option<String>,
}

impl KeptAside {
    /// What a terminal says of it.
    pub(super) fn told(&self) -> String {
        let of = self.number.as_ref().map_or("no sheet or verdict".to_owned(), |number| format!("sheet {number}"));
        format!("Kept: {}, {of}, is now {}", shown(&self.from), shown(&self.to))
    }
}

/// Makes room where the sheet or verdict of this number is to be written. One of the same number is about to be replaced;
/// anything else that lies there is kept under a name of its own.
///
/// # Errors
/// Those of the file system; then it lies where it lay.
pub(super) fn make_room(to: &Path, kind: Numbered, number: &str) -> anyhow::Result<Option<KeptAside>> {
    let there = std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    if !std::fs::metadata(&there).is_ok_and(|there| there.is_file() && there.len() > 0) {
        return Ok(None);
    }
    let bytes = files::read(&there, files::VERDICT).unwrap_or_default();
    let own = kind.number(&bytes);
    if own.as_deref() == Some(number) {
        return Ok(None);
    }
    let aside = aside(&there, own.as_deref(), &bytes);
    std::fs::rename(&there, &aside)
        .with_context(|| format!("keeping {} under another name, {}", to.display(), aside.display()))?;
    // Shown as the command was told of it.
    let told = folder_of(to).join(aside.file_name().unwrap_or_default());
    Ok(Some(KeptAside { from: to.to_owned(), to: told.strip_prefix(".").unwrap_or(&told).to_owned(), number: own }))
}

/// `sheet-20261103-0A1B2C3D4E.html`; of what has no number `sheet-kept.html`; where that is taken by something else,
/// with `-2` and so on.
fn aside(there: &Path, number: Option<&str>, bytes: &[u8]) -> PathBuf {
    let stem = there.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
    let end = there.extension().map_or_else(String::new, |end| format!(".{}", end.to_string_lossy()));
    let word = number.unwrap_or("kept");
    let name = |n: u32| {
        let again = if n == 1 { String::new() } else { format!("-{n}") };
        there.with_file_name(format!("{stem}-{word}{again}{end}"))
    };
    // The same bytes were kept before: once is enough.
    let is_free = |path: &Path| {
        path.symlink_metadata().is_err()
            || (number.is_some() && files::read(path, files::VERDICT).is_ok_and(|kept| kept == bytes))
    };
    (1..).map(name).find(|path| is_free(path)).unwrap_or_else(|| name(u32::MAX))
}

/// To a temporary name in the same folder, then renamed: nobody ever finds half a file. A link is followed, and what
/// is no file (a pipe, a device) is written to, not replaced.
///
/// # Errors
/// Those of the file system.
pub(super) fn write_whole(to: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    write_whole_by(to, |file| Ok(file.write_all(bytes)?))
}

/// [`write_whole`] of what is too long to be held at once.
///
/// # Errors
/// Those of `write` and of the file system.
pub(super) fn write_whole_by(
    to: &Path,
    write: impl FnOnce(&mut dyn Write) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    refuse_pipe(to)?;
    let to = &std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    if std::fs::metadata(to).is_ok_and(|there| !there.is_file()) {
        return write(&mut std::fs::OpenOptions::new().write(true).open(to)?);
    }
    let mut builder = tempfile::Builder::new();
    // Temporary files are private by default; a sheet is to be shown around.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644));
    let mut file = builder.tempfile_in(folder_of(to))?;
    let mut buffered = std::io::BufWriter::new(&mut file);
    write(&mut buffered)?;
    buffered.flush()?;
    drop(buffered);
    file.persist(to)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_input_is_known_however_it_is_spelled() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        std::fs::create_dir(path("in")).unwrap();
        std::fs::write(path("in/a.yaml"), "x").unwrap();
        let mut inputs = Inputs::default();
        inputs.add(&path("in/a.yaml"));
        let mut spellings = vec!["in/a.yaml", "in/./a.yaml", "in/../in/a.yaml"];
        if cfg!(unix) {
            #[cfg(unix)]
            std::os::unix::fs::symlink("in/a.yaml", path("link")).unwrap();
            std::fs::hard_link(path("in/a.yaml"), path("second")).unwrap();
            spellings.extend(["link", "second"]);
        }
        for spelling in spellings {
            let refused = inputs.may_write([path(spelling)]).unwrap_err().to_string();
            assert!(refused.contains("is read by this command"), "{spelling}: {refused}");
        }
        inputs.may_write([path("in/b.yaml"), path("a.yaml"), PathBuf::from("-"), PathBuf::from("-")]).unwrap();
        let twice = inputs.may_write([path("new.html"), path("in/../new.html")]).unwrap_err().to_string();
        assert!(twice.contains("named for two outputs"), "{twice}");
    }

    #[test]
    fn only_a_plain_number_becomes_part_of_a_name() {
        let verdict = |number: &str| Numbered::Verdict.number(format!(r#"{{"sheet_number": "{number}"}}"#).as_bytes());
        assert_eq!(verdict("20261103-0A1B2C3D4E").as_deref(), Some("20261103-0A1B2C3D4E"));
        assert_eq!((verdict("../x"), verdict(""), verdict(&"1".repeat(41))), (None, None, None));
        let sheet = |title: &str| Numbered::Sheet.number(format!("<title>{title}</title><p>").as_bytes());
        assert_eq!(sheet("Fail: unit 017, verdict sheet 20261103-0A").as_deref(), Some("20261103-0A"));
        assert_eq!(sheet("a page"), None);
    }
}

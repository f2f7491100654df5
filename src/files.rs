//! Files that people name: opened only where they are files, read up to a bound, and the nearest name where there is none.
//!
//! A pipe that nobody writes to waits for ever, a device gives more than any memory holds, and a folder's error message
//! differs from system to system: all of them end here, in a sentence.

use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

/// Why a file can't be used; a sentence without a subject, for whoever has named the file already.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    #[error("no such file; {}", way_out(.nearest.as_deref()))]
    Missing {
        /// A file whose path is nearly the one that was asked for.
        nearest: Option<PathBuf>,
    },
    #[error("this is a link to a file that is not there; check where it leads")]
    DanglingLink,
    #[error("this is a folder, no file; name a file in it")]
    Folder,
    #[error("this is {0}, no file; write what it gives to a file and name that")]
    NoFile(&'static str),
    #[error("it has more than {} MB, more than {what} has; check what it is", .most_bytes >> 20)]
    TooLarge { what: &'static str, most_bytes: u64 },
    #[error("it can't be read ({0}); check that you may read it")]
    Unreadable(io::Error),
}

fn way_out(nearest: Option<&Path>) -> String {
    nearest.map_or_else(|| "check the path".to_owned(), |nearest| format!("did you mean `{}`?", nearest.display()))
}

/// How much of a kind of file is read.
#[derive(Debug, Clone, Copy)]
pub struct Bound {
    /// As a message names it: "a verdict".
    pub what: &'static str,
    pub most_bytes: u64,
}

/// Common practice, no source, as are those below: a long list of marks has some 100 kB.
pub const TEXT: Bound = Bound { what: "any text file here", most_bytes: 16 << 20 };
/// A verdict of a long session has some 300 kB.
pub const VERDICT: Bound = Bound { what: "any verdict", most_bytes: 64 << 20 };
/// A picture, or whatever else is only hashed.
pub const HASHED: Bound = Bound { what: "any picture or recording", most_bytes: 1 << 30 };

/// Opens a file to read; links are followed.
///
/// # Errors
/// [`FileError`] for what is missing, no regular file, or not to be read.
pub fn open(path: &Path) -> Result<File, FileError> {
    check(path)?;
    let file = File::open(path).map_err(FileError::Unreadable)?;
    // What was a file may have become something else.
    regular(&file.metadata().map_err(FileError::Unreadable)?)?;
    Ok(file)
}

/// Whether a path leads to a file, without opening it.
///
/// # Errors
/// As [`open`].
pub fn check(path: &Path) -> Result<(), FileError> {
    let there = std::fs::metadata(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound if path.is_symlink() => FileError::DanglingLink,
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => FileError::Missing { nearest: nearest(path) },
        _ => FileError::Unreadable(error),
    })?;
    regular(&there)
}

fn regular(there: &Metadata) -> Result<(), FileError> {
    if there.is_file() {
        return Ok(());
    }
    if there.is_dir() {
        return Err(FileError::Folder);
    }
    Err(FileError::NoFile(kind(there)))
}

#[cfg(unix)]
fn kind(there: &Metadata) -> &'static str {
    use std::os::unix::fs::FileTypeExt;
    let kind = there.file_type();
    if kind.is_fifo() {
        "a pipe"
    } else if kind.is_socket() {
        "a socket"
    } else {
        "a device"
    }
}

#[cfg(not(unix))]
fn kind(_: &Metadata) -> &'static str {
    "a device"
}

/// The whole of a file.
///
/// # Errors
/// As [`open`], and for one that is larger than its kind ever is.
pub fn read(path: &Path, bound: Bound) -> Result<Vec<u8>, FileError> {
    let Bound { what, most_bytes } = bound;
    let too_large = || FileError::TooLarge { what, most_bytes };
    let file = open(path)?;
    let length = file.metadata().map_err(FileError::Unreadable)?.len();
    if length > most_bytes {
        return Err(too_large());
    }
    let mut bytes = Vec::with_capacity(length as usize);
    // Some files say that they are empty, and are not.
    file.take(most_bytes + 1).read_to_end(&mut bytes).map_err(FileError::Unreadable)?;
    if bytes.len() as u64 > most_bytes { Err(too_large()) } else { Ok(bytes) }
}

/// SHA-256 of a file, lower-case hex, without holding it at once.
///
/// # Errors
/// As [`read`].
pub fn sha256(path: &Path, bound: Bound) -> Result<String, FileError> {
    let Bound { what, most_bytes } = bound;
    let mut file = open(path)?.take(most_bytes + 1);
    let (mut hash, mut chunk, mut length) = (Sha256::new(), vec![0; 1 << 16], 0);
    loop {
        match file.read(&mut chunk) {
            Ok(0) if length > most_bytes => return Err(FileError::TooLarge { what, most_bytes }),
            Ok(0) => return Ok(hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()),
            Ok(n) => {
                hash.update(&chunk[..n]);
                length += n as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(FileError::Unreadable(error)),
        }
    }
}

/// Names of one folder that are looked at for a likely one.
const MOST_NAMES: usize = 10_000;
/// Likeness (Jaro and Winkler) from which a name may have been meant, as for the words of the language.
const LIKE: f64 = 0.8;

/// Of two names; an ending that both have says nothing.
fn likeness(a: &str, b: &str) -> f64 {
    let parts = |name: &str| name.rsplit_once('.').map(|(stem, end)| (stem.to_owned(), end.to_owned()));
    match (parts(a), parts(b)) {
        (Some((a, of_a)), Some((b, of_b))) if of_a == of_b => strsim::jaro_winkler(&a, &b),
        _ => strsim::jaro_winkler(a, b),
    }
}

/// A file whose path differs from one that is missing by one name, which is nearly the same.
pub fn nearest(path: &Path) -> Option<PathBuf> {
    let there = |folder: &Path| if folder.as_os_str().is_empty() { Path::new(".") } else { folder }.to_owned();
    let folder = path.ancestors().skip(1).find(|folder| there(folder).is_dir())?;
    let mut rest = path.strip_prefix(folder).ok()?.components();
    let wrong = rest.next()?.as_os_str().to_str()?.to_lowercase();
    let names = std::fs::read_dir(there(folder)).ok()?.flatten().take(MOST_NAMES);
    let names = names.filter_map(|entry| entry.file_name().into_string().ok());
    let alike = names.map(|name| (likeness(&wrong, &name.to_lowercase()), name));
    let mut alike: Vec<(f64, String)> = alike.filter(|(likeness, _)| *likeness >= LIKE).collect();
    // Of two alike the first by name: folders come in no order.
    alike.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    let whole = |name: &str| match rest.as_path() {
        below if below.as_os_str().is_empty() => folder.join(name),
        below => folder.join(name).join(below),
    };
    alike.iter().map(|(_, name)| whole(name)).find(|found| found.is_file())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_told_and_a_far_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("recordings")).unwrap();
        for name in ["pedals-p.fit", "recordings/unit-017.fit", "recordings/trainer-t.fit"] {
            std::fs::write(folder.path().join(name), "x").unwrap();
        }
        let near = |name: &str| nearest(&folder.path().join(name));
        let is = |name: &str| Some(folder.path().join(name));
        assert_eq!(near("pedal-p.fit"), is("pedals-p.fit"));
        assert_eq!(near("Pedals-P.FIT"), is("pedals-p.fit"));
        assert_eq!(near("recordings/unit-17.fit"), is("recordings/unit-017.fit"));
        assert_eq!(near("recording/unit-017.fit"), is("recordings/unit-017.fit"));
        assert_eq!(near("recording/unit-17.fit"), None, "two slips are no slip");
        assert_eq!(near("marks.yaml"), None);
        assert_eq!(near("spider.fit"), None, "the ending alone");
        assert_eq!(near("recordings.fit"), None, "a folder is no file");
        let said = read(&folder.path().join("pedal-p.fit"), TEXT).unwrap_err().to_string();
        assert!(said.starts_with("no such file; did you mean `") && said.ends_with("pedals-p.fit`?"), "{said}");
    }

    #[test]
    fn only_a_file_is_read_and_only_up_to_its_bound() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a.yaml");
        std::fs::write(&file, "0123456789").unwrap();
        let ten = Bound { what: "a test", most_bytes: 10 };
        let nine = Bound { most_bytes: 9, ..ten };
        assert_eq!(read(&file, ten).unwrap(), b"0123456789");
        assert!(matches!(read(&file, nine), Err(FileError::TooLarge { .. })));
        // `printf 0123456789 | sha256sum`, GNU coreutils.
        let hash = "84d89877f0d4041efb6bf91a16f0248f2fd573e6af05c19f96bedb9f882f7882";
        assert_eq!(sha256(&file, ten).unwrap(), hash);
        assert!(matches!(sha256(&file, nine), Err(FileError::TooLarge { .. })));
        assert!(matches!(read(folder.path(), ten), Err(FileError::Folder)));
        assert!(matches!(read(&file.join("b"), ten), Err(FileError::Missing { .. })));
    }

    #[cfg(unix)]
    #[test]
    fn a_device_and_a_link_to_nothing_are_told() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("link");
        std::os::unix::fs::symlink("gone", &link).unwrap();
        assert!(matches!(read(&link, TEXT), Err(FileError::DanglingLink)));
        assert!(matches!(read(Path::new("/dev/zero"), TEXT), Err(FileError::NoFile("a device"))));
    }
}

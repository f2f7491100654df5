//! What commands write: a document to a file of its own.

use std::io::Write;
use std::path::Path;

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
    let to = &std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    if std::fs::metadata(to).is_ok_and(|there| !there.is_file()) {
        return write(&mut std::fs::OpenOptions::new().write(true).open(to)?);
    }
    let folder = to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    // Temporary files are private by default; a sheet is to be shown around.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644));
    let mut file = builder.tempfile_in(folder)?;
    let mut buffered = std::io::BufWriter::new(&mut file);
    write(&mut buffered)?;
    buffered.flush()?;
    drop(buffered);
    file.persist(to)?;
    Ok(())
}

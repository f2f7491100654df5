//! What commands write: a document to a file of its own.

use std::io::Write;
use std::path::Path;

/// To a temporary name in the same folder, then renamed: nobody ever finds half a file. A link is followed, and what
/// is no file (a pipe, a device) is written to, not replaced.
///
/// # Errors
/// Those of the file system.
pub(super) fn write_whole(to: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    let to = &std::fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    if std::fs::metadata(to).is_ok_and(|there| !there.is_file()) {
        return Ok(std::fs::write(to, bytes)?);
    }
    let folder = to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    // Temporary files are private by default; a sheet is to be shown around.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644));
    let mut file = builder.tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.persist(to)?;
    Ok(())
}

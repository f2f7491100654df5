//! A file to a [`Recording`]: unpacked, told by its content, read by its format's reader, put on the clock of its start.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use chrono::DateTime;
use flate2::read::MultiGzDecoder;
use rayon::prelude::*;
use sha2::{Digest, Sha256};

use super::contents::FormatContents;
use super::error::{MOST_UNPACKED_BYTES, RecordingError, RecordingErrorKind, STORED};
use super::model::{Format, Recording, Samples};
use super::table::Ordered;
use super::{cautions, csv, fit, xml};
use crate::files;

/// RFC 1952, 2.3.1.
const GZIP_MARK: [u8; 2] = [0x1F, 0x8B];

/// Reads one recording; FIT, TCX, GPX or CSV, plain or gzipped, is told by content, not by name.
///
/// # Errors
/// [`RecordingError`] if there is nothing to judge in the file. Damage is no error: what could be
/// read is returned, and [`Recording::damage`] says what is lost.
pub fn read(path: &Path) -> Result<Recording, RecordingError> {
    read_with(path, None)
}

/// [`read`] of a table whose time column is named by the user, not by one of the usual names.
///
/// # Errors
/// As [`read`]; and if the table has no such column.
pub fn read_with(path: &Path, time_column: Option<&str>) -> Result<Recording, RecordingError> {
    read_keeping_replaced(path, time_column).map(|(recording, _)| recording)
}

/// [`read`] of a file's bytes, for whoever has them already; `file` only names them.
///
/// # Errors
/// As [`read`].
pub fn read_bytes(file: &Path, bytes: &[u8]) -> Result<Recording, RecordingError> {
    let read = read_stored(file, bytes, None).map_err(|kind| RecordingError { file: file.to_owned(), kind });
    read.map(|(recording, _)| recording)
}

/// Reads several recordings in parallel; results are in the order of `paths`.
pub fn read_all(paths: &[PathBuf]) -> Vec<Result<Recording, RecordingError>> {
    paths.par_iter().map(|path| read(path)).collect()
}

/// Reads recordings in parallel, each with its time column, from where it was found (`found`: by the path that it is named
/// by, the path where it is now). They keep the paths that they are named by.
///
/// # Errors
/// As [`read_with`], of the first in order.
pub fn read_named(
    named: BTreeMap<PathBuf, Option<String>>,
    found: &BTreeMap<PathBuf, PathBuf>,
) -> Result<BTreeMap<PathBuf, Recording>, RecordingError> {
    let named: Vec<_> = named.into_iter().collect();
    let read = |(path, time_column): &(PathBuf, Option<String>)| {
        let read = read_with(found.get(path).unwrap_or(path), time_column.as_deref())?;
        Ok(Recording { file: path.clone(), ..read })
    };
    let read = named.par_iter().map(read).collect::<Result<Vec<Recording>, RecordingError>>()?;
    Ok(named.into_iter().map(|(path, _)| path).zip(read).collect())
}

/// [`read_with`], and beside it what merging took out: one row for each record that shares its time with
/// a later one, holding the values that the later one replaced. Both together are all that the file held.
pub fn read_keeping_replaced(path: &Path, time_column: Option<&str>) -> Result<(Recording, Samples), RecordingError> {
    read_file(path, time_column).map_err(|kind| RecordingError { file: path.to_owned(), kind })
}

fn read_file(path: &Path, time_column: Option<&str>) -> Result<(Recording, Samples), RecordingErrorKind> {
    let stored = files::read(path, STORED).map_err(RecordingErrorKind::Unreadable)?;
    read_stored(path, &stored, time_column)
}

fn read_stored(
    path: &Path,
    stored: &[u8],
    time_column: Option<&str>,
) -> Result<(Recording, Samples), RecordingErrorKind> {
    if stored.is_empty() {
        return Err(RecordingErrorKind::Empty);
    }
    let (bytes, mut damage) = unpacked(stored)?;
    let (format, contents) = if fit::is_fit(&bytes) {
        (Format::Fit, fit::read(&bytes))
    } else {
        let text = text(&bytes).ok_or(RecordingErrorKind::NotARecording)?;
        let text = text.trim_start_matches('\u{feff}').trim_start();
        match text.as_bytes().first() {
            Some(b'<') => xml::read(text).ok_or(RecordingErrorKind::NotARecording)?,
            Some(b'{' | b'[') => return Err(RecordingErrorKind::NotARecording),
            _ => (Format::Csv, csv::read(text, time_column)?),
        }
    };
    let FormatContents {
        head_unit,
        table,
        mut laps,
        mut timer,
        mut gears,
        mut positions,
        mut summaries,
        sensors,
        damage: found,
        mut cautions,
    } = contents;
    damage.extend(found);
    damage.extend(table.rows.damage());
    if time_column.is_some() && format != Format::Csv {
        cautions.push(format!("a {} file has its own times, so the session's `time:` is not used", format.word()));
    }
    let Some(Ordered { start_unix_s, samples, replaced }) = table.into_samples(&mut cautions) else {
        // Records without a time, say, are what is left of the ride.
        damage.extend(cautions);
        return Err(RecordingErrorKind::NoRecords { damage });
    };
    for lap in &mut laps {
        lap.start_s -= start_unix_s;
        lap.end_s -= start_unix_s;
    }
    timer.iter_mut().for_each(|event| event.at_s -= start_unix_s);
    gears.iter_mut().for_each(|gear| gear.at_s -= start_unix_s);
    positions.iter_mut().for_each(|change| change.at_s -= start_unix_s);
    for summary in &mut summaries {
        summary.start_s -= start_unix_s;
        summary.end_s -= start_unix_s;
    }

    let mut recording = Recording {
        file: path.to_owned(),
        sha256: Sha256::digest(stored).iter().map(|byte| format!("{byte:02x}")).collect(),
        bytes: stored.len() as u64,
        format,
        head_unit,
        // Every reader bounds its times far inside chrono's range.
        start: DateTime::from_timestamp_millis((start_unix_s * 1000.0).round() as i64).unwrap_or_default(),
        samples,
        laps,
        timer,
        gears,
        positions,
        summaries,
        sensors,
        damage,
        cautions,
    };
    let found = cautions::find(&recording);
    recording.cautions.extend(found);
    Ok((recording, replaced))
}

/// How far binary data is looked for: damage further on is no reason to give up a table.
const TEXT_BEGINS_WITHIN: usize = 512;

/// A file's text: UTF-16 where it begins with that mark, else UTF-8, at the loss of single letters where it is
/// of another encoding; no number suffers. `None` for binary data.
fn text(bytes: &[u8]) -> Option<Cow<'_, str>> {
    let wide = |word: fn([u8; 2]) -> u16| {
        let words = bytes[2..].chunks_exact(2).map(|pair| word([pair[0], pair[1]]));
        char::decode_utf16(words).map(|letter| letter.unwrap_or(char::REPLACEMENT_CHARACTER)).collect::<String>()
    };
    match bytes {
        [0xFF, 0xFE, ..] => Some(wide(u16::from_le_bytes).into()),
        [0xFE, 0xFF, ..] => Some(wide(u16::from_be_bytes).into()),
        _ if bytes[..bytes.len().min(TEXT_BEGINS_WITHIN)].contains(&0) => None,
        _ => Some(String::from_utf8_lossy(bytes)),
    }
}

/// The bytes behind a gzip wrapping, if there is one, and what was lost in unwrapping.
fn unpacked(stored: &[u8]) -> Result<(Cow<'_, [u8]>, Vec<String>), RecordingErrorKind> {
    if !stored.starts_with(&GZIP_MARK) {
        return Ok((stored.into(), Vec::new()));
    }
    let mut bytes = Vec::new();
    let damage = match MultiGzDecoder::new(stored).take(MOST_UNPACKED_BYTES + 1).read_to_end(&mut bytes) {
        Ok(n) if n as u64 > MOST_UNPACKED_BYTES => return Err(RecordingErrorKind::TooLarge),
        Ok(_) => Vec::new(),
        Err(error) => vec![format!("the gzip wrapping is damaged ({error}); read up to there")],
    };
    Ok((bytes.into(), damage))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error_for(content: Option<&[u8]>) -> String {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("unit-017.fit");
        if let Some(content) = content {
            std::fs::write(&file, content).unwrap();
        }
        let error = read(&file).unwrap_err();
        assert_eq!(error.file, file);
        error.kind.to_string()
    }

    #[test]
    fn each_kind_of_useless_file_has_its_own_message() {
        assert_eq!(error_for(None), "no such file; check the path");
        assert_eq!(error_for(Some(b"")), "the file is empty; copy it from the head unit again");
        assert!(error_for(Some(b"\x7fELF\0\0\0\x01")).starts_with("neither FIT, TCX or GPX nor a CSV table"));
        assert!(error_for(Some(b"Dear diary,\nit rained.\n")).starts_with("neither FIT, TCX or GPX nor a CSV table"));
        assert!(
            error_for(Some(b"<?xml version=\"1.0\", time?>")).starts_with("neither FIT, TCX or GPX nor a CSV table")
        );
        assert!(error_for(Some(b"power,cadence\n200,90\n")).starts_with("no time column among `power`, `cadence`;"));
        assert!(error_for(Some(b"time,power\n")).starts_with("no records in it;"));
    }

    #[test]
    fn a_gzipped_table_is_read_and_a_torn_one_up_to_the_tear() {
        use std::io::Write;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("unit-017.csv.gz");
        let mut table = "time,power\n".to_owned();
        for second in 0..5000 {
            table.push_str(&format!("{},{}\n", 1_600_000_000 + second, second * 7919 % 1013));
        }
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        encoder.write_all(table.as_bytes()).unwrap();
        let packed = encoder.finish().unwrap();

        std::fs::write(&file, &packed).unwrap();
        let whole = read(&file).unwrap();
        assert_eq!((whole.samples.len(), whole.damage.len()), (5000, 0));
        std::fs::write(&file, &packed[..packed.len() * 3 / 4]).unwrap();
        let torn = read(&file).unwrap();
        let kept = torn.samples.len() - 1;
        assert!(kept > 1000);
        assert_eq!(torn.samples.power_w[..kept], whole.samples.power_w[..kept]);
        assert!(torn.damage[0].starts_with("the gzip wrapping is damaged"));
    }

    #[test]
    fn a_folder_is_unreadable_not_missing() {
        let folder = tempfile::tempdir().unwrap();
        assert!(matches!(read(folder.path()).unwrap_err().kind, RecordingErrorKind::Unreadable(_)));
    }
}

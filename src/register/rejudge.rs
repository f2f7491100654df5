use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::document::{Document, hex};
use super::{Judged, Register, RegisterError};
use crate::session::{Instrument, Session};
use crate::verdict::{PlacedCheck, RecordingFacts, Verdict};
use crate::{judge, report, session};

/// Why a kept session could not be judged again.
#[derive(Debug, thiserror::Error)]
pub enum Unfound {
    #[error("it was judged without a session file; judge its recordings again and add the verdict")]
    NoSessionFile,
    #[error(
        "its session file `{0}` is neither in {1} nor in a folder of --recordings; give its folder with --recordings"
    )]
    SessionFile(String, String),
    #[error("its session file {0} was changed since; judge it again and add the verdict")]
    Changed(String),
    #[error("the recording `{file}` (SHA-256 {sha256:.12}…) is not there; give its folder with --recordings")]
    Recording { file: String, sha256: String },
    #[error("the protocol that its session names is another one now; judge it again and add the verdict")]
    Protocol,
    #[error("it was judged with pins or marks of the command line; judge it again with them and add the verdict")]
    CommandLine,
    #[error("its session can't be used any more: {0}")]
    Session(String),
    #[error("it can't be judged any more: {0}")]
    Judge(String),
    #[error("its session has no unit `{0}` any more")]
    Unit(String),
}

/// A kept session judged again.
#[derive(Debug)]
pub enum Again {
    Same,
    /// The new verdict, to be kept, and how many checks have another outcome or value.
    Differs {
        document: Box<Document>,
        verdict: Option<&'static str>,
        checks: usize,
    },
    Unfound(Unfound),
}

/// Folders in which files are looked for by what they hold, whatever they are called.
#[derive(Debug, Default)]
pub struct Places {
    by_sha256: BTreeMap<String, PathBuf>,
    /// What could not be read.
    pub unread: Vec<String>,
}

impl Places {
    /// Reads every file in these folders and in theirs.
    pub fn of(folders: &[PathBuf]) -> Self {
        let mut places = Self::default();
        let mut left: Vec<PathBuf> = folders.to_vec();
        while let Some(folder) = left.pop() {
            let entries = match std::fs::read_dir(&folder) {
                Ok(entries) => entries,
                Err(error) => {
                    places.unread.push(format!("{}: {error}", folder.display()));
                    continue;
                }
            };
            let mut paths: Vec<(PathBuf, std::fs::FileType)> =
                entries.flatten().filter_map(|entry| Some((entry.path(), entry.file_type().ok()?))).collect();
            paths.sort_by(|a, b| a.0.cmp(&b.0));
            for (path, kind) in paths {
                if kind.is_dir() {
                    left.push(path);
                } else if path.is_file() {
                    match std::fs::read(&path) {
                        Ok(bytes) => _ = places.by_sha256.entry(hex(&bytes)).or_insert(path),
                        Err(error) => places.unread.push(format!("{}: {error}", path.display())),
                    }
                }
            }
        }
        places
    }
}

impl Register {
    /// The newest judgement of every session, in the order in which sessions were first added.
    ///
    /// # Errors
    /// Where the register can't be read.
    pub fn all_newest(&self) -> Result<Vec<Judged>, RegisterError> {
        self.newest()
    }

    /// Judges a kept session again from its files, found where its verdict lay when it was added or by their hashes in
    /// `places`. Nothing is kept by this.
    ///
    /// # Errors
    /// Where the register can't be read.
    pub fn judge_again(&self, judged: &Judged, places: &Places) -> Result<Again, RegisterError> {
        let kept = self.verdict(judged.judgement)?;
        Ok(match again(&kept, judged, places) {
            Ok(again) => again,
            Err(why) => Again::Unfound(why),
        })
    }
}

fn again(kept: &Verdict, judged: &Judged, places: &Places) -> Result<Again, Unfound> {
    let session = found_session(kept, judged, places)?;
    let marks = session.marks_file.as_ref().map(|marks| &marks.sha256);
    let pinned = |rests_on: &[String]| rests_on.iter().any(|ground| ground == crate::matching::PINNED);
    let pins = kept.phases.iter().filter(|phase| phase.matched.as_ref().is_some_and(|m| pinned(&m.rests_on))).count();
    if marks != kept.session.marks.as_ref().map(|marks| &marks.sha256) || pins > session.pins.len() {
        return Err(Unfound::CommandLine);
    }
    let protocol = session.protocol.as_ref().map(|protocol| &protocol.sha256);
    if protocol != kept.protocol.as_ref().map(|protocol| &protocol.sha256) {
        return Err(Unfound::Protocol);
    }
    let judgements = judge::judge(&session).map_err(|error| Unfound::Judge(error.to_string()))?;
    let verdict = judgements.into_iter().map(|judgement| judgement.verdict);
    let verdict = verdict.into_iter().find(|verdict| verdict.unit.label == kept.unit.label);
    let verdict = verdict.ok_or_else(|| Unfound::Unit(kept.unit.label.clone()))?;
    let with_names = with_names_of(verdict, kept);
    if with_names == *kept {
        return Ok(Again::Same);
    }
    let checks = |v: &Verdict| -> Vec<_> {
        let told =
            |c: PlacedCheck<'_>| (c.name(), c.repeat(), c.check.verdict, c.check.value, c.check.expanded_uncertainty);
        v.checks().map(told).collect()
    };
    let (before, now) = (checks(kept), checks(&with_names));
    let changed = now.iter().filter(|check| !before.contains(check)).count();
    let gone = before.iter().filter(|b| !now.iter().any(|n| (&n.0, n.1) == (&b.0, b.1))).count();
    let bytes = report::json::to_string(&with_names).into_bytes();
    let document = Document::of(&bytes, judged.folder.clone().into(), judged.verdict_file.clone());
    let document = document.map_err(|error| Unfound::Judge(error.to_string()))?;
    let verdict = with_names.verdict.map(|outcome| outcome.word());
    Ok(Again::Differs { document: Box::new(document), verdict, checks: changed + gone })
}

/// A recording found under another name is still the same recording: names stay as kept, so that only what was judged
/// differently differs.
fn with_names_of(mut verdict: Verdict, kept: &Verdict) -> Verdict {
    let renamed: Vec<(String, String)> = verdict
        .recordings
        .iter()
        .filter_map(|now| {
            let before = kept.recordings.iter().find(|before| before.sha256 == now.sha256)?;
            (before.file != now.file).then(|| (now.file.clone(), before.file.clone()))
        })
        .collect();
    if renamed.is_empty() {
        return verdict;
    }
    let old = |name: &str| renamed.iter().find(|(now, _)| now == name).map(|(_, before)| before.clone());
    for recording in &mut verdict.recordings {
        recording.file = old(&recording.file).unwrap_or_else(|| recording.file.clone());
    }
    for clock in &mut verdict.clocks {
        clock.recording = old(&clock.recording).unwrap_or_else(|| clock.recording.clone());
    }
    for caution in &mut verdict.cautions {
        if let Some((now, before)) = renamed.iter().find(|(now, _)| caution.starts_with(&format!("{now}: "))) {
            *caution = caution.replacen(now.as_str(), before, 1);
        }
    }
    verdict
}

/// The session as its file says, with every recording where it was found by its hash.
fn found_session(kept: &Verdict, judged: &Judged, places: &Places) -> Result<Session, Unfound> {
    let (Some(name), Some(sha256)) = (&kept.session.file, &kept.session.sha256) else {
        return Err(Unfound::NoSessionFile);
    };
    let folder = Path::new(&judged.folder);
    let beside = folder.join(Path::new(name).file_name().unwrap_or_default());
    let beside_bytes = std::fs::read(&beside).ok();
    let is_it = |bytes: &Vec<u8>| hex(bytes) == *sha256;
    let (file, bytes) = match (places.by_sha256.get(sha256), beside_bytes) {
        (_, Some(bytes)) if is_it(&bytes) => (beside, bytes),
        (Some(file), _) => {
            let bytes = std::fs::read(file).ok().filter(is_it);
            (file.clone(), bytes.ok_or_else(|| Unfound::Changed(file.display().to_string()))?)
        }
        (None, Some(_)) => return Err(Unfound::Changed(beside.display().to_string())),
        (None, None) => return Err(Unfound::SessionFile(name.clone(), judged.folder.clone())),
    };
    let moved = kept.recordings.iter().filter_map(|recording| {
        let there = places.by_sha256.get(&recording.sha256)?;
        Some((recording.file.clone(), there.clone()))
    });
    let mut session = session::load_moved(&file, &bytes, moved.collect()).map_err(|problems| {
        let is_missing = |name: &str| problems.iter().any(|problem| problem.message.contains(name));
        let missing = kept.recordings.iter().find(|recording| {
            !places.by_sha256.contains_key(&recording.sha256) && is_missing(&format!("{}`", recording.file))
        });
        match missing {
            Some(missing) => missing_recording(missing),
            None => Unfound::Session(format!("\n{problems}")),
        }
    })?;
    let references = session.references.iter_mut().map(|r| &mut r.instrument);
    // What other units of the session were recorded by is told in sheets of their own.
    let unit = session.units.iter_mut().map(|u| &mut u.instrument).filter(|unit| unit.label == kept.unit.label);
    for instrument in unit.chain(references) {
        find_recordings(instrument, kept, places)?;
    }
    Ok(session)
}

fn missing_recording(recording: &RecordingFacts) -> Unfound {
    Unfound::Recording { file: recording.file.clone(), sha256: recording.sha256.clone() }
}

/// Every recording as it was when it was judged, wherever it lies.
fn find_recordings(instrument: &mut Instrument, kept: &Verdict, places: &Places) -> Result<(), Unfound> {
    let its: Vec<_> = kept.recordings.iter().filter(|recording| recording.instrument == instrument.label).collect();
    for path in &mut instrument.recordings {
        let hash = std::fs::read(&*path).map(|bytes| hex(&bytes)).unwrap_or_default();
        if its.iter().any(|recording| recording.sha256 == hash) {
            continue;
        }
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let Some(recording) = its.iter().find(|recording| recording.file == name) else {
            return Err(Unfound::Changed(format!("or what it names (`{name}`)")));
        };
        *path = places.by_sha256.get(&recording.sha256).cloned().ok_or_else(|| missing_recording(recording))?;
    }
    Ok(())
}

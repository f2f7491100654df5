//! What several commands' options have in common, and the program's name.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};

use super::files::Inputs;
use crate::protocol::{self, Protocol};
use crate::rehearse::{BENCHES, BenchKind};
use crate::report::table::Style;
use crate::session::{self, Session};

/// What the program is called.
pub(super) const NAME: &str = "assize";

/// A threshold power as an option takes it.
pub(super) fn watts(text: &str) -> Result<f64, String> {
    protocol::threshold_watts(text)
}

/// What is worn where, by its word.
pub(super) fn bench_words() -> impl TypedValueParser<Value = &'static BenchKind> {
    PossibleValuesParser::new(BENCHES.iter().map(|kind| PossibleValue::new(kind.word).help(kind.says)))
        .map(|word| BENCHES.iter().find(|kind| kind.word == word).unwrap_or(&BENCHES[0]))
}

/// The protocol that an option names; it and what it extends are inputs.
pub(super) fn load_protocol(
    file: &Path,
    threshold_power_w: Option<f64>,
    inputs: &mut Inputs,
) -> anyhow::Result<Protocol> {
    load_protocol_noting(file, threshold_power_w, inputs).map(|(protocol, _)| protocol)
}

/// [`load_protocol`], with what is possible in it but unusual.
pub(super) fn load_protocol_noting(
    file: &Path,
    threshold_power_w: Option<f64>,
    inputs: &mut Inputs,
) -> anyhow::Result<(Protocol, Vec<String>)> {
    let (protocol, notes) = protocol::load_noting(file, threshold_power_w)
        .map_err(|problems| anyhow::anyhow!("the protocol can't be used\n\n{problems}"))?;
    inputs.extend(notes.files);
    Ok((protocol, notes.cautions))
}

/// The session that an option names, as far as it is known before the ride; it and what it names are inputs.
pub(super) fn load_session_before_ride(file: &Path, inputs: &mut Inputs) -> anyhow::Result<Session> {
    let session = session::load_before_ride(file)
        .map_err(|problems| anyhow::anyhow!("the session can't be used\n\n{problems}"))?;
    inputs.add(file);
    inputs.extend(files_of(&session));
    Ok(session)
}

/// Every file that a session was read from or names.
pub(super) fn files_of(session: &Session) -> Vec<PathBuf> {
    let recordings = session.recordings().into_keys();
    let photos = session.photos.iter().map(|photo| photo.file.clone());
    session.files.iter().cloned().chain(recordings).chain(photos).collect()
}

/// Colour only where a person reads it and has not asked for none.
pub(super) fn style() -> Style {
    if std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none() { Style::Colour } else { Style::Plain }
}

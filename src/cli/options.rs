//! What several commands' options have in common, and the program's name.

use std::io::IsTerminal;
use std::path::Path;

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};

use crate::protocol::{self, Protocol};
use crate::rehearse::{BENCHES, BenchKind};
use crate::report::table::Style;
use crate::session::{self, Session};

/// What the program is called.
pub(super) const NAME: &str = "assize";

/// A power as an option takes it.
pub(super) fn watts(text: &str) -> Result<f64, String> {
    crate::protocol::watts(text).map_err(|slip| slip.to_string())
}

/// What is worn where, by its word.
pub(super) fn bench_words() -> impl TypedValueParser<Value = &'static BenchKind> {
    PossibleValuesParser::new(BENCHES.iter().map(|kind| PossibleValue::new(kind.word).help(kind.says)))
        .map(|word| BENCHES.iter().find(|kind| kind.word == word).unwrap_or(&BENCHES[0]))
}

/// The protocol that an option names.
pub(super) fn load_protocol(file: &Path, threshold_power_w: Option<f64>) -> anyhow::Result<Protocol> {
    protocol::load(file, threshold_power_w)
        .map_err(|problems| anyhow::anyhow!("the protocol can't be used\n\n{problems}"))
}

/// The session that an option names, as far as it is known before the ride.
pub(super) fn load_session_before_ride(file: &Path) -> anyhow::Result<Session> {
    session::load_before_ride(file).map_err(|problems| anyhow::anyhow!("the session can't be used\n\n{problems}"))
}

/// Colour only where a person reads it and has not asked for none.
pub(super) fn style() -> Style {
    if std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none() { Style::Colour } else { Style::Plain }
}

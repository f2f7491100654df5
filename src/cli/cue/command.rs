//! Its options, and the way through a session.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use chrono::{DateTime, Utc};

use super::marks_file::{BegunSession, MarksChoice, begin, goodbye};
use super::script::by_script;
use super::setup::CueSetup;
use super::terminal::by_keys;
use crate::cli::exit::Exit;
use crate::cli::files::{Inputs, is_standard_output};
use crate::cli::options::{load_protocol, load_session_before_ride, watts};
use crate::cue::CharacterSet;
use crate::files;
use crate::protocol::Setting;
use crate::session;
use crate::text::safe;

/// Run a session live: what to ride now and next, how long still, and marks of what was done
///
/// Full screen in a terminal, to be read from the bike; no colour needed. Each key and each prompt is written to the marks
/// file at once: name it in the session file (`marks: marks.yaml`) and `judge` takes it as evidence. Indoors: on the road
/// nobody steers by a screen.
#[derive(Debug, clap::Args)]
pub struct CueArgs {
    /// Protocol to ride (YAML)
    protocol: PathBuf,
    /// Session file of this ride, for the rider's threshold power; it may still be a draft. Marks go beside it
    #[arg(long, value_name = "FILE")]
    session: Option<PathBuf>,
    /// Marks file to write; if not said, marks.yaml beside the session file, or here
    #[arg(long, value_name = "FILE")]
    marks: Option<PathBuf>,
    /// Go on with the marks file that is there, where it ends, without asking
    #[arg(long)]
    go_on: bool,
    /// The rider's threshold power, for targets in per cent of it
    #[arg(long, value_name = "250W", value_parser = watts)]
    threshold: Option<f64>,
    /// No beep in the last three seconds
    #[arg(long)]
    silent: bool,
    /// Nothing but ASCII on the screen
    #[arg(long)]
    ascii: bool,
    /// On the road: somebody who neither rides nor drives keeps the list
    #[arg(long)]
    not_riding: bool,
    /// Keys from a file (- for standard input) instead of a terminal: lines of seconds and a key, as `12.5 space`; `show`
    /// prints the screen
    #[arg(long, value_name = "FILE")]
    script: Option<PathBuf>,
    /// With --script: the moment that its seconds count from
    #[arg(long, value_name = "TIME", requires = "script", default_value = "2026-01-01T12:00:00Z")]
    from: DateTime<Utc>,
}

pub fn run(args: &CueArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut inputs = Inputs::default();
    let session = args.session.as_deref().map(|file| load_session_before_ride(file, &mut inputs)).transpose()?;
    let from_session = session.and_then(|session| session.threshold_power_w);
    let protocol = load_protocol(&args.protocol, args.threshold.or(from_session), &mut inputs)?;
    if protocol.setting == Setting::Road && !args.not_riding {
        bail!(
            "this protocol is ridden on the road, where nobody steers by a screen: learn its drills by heart before you go. \
             If somebody who neither rides nor drives keeps the list, say --not-riding"
        );
    }
    let ascii = args.ascii || (args.script.is_none() && !speaks_unicode(|name| std::env::var(name).ok()));
    let letters = if ascii { CharacterSet::Plain } else { CharacterSet::Unicode };
    if args.script.is_none() && !(std::io::stdin().is_terminal() && std::io::stdout().is_terminal()) {
        bail!(
            "cue draws on a terminal and reads keys from it; run it in one (over ssh: ssh -t), or drive it by --script FILE"
        );
    }
    out.flush()?;
    let beside = args.session.as_deref().and_then(Path::parent).unwrap_or(Path::new(""));
    let file = args.marks.clone().unwrap_or_else(|| beside.join("marks.yaml"));
    if let Some(script) = args.script.as_ref().filter(|script| !is_standard_output(script)) {
        files::check(script).with_context(|| script.display().to_string())?;
        inputs.add(script);
    }
    may_mark(&inputs, &file, args)?;
    let choice = MarksChoice { file, go_on: args.go_on, scripted: args.script.is_some(), protocol: &protocol };
    let Some(begun) = begin(&choice, out)? else { return Ok(Exit::Done) };
    let BegunSession { mut prompter, mut keeper, marks } = begun;
    let name = marks.file_name().map_or_else(String::new, |name| safe(&name.to_string_lossy()));
    let mut setup = CueSetup { prompter: &mut prompter, keeper: &mut keeper, letters, name };
    let ended = match &args.script {
        Some(script) => by_script(&mut setup, script, args.from, out),
        None => by_keys(&mut setup, args.silent),
    };
    goodbye(&prompter, &keeper, &marks, out)?;
    ended?;
    Ok(Exit::Done)
}

/// The session may name the marks that it goes on with; nothing else that is read takes marks.
fn may_mark(inputs: &Inputs, file: &Path, args: &CueArgs) -> anyhow::Result<()> {
    let own = args.session.is_some() && session::load_marks(file, None).is_ok_and(|marks| marks.heading.is_some());
    if own { Ok(()) } else { inputs.may_write([file]) }
}

/// Whether the locale's characters are Unicode: the first of these that is set and not empty says so.
fn speaks_unicode(get: impl Fn(&str) -> Option<String>) -> bool {
    let set = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().filter_map(get).find(|value| !value.is_empty());
    set.is_some_and(|value| value.to_uppercase().replace('-', "").contains("UTF8"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_locale_says_whether_it_is_unicode() {
        let of = |set: &[(&str, &str)]| speaks_unicode(|name| set.iter().find(|s| s.0 == name).map(|s| s.1.to_owned()));
        assert!(of(&[("LANG", "en_GB.UTF-8")]) && of(&[("LC_ALL", "C.utf8"), ("LANG", "C")]));
        assert!(!of(&[]) && !of(&[("LANG", "C")]) && !of(&[("LC_ALL", "POSIX"), ("LANG", "en_GB.UTF-8")]));
        assert!(of(&[("LC_ALL", ""), ("LANG", "en_GB.UTF-8")]));
    }
}

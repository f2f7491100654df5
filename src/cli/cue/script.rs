//! Keys from a script.

use std::io::{BufRead, Write};
use std::path::Path;

use anyhow::{Context, bail};
use chrono::{DateTime, TimeDelta, Utc};

use super::setup::CueSetup;
use crate::cue::{ScriptLine, ScriptRequest};
use crate::files;

/// Lines one by one, as they come. A script that ends before the session leaves it as a pulled plug would.
pub(super) fn by_script(
    setup: &mut CueSetup,
    script: &Path,
    from: DateTime<Utc>,
    out: &mut impl Write,
) -> anyhow::Result<()> {
    let lines: Box<dyn BufRead> = if script == Path::new("-") {
        Box::new(std::io::stdin().lock())
    } else {
        let script = files::read(script, files::TEXT).with_context(|| script.display().to_string())?;
        Box::new(std::io::Cursor::new(script))
    };
    let (mut size, mut last_s) = ((80, 24), 0.0);
    for (number, line) in lines.lines().enumerate() {
        let place = || format!("{}, line {}", script.display(), number + 1);
        let Some(script) = ScriptLine::read(&line.with_context(place)?).with_context(place)? else { continue };
        if script.at_s < last_s {
            bail!("{}: {} s is before the line above; write the lines in order of time", place(), script.at_s);
        }
        last_s = script.at_s;
        let now = from + TimeDelta::milliseconds((script.at_s * 1000.0).round() as i64);
        setup.tick(now);
        match script.asked {
            ScriptRequest::Press(key) => setup.press(key, now, size),
            ScriptRequest::Size(width, height) => size = (width, height),
            ScriptRequest::Show => {
                writeln!(out, "---- {} s", script.at_s)?;
                for line in setup.picture(now, size) {
                    writeln!(out, "{line}")?;
                }
                out.flush()?;
            }
        }
    }
    Ok(())
}

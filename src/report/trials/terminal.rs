//! What many rehearsals showed, on a terminal.

use std::io::{self, Write};

use super::wording::{SizeInWords, Sizes, interrupted, pct, seeds, sessions, size, with_interval};
use crate::rehearse::RehearsalBench;
use crate::trials::{FoundSize, Ladder, Sound, Trials, TrialsSummary, Work};

/// Checks of a sound unit that are told.
const MOST_CHECKS: usize = 6;

/// # Errors
/// Those of `out`.
pub fn table(trials: &Trials, summary: &TrialsSummary, out: &mut impl Write) -> io::Result<()> {
    let protocol = trials.protocol;
    writeln!(out, "{}, revision {}", protocol.title, protocol.revision)?;
    let asked = if interrupted(trials, summary) { format!(" (of {})", trials.sessions) } else { String::new() };
    let (each, seeds) = (sessions(summary.sessions), seeds(trials, summary));
    writeln!(out, "{each} rehearsed sessions{asked} of each, {seeds}; {}", worn(trials))?;
    writeln!(
        out,
        "Riders and head units differ from session to session; references are off by a draw from what they state."
    )?;
    if let Some(found) = &summary.sound {
        sound(found, out)?;
    }
    if !summary.ladders.is_empty() {
        writeln!(out, "\n{:<30} {:>22} {:>9} {:>12}", "fault", "fails, 95 % interval", "named", "undecided")?;
    }
    for one in &summary.ladders {
        ladder(one, out)?;
    }
    work(&summary.work, out)
}

fn worn(trials: &Trials) -> String {
    let RehearsalBench { unit, references } = trials.bench.clone().in_setting(trials.setting);
    let references: Vec<&str> = references.iter().map(|fitted| fitted.label.as_str()).collect();
    format!("{} against {}, {}", unit.label, references.join(" and "), trials.setting.word())
}

fn sound(sound: &Sound, out: &mut impl Write) -> io::Result<()> {
    let [passed, failed, undecided] =
        [sound.counts.passed, sound.counts.failed, sound.counts.undecided].map(with_interval);
    writeln!(out, "\nsound unit: passes in {passed}, fails in {failed}, undecided in {undecided}")?;
    for (what, by) in [("fails by", &sound.failed_by), ("undecided by", &sound.undecided_by)] {
        let words: Vec<String> =
            by.iter().take(MOST_CHECKS).map(|(check, share)| format!("{check} {}", pct(*share))).collect();
        if !words.is_empty() {
            writeln!(out, "  {what}: {}", words.join(", "))?;
        }
    }
    Ok(())
}

fn ladder(ladder: &Ladder, out: &mut impl Write) -> io::Result<()> {
    for rung in &ladder.rungs {
        writeln!(
            out,
            "{:<30} {:>22} {:>9} {:>12}",
            rung.fault.as_ref().map(ToString::to_string).unwrap_or_default(),
            with_interval(rung.failed),
            rung.named.map(pct).unwrap_or_default(),
            pct(rung.undecided)
        )?;
    }
    if !Sizes::of(ladder).any {
        return writeln!(out);
    }
    let fails = ladder.fails.map(|found| format!("fails in 9 of 10 {}", from(found, ladder)));
    let named = ladder.named.zip(ladder.pattern);
    let named = named.map(|(found, pattern)| format!("named `{}` {}", pattern.word(), from(found, ladder)));
    let words: Vec<String> = fails.into_iter().chain(named).collect();
    writeln!(out, "  {}\n", words.join("; "))
}

fn from(found: FoundSize, ladder: &Ladder) -> String {
    let SizeInWords { text, limits } = size(found, ladder);
    let words = match (found, limits) {
        (FoundSize::Above(most), _) => format!("at no size up to {}", Sizes::of(ladder).with_unit(most)),
        (_, Some(limits)) => format!("from {text} on (95 % interval {limits})"),
        (_, None) => format!("from {text} on"),
    };
    words.replace('\u{a0}', " ")
}

fn work(work: &Work, out: &mut impl Write) -> io::Result<()> {
    if work.failed == 0 {
        return Ok(());
    }
    writeln!(out, "Of {} failed sessions with a fault", work.failed)?;
    writeln!(out, "{:<30} {:>16} {:>22}", "", "fail by it", "fail by nothing else")?;
    for place in &work.places {
        writeln!(out, "{:<30} {:>16} {:>22}", place.name, pct(place.found), pct(place.alone))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::trials::example;

    fn told(points: &[crate::trials::TrialPoint]) -> String {
        let protocol = example::protocol("Example");
        let trials = example::trials(&protocol);
        let mut out = vec![];
        table(&trials, &TrialsSummary::of(&trials, points), &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn the_table_says_shares_sizes_and_work() {
        insta::assert_snapshot!(told(&example::points()));
    }

    #[test]
    fn an_early_end_says_the_least_and_the_most() {
        let mut points = example::points();
        points[3].sessions.pop();
        assert!(told(&points).contains("\n19 to 20 rehearsed sessions (of 20) of each, of the seeds 5 to 24;"));
        points.iter_mut().for_each(|point| point.sessions.clear());
        let none = told(&points);
        assert!(none.contains("0 rehearsed sessions (of 20)") && none.contains("none ridden"), "{none}");
        assert!(!none.contains("NaN") && !none.contains("9 of 10"), "{none}");
    }
}

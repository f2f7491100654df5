//! A phase with its repeats, as table and sheet show it: one row.

use crate::verdict::{CheckVerdict, Outcome, PhaseVerdict, RepeatVerdict, Verdict};

pub struct Group<'a> {
    /// All repeats, in order; never empty.
    pub phases: Vec<&'a PhaseVerdict>,
    /// What they say together, where the phase is a repeated one.
    pub repeats: Option<&'a RepeatVerdict>,
}

/// In the verdict's order, one group per selector.
pub fn groups(verdict: &Verdict) -> Vec<Group<'_>> {
    let mut groups: Vec<Group<'_>> = vec![];
    for phase in &verdict.phases {
        match groups.iter_mut().find(|group| group.selector() == phase.phase) {
            Some(group) => group.phases.push(phase),
            None => {
                let repeats = verdict.repeats.iter().find(|r| r.phase == phase.phase && r.asked > 1);
                groups.push(Group { phases: vec![phase], repeats });
            }
        }
    }
    groups
}

impl<'a> Group<'a> {
    pub fn selector(&self) -> &'a str {
        &self.phases[0].phase
    }

    pub fn drill(&self) -> &'a str {
        &self.phases[0].drill
    }

    pub fn outcome(&self) -> Outcome {
        self.repeats.map_or(self.phases[0].verdict, |r| r.verdict)
    }

    pub fn required(&self) -> bool {
        self.phases[0].required
    }

    /// Of the mean over the repeats, or of the one ride.
    pub fn checks(&self) -> &'a [CheckVerdict] {
        self.repeats.map_or(&self.phases[0].checks, |r| &r.checks)
    }

    /// Warm-up, recovery and waiting are matched but have nothing to say in a table of verdicts.
    pub fn is_scored(&self) -> bool {
        !matches!(self.drill(), "free" | "wait") || !self.checks().is_empty()
    }

    /// `6 of 6 ridden, 2 failed, 1 undecided`; `None` for a phase ridden once.
    pub fn tally(&self) -> Option<String> {
        let r = self.repeats?;
        let mut text = format!("{} of {} ridden", r.ridden, r.asked);
        for (count, word) in [(r.failed, "failed"), (r.undecided, "undecided")] {
            if count > 0 {
                text += &format!(", {count} {word}");
            }
        }
        Some(text)
    }
}

/// The check of `measure` that is the `nth` of its name (W and % may both have limits).
pub fn nth<'c>(checks: &'c [CheckVerdict], measure: &str, nth: usize) -> Option<&'c CheckVerdict> {
    checks.iter().filter(|c| c.measure == measure).nth(nth)
}

/// Columns for a table over `rows`: each measure with its count among equals, in order of first appearance.
pub fn columns<'c>(rows: impl Iterator<Item = &'c [CheckVerdict]>) -> Vec<(&'c str, usize)> {
    let mut columns = vec![];
    for row in rows {
        for (i, check) in row.iter().enumerate() {
            let column = (check.measure.as_str(), row[..i].iter().filter(|c| c.measure == check.measure).count());
            if !columns.contains(&column) {
                columns.push(column);
            }
        }
    }
    columns
}

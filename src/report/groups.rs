//! A phase with its repeats, as table and sheet show it: one row.

use crate::protocol::DrillKind;
use crate::verdict::{CheckVerdict, Outcome, PhaseVerdict, RepeatVerdict, Verdict};

pub struct Group<'a> {
    /// From 1, in order.
    pub number: usize,
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
                groups.push(Group { number: groups.len() + 1, phases: vec![phase], repeats });
            }
        }
    }
    groups
}

impl<'a> Group<'a> {
    pub fn selector(&self) -> &'a str {
        &self.phases[0].phase
    }

    pub fn kind(&self) -> Option<DrillKind> {
        self.phases[0].kind()
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
        self.kind().is_none_or(DrillKind::is_scored) || !self.checks().is_empty()
    }

    /// `6 of 6 ridden, 2 failed, 1 undecided`; `None` for a phase ridden once, as asked.
    pub fn tally(&self) -> Option<String> {
        let surplus = self.phases.iter().filter(|p| p.surplus).count() as u32;
        let (mut text, failed, undecided) = match self.repeats {
            Some(r) => (format!("{} of {} ridden", r.ridden, r.asked), r.failed, r.undecided),
            None if surplus > 0 => (format!("ridden {} times", self.phases.len()), 0, 0),
            None => return None,
        };
        // A single repeat is often too short to decide, whatever all of them say together.
        let alone = if undecided == 1 { "undecided by itself" } else { "undecided by themselves" };
        for (count, word) in [(failed, "failed"), (undecided, alone), (surplus, "surplus")] {
            if count > 0 {
                text += &format!(", {count} {word}");
            }
        }
        Some(text)
    }
}

/// A column of a table of checks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MeasureColumn<'c> {
    pub measure: &'c str,
    /// Which of the checks of this measure, from 0: W and % may both have limits.
    pub nth: usize,
}

impl MeasureColumn<'_> {
    /// The check that belongs in this column.
    pub fn of<'c>(&self, checks: &'c [CheckVerdict]) -> Option<&'c CheckVerdict> {
        checks.iter().filter(|c| c.measure == self.measure).nth(self.nth)
    }
}

/// Columns for a table over `rows`: each measure with its count among equals, in order of first appearance.
pub fn columns<'c>(rows: impl Iterator<Item = &'c [CheckVerdict]>) -> Vec<MeasureColumn<'c>> {
    let mut columns = vec![];
    for row in rows {
        for (i, check) in row.iter().enumerate() {
            let nth = row[..i].iter().filter(|c| c.measure == check.measure).count();
            let column = MeasureColumn { measure: &check.measure, nth };
            if !columns.contains(&column) {
                columns.push(column);
            }
        }
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn a_measure_with_limits_in_two_units_has_two_columns() {
        let verdict = example::judgement().verdict;
        let mut checks = verdict.phases[1].checks.clone();
        let mut in_pct = checks[0].clone();
        in_pct.unit = "%".into();
        checks.push(in_pct);
        let found = columns([checks.as_slice(), &checks[..1]].into_iter());
        let column = |measure, nth| MeasureColumn { measure, nth };
        assert_eq!(found, [column("mean_error", 0), column("dropout_time", 0), column("mean_error", 1)]);
        assert_eq!(column("mean_error", 1).of(&checks).map(|c| c.unit.as_str()), Some("%"));
        assert!(column("mean_error", 1).of(&checks[..1]).is_none());
    }

    #[test]
    fn repeats_of_a_phase_are_one_group_with_a_tally() {
        let verdict = example::judgement().verdict;
        let groups = groups(&verdict);
        let soft = groups.iter().find(|g| g.selector() == "soft-pedalling").unwrap();
        assert_eq!((soft.phases.len(), soft.tally().as_deref()), (4, Some("3 of 4 ridden, 3 failed")));
        assert!(groups.iter().all(|g| g.number > 0 && !g.phases.is_empty()));
    }
}

//! Every check of a verdict in one walk, each with what it is of.

use super::model::{CheckVerdict, PhaseVerdict, RepeatVerdict, Verdict};

impl Verdict {
    /// Every check in the verdict's order: those of single repeats, of the means over repeats, contrasts, whole ride.
    pub fn checks(&self) -> impl Iterator<Item = PlacedCheck<'_>> {
        let phases = self.phases.iter().map(|phase| (CheckOf::Ride(phase), &phase.checks));
        let means = self.repeats.iter().map(|repeats| (CheckOf::Mean(repeats), &repeats.checks));
        let across = [(CheckOf::Contrast, &self.contrasts), (CheckOf::WholeRide, &self.whole_ride)];
        let all = phases.chain(means).chain(across);
        all.flat_map(|(of, checks)| checks.iter().map(move |check| PlacedCheck { of, check }))
    }

    /// What the repeats of a phase say together; `None` for a phase that is ridden once.
    pub fn repeats_of(&self, phase: &str) -> Option<&RepeatVerdict> {
        self.repeats.iter().find(|repeats| repeats.phase == phase)
    }
}

/// What a check is of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CheckOf<'v> {
    /// One ride of a phase, asked for or surplus.
    Ride(&'v PhaseVerdict),
    /// The mean over a phase's repeats.
    Mean(&'v RepeatVerdict),
    Contrast,
    WholeRide,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedCheck<'v> {
    pub of: CheckOf<'v>,
    pub check: &'v CheckVerdict,
}

impl<'v> PlacedCheck<'v> {
    /// The phase's selector, the contrast's name or `whole ride`.
    pub fn label(&self) -> &'v str {
        match self.of {
            CheckOf::Ride(phase) => &phase.phase,
            CheckOf::Mean(repeats) => &repeats.phase,
            CheckOf::Contrast => self.check.contrast.as_deref().unwrap_or_default(),
            CheckOf::WholeRide => "whole ride",
        }
    }

    /// From 1; `None` for what is not one ride of a phase.
    pub fn repeat(&self) -> Option<u32> {
        match self.of {
            CheckOf::Ride(phase) => Some(phase.repeat),
            _ => None,
        }
    }

    pub fn surplus(&self) -> bool {
        matches!(self.of, CheckOf::Ride(phase) if phase.surplus)
    }

    /// The check counts, and so does the phase that it belongs to.
    pub fn required(&self) -> bool {
        let of_place = match self.of {
            CheckOf::Ride(phase) => phase.required,
            CheckOf::Mean(repeats) => repeats.required,
            CheckOf::Contrast | CheckOf::WholeRide => true,
        };
        of_place && self.check.required
    }

    /// `LABEL MEASURE`, as `steady[ring=big] mean_error`.
    pub fn name(&self) -> String {
        format!("{} {}", self.label(), self.check.measure)
    }
}

#[cfg(test)]
mod tests {
    use crate::report::example;

    #[test]
    fn every_check_of_the_json_is_walked_once_and_under_its_place() {
        let verdict = example::judgement().verdict;
        let json = serde_json::to_value(&verdict).unwrap();
        let in_json: Vec<String> = ["phases", "repeats", "contrasts", "whole_ride"]
            .iter()
            .flat_map(|part| json[part].as_array().unwrap())
            .flat_map(|item| match item.get("checks") {
                Some(checks) => checks.as_array().unwrap().iter().map(|check| (item, check)).collect(),
                None => vec![(item, item)],
            })
            .map(|(item, check)| {
                let place = item.get("phase").or(item.get("contrast")).map_or("whole ride", |p| p.as_str().unwrap());
                format!("{place} {} {:?}", check["measure"].as_str().unwrap(), item.get("repeat"))
            })
            .collect();
        let repeat = |repeat: Option<u32>| repeat.map(|repeat| serde_json::json!(repeat));
        let walked: Vec<String> = verdict
            .checks()
            .map(|placed| format!("{} {:?}", placed.name(), repeat(placed.repeat()).as_ref()))
            .collect();
        assert!(in_json.len() > 30);
        assert_eq!(walked, in_json);
        assert_eq!(verdict.counts.not_ridden, 1);
        assert!(verdict.checks().any(|placed| placed.required()) && verdict.checks().any(|placed| !placed.required()));
    }
}

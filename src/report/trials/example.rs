//! Invented sessions for the tests of these reports.

use std::collections::BTreeSet;
use std::path::Path;

use crate::protocol::{Protocol, load_bytes};
use crate::rehearse::{RehearsalBench, RideSetting};
use crate::trials::{JudgedTrial, TrialPoint, Trials};
use crate::verdict::Outcome;

const SESSIONS: usize = 20;

pub fn protocol(title: &str) -> Protocol {
    let text = format!(
        "assize: 1
title: {title}
revision: one
phases:
  - {{phase: warm-up, drill: free, lasts: 3..4 min}}
  - {{phase: block, drill: steady, power: 250 W, lasts: 4 min, checks: {{mean_error: within 2 %}}}}
  - {{phase: coasts, drill: coast_restart, lead_in: 200 W for 20 s, coast: 7..12 s, restart: at least 300 W for 5..10 s, checks: {{onset_lag: at most 2 s}}}}
whole_ride: {{dropout_time: none}}
"
    );
    load_bytes(Path::new("example.yaml"), text.as_bytes()).unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn trials(protocol: &Protocol) -> Trials<'_> {
    Trials { protocol, bench: RehearsalBench::both(), setting: RideSetting::Road, seed: 5, sessions: SESSIONS as u32 }
}

/// A fault; how many sessions fail, stay undecided and name it; the check.
type Row = (Option<&'static str>, (usize, usize, usize), &'static str);

/// Of so many sessions some fail by one check, some stay undecided by it, the others pass.
fn point((fault, (failed, undecided, named), check): Row) -> TrialPoint {
    let fault = fault.map(|text| text.parse::<crate::rehearse::Fault>().unwrap());
    let pattern = fault.as_ref().and_then(|fault| fault.pattern(&RehearsalBench::both()));
    let one = |n: usize| {
        let only = |is: bool| if is { BTreeSet::from([check.to_owned()]) } else { BTreeSet::new() };
        let (fails, open) = (n < failed, (failed..failed + undecided).contains(&n));
        let outcome = [Outcome::Pass, Outcome::Fail, Outcome::Undecided][usize::from(fails) + 2 * usize::from(open)];
        let named = pattern.filter(|_| n < named).into_iter().collect();
        JudgedTrial { outcome, failed: only(fails), failed_at: BTreeSet::new(), undecided: only(open), named }
    };
    TrialPoint { sessions: (0..SESSIONS).map(one).collect(), fault, pattern }
}

/// A fault that is found at some size, one at none, one at each, one of negative sizes, one without a size.
pub fn points() -> Vec<TrialPoint> {
    let rows: [Row; 14] = [
        (None, (1, 2, 0), "block mean_error"),
        (Some("gain=1"), (2, 3, 0), "block mean_error"),
        (Some("gain=2"), (1, 9, 5), "block mean_error"),
        (Some("gain=3"), (12, 8, 19), "block mean_error"),
        (Some("gain=5"), (20, 0, 20), "block mean_error"),
        (Some("late-wake=1@1/3"), (0, 0, 0), "coasts onset_lag"),
        (Some("late-wake=2@1/3"), (5, 4, 2), "coasts onset_lag"),
        (Some("late-wake=4@1/3"), (14, 6, 12), "coasts onset_lag"),
        (Some("held-reading=2"), (19, 1, 20), "coasts onset_lag"),
        (Some("held-reading=4"), (20, 0, 20), "coasts onset_lag"),
        (Some("offset=-8@P"), (18, 2, 20), "block mean_error"),
        (Some("offset=-4@P"), (3, 7, 11), "block mean_error"),
        (Some("doubled-side=left"), (17, 0, 18), "block mean_error"),
        (Some("soft-dropout=0.2"), (0, 0, 0), "block mean_error"),
    ];
    rows.into_iter().map(point).collect()
}

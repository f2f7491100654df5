//! The session ridden and judged, and the same with everything that a person or a file can name made unfriendly.

use std::path::Path;

use super::phases::{JudgedPhases, judged_phases};
use super::plan::plan;
use super::ride::ride;
use super::verdict::verdict;
use crate::judge::Judgement;
use crate::protocol;
use crate::scoring::PictureMarks;

/// The invented session, judged by hand.
pub fn judgement() -> Judgement {
    let written = include_bytes!("../../../protocols/bench-both-rings.yaml");
    let protocol = protocol::load_bytes(Path::new("bench-both-rings.yaml"), written).expect("a sound protocol");
    let plan = plan();
    let ride = ride(&plan);
    let JudgedPhases { phases, matches } = judged_phases(&plan, &ride, &protocol);
    let verdict = verdict(phases, &ride);
    let shown = PictureMarks::of_ride(Some(&protocol), &matches, &ride);
    Judgement { verdict, matches, ride, protocol: Some(protocol), shown }
}

/// The same with everything that a person or a file can name made as unfriendly as it gets.
pub fn hostile() -> Judgement {
    let bad = "</title></style><script>alert(\"1\")</script>' onload='x' \u{202e}txet\u{1b}[31m{{ 7*7 }}";
    let long = "an unbroken label ".repeat(12) + &"x".repeat(200);
    let mut j = judgement();
    let v = &mut j.verdict;
    v.unit.label = bad.into();
    v.sheet_number = format!("N\"{bad}");
    j.ride.unit.label = bad.into();
    v.unit.serial = Some(long.clone());
    v.references[0].label = long.clone();
    v.references[1].label = bad.into();
    v.session.place = Some(bad.into());
    v.session.tester = Some("مختبر القدرة".into());
    v.session.remarks = vec![bad.into(), long.clone()];
    v.session.notes = Some(bad.into());
    v.session.laboratory = Some(bad.into());
    v.session.customer = Some(long.clone());
    v.unit.condition = Some(bad.into());
    if let Some(amends) = &mut v.session.amends {
        amends.because = bad.into();
    }
    v.session.conditions.push((bad.into(), bad.into()));
    v.why = vec![bad.into()];
    v.deviations = vec![long.clone(), bad.into()];
    v.recordings[0].file = bad.into();
    v.diagnosis[0].evidence = vec![bad.into()];
    let protocol = v.protocol.as_mut().expect("the example has a protocol");
    protocol.title = long.clone();
    let renamed = format!("{bad}[ring=big, power={bad}]");
    v.phases[1].phase = renamed;
    v.phases[2].phase = long;
    let check = &mut v.phases[3].checks[0];
    (check.measure, check.reason) = (bad.into(), Some(bad.into()));
    // Units are the program's own; a long one would only break a line that no file can break.
    check.unit = "<b>W".into();
    check.budget[0].source = bad.into();
    j
}

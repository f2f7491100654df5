//! Ramps: powers in steps, for how straight the unit is.

use super::super::amounts::{duration, target};
use super::super::asked::Target;
use super::super::drill::{Drill, DrillMove, Effort};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use crate::quantity::Range;

pub(super) const FACTS: DrillFacts = DrillFacts {
    usual_recovery_s: Some(Range::between(60.0, 90.0)),
    lengthen: Some(lengthen),
    ..DrillFacts::of("ramp", Conduct::ScoredRiding, read)
};

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
    let steps_w = keys.need(reading, "steps", "[50 W, 100 W, 200 W, 400 W]").and_then(|n| {
        let items = reading.list(n, "powers")?;
        let mut steps_w = vec![];
        for item in items {
            match target(reading, item, basis.threshold_w, &ranges::BLOCK_POWER) {
                Some(Target::Value(power_w)) => steps_w.push(power_w),
                Some(Target::Within(_)) => reading.report(item.at, "a step is one power, not a range", None),
                None => {}
            }
        }
        if items.len() < 3 {
            reading.report(n.at, "a ramp needs three steps or more, two always lie on a line", None);
        }
        (steps_w.len() == items.len()).then_some(steps_w)
    });
    let each_s = keys.need(reading, "each", "60 s").and_then(|n| duration(reading, n, &ranges::BLOCK));
    let settle_node = keys.take("settle");
    let settle_s = settle_node.map_or(Some(0.0), |n| duration(reading, n, &ranges::SETTLE));
    let (steps_w, each_s, settle_s) = (steps_w?, each_s?, settle_s?);
    if let (true, Some(n)) = (settle_s >= each_s, settle_node) {
        let message = format!("nothing is left to score: settling takes {settle_s} s of {each_s} s");
        reading.report(n.at, message, Some("shorten `settle` or lengthen `each`".into()));
    }
    Some(Drill::Ramp { steps_w, each_s, settle_s })
}

fn lengthen(drill: &mut Drill, times: f64) {
    if let Drill::Ramp { each_s, .. } = drill {
        *each_s *= times;
    }
}

pub(super) fn moves(steps_w: &[f64], each_s: f64) -> Vec<DrillMove> {
    let lasts_s = Range::between(each_s, each_s);
    let step = |power_w: &f64| DrillMove { name: "step", effort: Effort::Steady(Target::Value(*power_w)), lasts_s };
    steps_w.iter().map(step).collect()
}

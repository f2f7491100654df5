//! A side that falls short in sprints by more than the unit's level explains.

use crate::decide::{Decided, Outcome};
use crate::protocol::Measure;
use crate::quantity::Unit;
use crate::ride::Window;

use super::drills::is_sprint;
use super::effect::LevelEffects;
use super::evidence::Evidence;
use super::finding::{Finding, finding};
use super::open_checks::{CheckSubject, UnexplainedCheck};
use crate::pattern::Pattern;

/// So many limits short a side must be where every reading comes late: the window ends before they do.
const LATE_LIMITS: f64 = 2.0;
/// Short sprints must lie so many standard uncertainties from nothing, all together (root of the sum of squares): of the
/// twelve sides of a sound session one lies beyond its limit now and then.
const SURELY: f64 = 3.0;
/// So many seconds without a reading spoil a sprint.
const MISSING_S: usize = 2;

impl Evidence<'_> {
    /// One side short of its limit in some sprints, and shorter than the other side by as much.
    pub fn side_short(&self, level: &LevelEffects, open: &[UnexplainedCheck], late: bool) -> Vec<Finding> {
        let sprints: Vec<usize> =
            (0..self.matches.found.len()).filter(|&i| is_sprint(self.drill(i)) && self.ridden(i).is_some()).collect();
        let sides =
            [(Measure::LeftError, Measure::RightError, "left"), (Measure::RightError, Measure::LeftError, "right")];
        sides
            .into_iter()
            .filter_map(|(own, other, side)| self.short(level, open, &sprints, (own, other), side, late))
            .collect()
    }

    fn short(
        &self,
        level: &LevelEffects,
        open: &[UnexplainedCheck],
        sprints: &[usize],
        (own, other): (Measure, Measure),
        side: &str,
        late: bool,
    ) -> Option<Finding> {
        let (mut short_w, mut which, mut evidence) = (vec![], vec![], vec![]);
        let mut squares = 0.0;
        let ridden = sprints.iter().filter(|&&i| self.value(i, own).is_some()).count();
        for &i in sprints {
            let checks = open.iter().filter(|o| o.of == CheckSubject::Found(i) && o.check.measure == own);
            let Some(open) = checks.into_iter().next() else { continue };
            let Some(rest_w) = self.rest_of_side_w(level, i, own) else { continue };
            // Readings that come late or not at all leave part of a sprint out, of one leg more than of the other.
            let limit_w = self.limit_w(i, own, open.check) * if late { LATE_LIMITS } else { 1.0 };
            if self.scores.phases[i].window.is_some_and(|window| self.missing_s(window) >= MISSING_S) {
                continue;
            }
            let other_w = self.rest_of_side_w(level, i, other).unwrap_or(0.0).min(0.0);
            if rest_w > -limit_w || rest_w - other_w > -limit_w {
                continue;
            }
            let expanded_w = self.in_w(i, own, open.check, open.check.expanded_uncertainty().unwrap_or(0.0));
            if -rest_w < expanded_w {
                continue;
            }
            squares += (2.0 * rest_w / expanded_w.max(1.0)).powi(2);
            // The shortfall is in the sprint; the scored window is longer.
            let window_s = self.scores.phases[i].window.map_or(0.0, |w| w.length_s());
            let Some(ridden) = self.ridden(i) else { continue };
            short_w.push(-rest_w * window_s / ridden.span.length_s());
            which.push(self.matches.found[i].repeat.to_string());
            evidence.push(open.says());
        }
        // A rider who stands leans on one leg now and then: against the seated balance only a mean that fails is surely the
        // unit's.
        let fails = |o: &UnexplainedCheck| o.check.measure == own && o.check.outcome == Outcome::Fail;
        let on_average = || open.iter().any(|o| matches!(o.of, CheckSubject::Mean(_)) && fails(o));
        if squares < SURELY.powi(2) || self.sided().is_none() && !on_average() {
            return None;
        }
        let size_w = crate::stats::mean(&short_w)?;
        let plural = if which.len() == 1 { "repeat" } else { "repeats" };
        let says = format!(
            "the {side} side falls short by about {size_w:.0} W in {} of {ridden} sprints ({plural} {})",
            which.len(),
            which.join(", ")
        );
        Some(finding(Pattern::SideShortInSprints, size_w, Unit::Watt, None, says, evidence))
    }

    /// Seconds of a window that its head unit wrote without a power.
    fn missing_s(&self, window: Window) -> usize {
        let unit = &self.ride.unit;
        window.seconds().filter(|&k| unit.recorded_at(k) && unit.power_at(k).is_none()).count()
    }

    /// A side's error less half of what the level explains, W.
    fn rest_of_side_w(&self, level: &LevelEffects, found: usize, measure: Measure) -> Option<f64> {
        let value = self.value(found, measure)?;
        let window = self.scores.phases[found].window?;
        let (error_w, _) = value.in_unit(Unit::Watt)?;
        Some(error_w - level.at(&self.place(found, value.reference * 2.0, window)) / 2.0)
    }

    fn limit_w(&self, found: usize, measure: Measure, check: &Decided) -> f64 {
        check.ends.low.map_or(0.0, |low| self.in_w(found, measure, check, low.abs()))
    }

    /// A value in a check's unit as watts.
    fn in_w(&self, found: usize, measure: Measure, check: &Decided, value: f64) -> f64 {
        let reference_w = self.value(found, measure).map_or(0.0, |value| value.reference);
        if check.unit == Unit::Percent { value * reference_w / 100.0 } else { value }
    }
}

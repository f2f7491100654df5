//! What goes wrong where the rider stops and starts: late edges, readings kept, watts shown while coasting.

use crate::decide::Outcome;
use crate::protocol::Measure;
use crate::quantity::Unit;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::value::{Value, ValueKind};
use crate::stats;

use super::evidence::Evidence;
use super::finding::{Finding, finding};
use super::open_checks::{CheckSubject, UnexplainedCheck};
use crate::pattern::Pattern;

/// Edges late by the same time, within this, are one late unit. Common practice, no source.
const SAME_LAG_S: f64 = 1.0;
/// Some stops are late and others are not where this many times the scatter of one lies between them …
const APART_SCATTERS: f64 = 3.0;
/// … and at least this much.
const APART_LEAST_S: f64 = 0.8;

/// Watts while coasting are this many expanded uncertainties from nothing: one stop in some hundred is sure by luck at 1.
const PHANTOM_SURELY: f64 = 1.5;

/// One lag over all stops.
#[derive(Debug, Clone)]
struct PooledLag {
    /// Of the stops that are late, or of all.
    size_s: f64,
    expanded_s: f64,
    at_least: bool,
    /// Indices into the matches: the late ones, or all.
    late: Vec<usize>,
    of: usize,
    /// Beyond its limit, as the best estimate.
    beyond: bool,
    evidence: Vec<String>,
}

impl PooledLag {
    /// Late, by more than its uncertainty.
    fn surely(&self) -> bool {
        self.size_s > self.expanded_s
    }

    /// Beyond its limit, with a check that shows it.
    fn late(&self) -> bool {
        self.beyond && self.surely() && !self.evidence.is_empty()
    }

    fn in_all(&self) -> bool {
        self.late.len() == self.of
    }

    fn of(&self, occasions: &str) -> String {
        let bound = if self.at_least { ", at least" } else { "" };
        if self.in_all() {
            bound.to_owned()
        } else {
            format!("{bound} in {} of {} {occasions}", self.late.len(), self.of)
        }
    }

    /// As late as another, in the same stops.
    fn like(&self, other: &PooledLag) -> bool {
        (self.size_s - other.size_s).abs() <= SAME_LAG_S && self.in_all() == other.in_all()
    }
}

/// Where sorted values fall into two groups, the number of low ones; `None` where they are one group.
fn split(sorted: &[f64], scatter: f64) -> Option<usize> {
    let least = f64::max(APART_SCATTERS * scatter, APART_LEAST_S);
    let gaps = sorted.windows(2).map(|pair| pair[1] - pair[0]).enumerate();
    let (at, gap) = gaps.max_by(|a, b| a.1.total_cmp(&b.1))?;
    (gap > least).then_some(at + 1)
}

impl Evidence<'_> {
    /// Late starts, late stops, late cadence, watts while coasting.
    pub fn edges(&self, open: &[UnexplainedCheck]) -> Vec<Finding> {
        let lag = |measure| self.lag(measure, open);
        let (release, onset) = (lag(Measure::ReleaseLag), lag(Measure::OnsetLag));
        let cadence = [lag(Measure::CadenceReleaseLag), lag(Measure::CadenceOnsetLag)];
        let mut found = Vec::new();
        let throughout = release.as_ref().zip(onset.as_ref()).filter(|(release, onset)| {
            release.like(onset) && (release.late() && onset.surely() || release.surely() && onset.late())
        });
        if let Some((release, onset)) = throughout {
            let size_s = (release.size_s + onset.size_s) / 2.0;
            let says = format!("every edge comes {size_s:.1} s late, stopping and starting alike{}", onset.of("stops"));
            let evidence = release.evidence.iter().chain(&onset.evidence).cloned().collect();
            let expanded_s = Some(release.expanded_s.max(onset.expanded_s));
            let mut late = finding(Pattern::LateThroughout, size_s, Unit::Second, expanded_s, says, evidence);
            if onset.in_all() && size_s < CLOCK_COULD_BE * onset.expanded_s {
                late.could_also_be.push(format!("a clock or strap delay of {size_s:.1} s between the two head units"));
            }
            found.push(late);
            return found;
        }
        let holds = self.with_cadence((Measure::ReleaseLag, &release), &cadence[0], open, Measure::ResidualPower);
        let wakes_late = self.with_cadence((Measure::OnsetLag, &onset), &cadence[1], open, Measure::MissingWork);
        if let Some(lag) = &holds {
            let says = format!("it goes on reading for {:.1} s after the rider stops{}", lag.size_s, lag.of("stops"));
            let evidence = lag.evidence.iter().cloned().chain(says_of(open, Measure::ResidualPower)).collect();
            let expanded_s = Some(lag.expanded_s);
            found.push(finding(Pattern::HoldsReadingWhenStopped, lag.size_s, Unit::Second, expanded_s, says, evidence));
        }
        if let Some(lag) = &wakes_late {
            let says = format!("after coasting it wakes {:.1} s late{}", lag.size_s, lag.of("restarts"));
            let expanded_s = Some(lag.expanded_s);
            found.push(finding(Pattern::LateRestart, lag.size_s, Unit::Second, expanded_s, says, lag.evidence.clone()));
        }
        let alone = cadence.into_iter().zip([holds.is_some(), wakes_late.is_some()]);
        let late: Vec<PooledLag> =
            alone.filter_map(|(lag, power_too)| lag.filter(|l| l.late() && !power_too)).collect();
        if let Some(worst) = late.iter().max_by(|a, b| a.size_s.total_cmp(&b.size_s)) {
            let says = format!("cadence comes {:.1} s late where power does not{}", worst.size_s, worst.of("stops"));
            let evidence = late.iter().flat_map(|lag| lag.evidence.clone()).collect();
            let expanded_s = Some(worst.expanded_s);
            found.push(finding(Pattern::LateCadence, worst.size_s, Unit::Second, expanded_s, says, evidence));
        }
        if holds.is_none() {
            found.extend(self.power_while_coasting(open));
        }
        found
    }

    /// Power late beyond its limit, or surely late while what it brings about fails: cadence as late in the same stops, or
    /// `costs`.
    fn with_cadence(
        &self,
        (measure, power): (Measure, &Option<PooledLag>),
        cadence: &Option<PooledLag>,
        open: &[UnexplainedCheck],
        costs: Measure,
    ) -> Option<PooledLag> {
        let late_cadence = cadence.as_ref().filter(|cadence| cadence.late());
        let there = late_cadence.and_then(|cadence| {
            let power = self.lag_over(measure, &cadence.late, !cadence.in_all(), open)?;
            (power.surely() && (power.size_s - cadence.size_s).abs() <= SAME_LAG_S).then_some(power)
        });
        let of_cadence = there.iter().flat_map(|_| late_cadence).flat_map(|cadence| cadence.evidence.clone());
        if let Some(power) = power.as_ref().filter(|lag| lag.late()).or(there.as_ref()) {
            let evidence = power.evidence.iter().cloned().chain(of_cadence).collect();
            return Some(PooledLag { evidence, ..power.clone() });
        }
        let power = power.as_ref().filter(|lag| lag.surely() && lag.size_s > SAME_LAG_S)?;
        let evidence: Vec<String> = says_of(open, costs).collect();
        (!evidence.is_empty()).then(|| PooledLag { evidence, ..power.clone() })
    }

    /// Watts read although the cranks stand and the reading was let go in time: surely, somewhere.
    fn power_while_coasting(&self, open: &[UnexplainedCheck]) -> Option<Finding> {
        let evidence: Vec<String> = says_of(open, Measure::ResidualPower).collect();
        let beyond: Vec<f64> = open
            .iter()
            .filter(|o| o.check.measure == Measure::ResidualPower && matches!(o.of, CheckSubject::Found(_)))
            .filter_map(|o| {
                o.check.value().filter(|value| *value > PHANTOM_SURELY * o.check.expanded_uncertainty().unwrap_or(0.0))
            })
            .collect();
        let ridden = (0..self.matches.found.len()).filter(|&i| self.value(i, Measure::ResidualPower).is_some()).count();
        let size_w = stats::mean(&beyond)?;
        let part =
            if beyond.len() < ridden { format!(" in {} of {ridden} stops", beyond.len()) } else { String::new() };
        let says = format!("it shows {size_w:.0} W while nobody pedals{part}");
        (size_w > 0.0).then(|| finding(Pattern::PowerWhileCoasting, size_w, Unit::Watt, None, says, evidence))
    }

    /// A measure's values over all stops, with the index of the match.
    fn lags(&self, measure: Measure) -> Vec<(usize, &Value)> {
        (0..self.matches.found.len()).filter_map(|i| Some((i, self.value(i, measure)?))).collect()
    }

    /// One lag over all stops, or over those that are late where others are in time; `None` where none was measured.
    fn lag(&self, measure: Measure, open: &[UnexplainedCheck]) -> Option<PooledLag> {
        let mut sorted = self.lags(measure);
        sorted.sort_by(|a, b| a.1.value.total_cmp(&b.1.value));
        let scatter_s = crate::scoring::scatter_from_simulation(measure, sorted.first()?.1);
        let lags: Vec<f64> = sorted.iter().map(|(_, value)| value.value).collect();
        let limit = self.limit_high(measure);
        let mean = |of: &[f64]| stats::mean(of).unwrap_or(0.0);
        let low = split(&lags, scatter_s).filter(|low| mean(&lags[*low..]) > limit && mean(&lags[..*low]) < limit);
        // One stop alone may be a rider's whim: then its check has to fail.
        let fails = |found: usize| {
            let own = |o: &&UnexplainedCheck| o.of == CheckSubject::Found(found) && o.check.measure == measure;
            open.iter().find(own).is_some_and(|o| o.check.outcome == Outcome::Fail)
        };
        let low = low.filter(|low| low + 1 < sorted.len() || fails(sorted[*low].0));
        let stops: Vec<usize> = sorted[low.unwrap_or(0)..].iter().map(|(found, _)| *found).collect();
        self.lag_over(measure, &stops, low.is_some(), open)
    }

    /// One lag over some stops. Where they are a group of their own the scatter over all says little of theirs.
    fn lag_over(
        &self,
        measure: Measure,
        stops: &[usize],
        grouped: bool,
        open: &[UnexplainedCheck],
    ) -> Option<PooledLag> {
        let all = self.lags(measure);
        let these: Vec<(usize, &Value)> = all.iter().filter(|(found, _)| stops.contains(found)).copied().collect();
        let size_s = stats::mean(&these.iter().map(|(_, value)| value.value).collect::<Vec<_>>())?;
        let budget = |value: &Value| {
            let mut budget = value.budget.clone();
            if grouped {
                budget.0.retain(|line| line.source != Source::Scatter);
                budget.push(Line::b(Source::Scatter, crate::scoring::scatter_from_simulation(measure, value)));
            }
            budget
        };
        let budgets: Vec<Budget> = these.iter().map(|(_, value)| budget(value)).collect();
        let expanded_s = crate::decide::expanded(&Budget::of_mean(&budgets.iter().collect::<Vec<_>>()), self.coverage);
        let is_here = |open: &&UnexplainedCheck| match open.of {
            CheckSubject::Found(found) => stops.contains(&found),
            _ => true,
        };
        let evidence = open.iter().filter(|o| o.check.measure == measure).filter(is_here).map(UnexplainedCheck::says);
        Some(PooledLag {
            size_s,
            expanded_s,
            at_least: these.iter().any(|(_, value)| value.kind == ValueKind::AtLeast),
            late: these.iter().map(|(found, _)| *found).collect(),
            of: all.len(),
            beyond: size_s > self.limit_high(measure),
            evidence: evidence.collect(),
        })
    }

    /// The upper limit that the protocol sets a measure; infinite where it sets none.
    fn limit_high(&self, measure: Measure) -> f64 {
        let checks = self.decided.phases.iter().flat_map(|phase| &phase.checks).filter(|c| c.measure == measure);
        checks.filter_map(|check| check.ends.high).reduce(f64::min).unwrap_or(f64::INFINITY)
    }
}

/// Below this many expanded uncertainties a constant lag may still be the clocks'.
const CLOCK_COULD_BE: f64 = 2.0;

fn says_of<'b>(open: &'b [UnexplainedCheck], measure: Measure) -> impl Iterator<Item = String> + 'b {
    open.iter().filter(move |open| open.check.measure == measure).map(UnexplainedCheck::says)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn late_stops_are_told_from_the_others_and_scatter_is_not_split() {
        assert_eq!(split(&[-0.2, 0.0, 0.1, 0.2, 2.3, 2.6], 0.22), Some(4));
        assert_eq!(split(&[-0.4, 0.0, 0.3, 0.7, 1.0, 1.2], 0.4), None);
        assert_eq!(split(&[2.3], 0.2), None);
    }
}

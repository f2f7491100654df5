//! What pattern of faults explains the findings, and whose they are. No pattern, no guess.

use crate::matching::{MatchOutcome, Matches};
use crate::protocol::{Drill, Measure, Phase, Protocol, Ring};
use crate::quantity::Unit;
use crate::ride::Ride;
use crate::scoring::Scores;
use crate::scoring::budget::Budget;
use crate::scoring::value::{Kind, Value};
use crate::session::Sides;
use crate::stats;
use crate::verdict::{CheckVerdict, Finding, Outcome, PhaseVerdict, RepeatVerdict};

/// Edges late by the same time, within this, are one late unit. Common practice, no source.
const SAME_LAG_S: f64 = 1.0;
/// A clock further off than this was set wrong; head units set by satellite or phone agree within seconds.
const CLOCK_SET_WRONG_S: f64 = 60.0;
/// Pedalling seconds that a balance must stay at one value before it counts as doubled.
const DOUBLED_SECONDS: usize = 120;

/// What diagnosis looks at.
pub struct Findings<'a> {
    pub protocol: &'a Protocol,
    pub matches: &'a Matches,
    pub ride: &'a Ride,
    pub scores: &'a Scores,
    pub phases: &'a [PhaseVerdict],
    pub repeats: &'a [RepeatVerdict],
    pub contrasts: &'a [CheckVerdict],
    pub whole_ride: &'a [CheckVerdict],
    pub coverage: f64,
}

/// A finding on its way: a value with its budget becomes size and expanded uncertainty.
fn finding(
    pattern: &str,
    size: f64,
    unit: Unit,
    expanded: Option<f64>,
    says: String,
    evidence: Vec<String>,
) -> Finding {
    let (pattern, unit) = (pattern.to_owned(), unit.symbol().to_owned());
    Finding { pattern, size, unit, expanded_uncertainty: expanded, says, evidence }
}

impl Findings<'_> {
    /// All patterns that the failed checks, the clocks and the references show.
    pub fn patterns(&self) -> Vec<Finding> {
        let mut patterns = Vec::new();
        patterns.extend(self.reference_at_fault());
        // Where references quarrel nothing on a gain has failed, but a contrast between rings still may.
        let level = self.level();
        patterns.extend(level.ring_finding.clone());
        patterns.extend(level.base_finding.clone());
        patterns.extend(self.side_short(&level));
        patterns.extend(self.edges());
        patterns.extend(self.soft_pedalling(&level));
        patterns.extend(self.drift());
        patterns.extend(self.doubled_side());
        patterns.extend(self.radio());
        patterns.extend(self.clocks());
        patterns
    }

    fn reference_at_fault(&self) -> Option<Finding> {
        let suspect = self.scores.agreement.suspect.as_ref()?;
        let label = &self.ride.references[suspect.reference].trace.label;
        let evidence = self.scores.agreement.pairs.iter().map(|pair| {
            let label = |i: usize| &self.ride.references[i].trace.label;
            format!(
                "{} against {}: {:+.1} % ± {:.1} %, E_n {:.1}",
                label(pair.second),
                label(pair.first),
                pair.difference_pct,
                pair.expanded_pct,
                pair.e_n
            )
        });
        let says = format!(
            "{label} reads {:.1} % {} than the instruments that agree",
            suspect.off_by_pct.abs(),
            high_low(suspect.off_by_pct, "higher", "lower")
        );
        Some(finding("reference-at-fault", suspect.off_by_pct, Unit::Percent, None, says, evidence.collect()))
    }

    /// Gain, offset and ring-dependence from the steady blocks.
    fn level(&self) -> Level {
        let mut level = Level::default();
        let failed_steady = |ring: Option<Ring>| -> Vec<String> {
            self.phases
                .iter()
                .enumerate()
                .filter(|(i, _)| {
                    self.matches.found.get(*i).is_some_and(|found| {
                        let phase = &self.protocol.phases[found.phase];
                        matches!(phase.drill, Drill::Steady { .. } | Drill::Ramp { .. })
                            && (ring.is_none() || phase.ring == ring)
                    })
                })
                .flat_map(|(_, p)| {
                    failed(&p.checks, &[Measure::MeanError]).map(|c| describe(&p.phase, c)).collect::<Vec<_>>()
                })
                .collect()
        };
        let ring_contrasts: Vec<String> = self
            .protocol
            .contrasts
            .iter()
            .zip(self.contrasts)
            .filter(|(contrast, verdict)| {
                verdict.verdict == Outcome::Fail
                    && contrast.of.keys.iter().chain(&contrast.against.keys).any(|(key, _)| key == "ring")
            })
            .map(|(contrast, verdict)| describe(&contrast.name, verdict))
            .collect();
        let whole: Vec<String> = failed(self.whole_ride, &[Measure::WorkError, Measure::MeanError])
            .map(|c| describe("whole ride", c))
            .collect();
        if failed_steady(None).is_empty() && ring_contrasts.is_empty() && whole.is_empty() {
            return level;
        }
        let ring = |ring: Ring| self.scores.rings.iter().find(|r| r.ring == ring);
        let mut base: Vec<Option<Ring>> = vec![None];
        if let (Some(big), Some(small)) = (ring(Ring::Big), ring(Ring::Small)) {
            let difference_w = big.error.value - small.error.value;
            let expanded_w =
                crate::decide::expanded(&Budget::of_difference(&big.error.budget, &small.error.budget), self.coverage);
            let odd = if big.error.value.abs() >= small.error.value.abs() { Ring::Big } else { Ring::Small };
            let odd_fails = !failed_steady(Some(odd)).is_empty();
            if difference_w.abs() > expanded_w && (odd_fails || !ring_contrasts.is_empty()) {
                let size_w = if odd == Ring::Big { difference_w } else { -difference_w };
                let other = if odd == Ring::Big { Ring::Small } else { Ring::Big };
                let says = format!(
                    "on the {} ring it reads {:.0} W {} than on the {} ring",
                    odd.word(),
                    size_w.abs(),
                    high_low(size_w, "higher", "lower"),
                    other.word()
                );
                let evidence = ring_contrasts.iter().cloned().chain(failed_steady(Some(odd))).collect();
                level.ring_finding =
                    Some(finding("ring-dependent", size_w, Unit::Watt, Some(expanded_w), says, evidence));
                level.ring = Some((odd, size_w));
                base = vec![Some(other)];
            }
        }
        let evidence: Vec<String> = base.iter().flat_map(|ring| failed_steady(*ring)).collect();
        if !evidence.is_empty() || (level.ring.is_none() && !whole.is_empty()) {
            let evidence = if evidence.is_empty() { whole } else { evidence };
            self.gain_or_offset(&mut level, base[0], evidence);
        }
        level
    }

    /// Which of a constant per cent and a constant number of watts describes the blocks better.
    fn gain_or_offset(&self, level: &mut Level, only: Option<Ring>, evidence: Vec<String>) {
        let blocks: Vec<&Value> = self
            .scores
            .phases
            .iter()
            .zip(&self.matches.found)
            .filter(|(_, found)| {
                let phase = &self.protocol.phases[found.phase];
                matches!(phase.drill, Drill::Steady { .. }) && (only.is_none() || phase.ring == only)
            })
            .flat_map(|(score, _)| &score.checks)
            .filter(|s| s.check.measure == Measure::MeanError)
            .filter_map(|s| s.measured.as_ref().ok())
            .collect();
        let forms: Vec<((f64, Budget), (f64, Budget))> =
            blocks.iter().filter_map(|v| Some((v.in_unit(Unit::Watt)?, v.in_unit(Unit::Percent)?))).collect();
        let (Some(watt), Some(pct)) = (
            stats::mean(&forms.iter().map(|f| f.0.0).collect::<Vec<_>>()),
            stats::mean(&forms.iter().map(|f| f.1.0).collect::<Vec<_>>()),
        ) else {
            return;
        };
        // Residuals of both models in watts at each block's own power.
        let misfit = |model: &dyn Fn(&Value) -> f64| -> f64 {
            blocks.iter().filter_map(|v| Some((v.in_unit(Unit::Watt)?.0 - model(v)).powi(2))).sum()
        };
        let as_gain = misfit(&|v| pct / 100.0 * v.reference);
        let as_offset = misfit(&|_| watt);
        let budgets =
            |second: bool| -> Vec<&Budget> { forms.iter().map(|f| if second { &f.1.1 } else { &f.0.1 }).collect() };
        let expanded = |second| crate::decide::expanded(&Budget::of_mean(&budgets(second)), self.coverage);
        let on = only.map_or(String::new(), |ring| format!(" on the {} ring too", ring.word()));
        if as_gain <= as_offset {
            let says = format!("it reads {:.1} % {}{on}, at every power", pct.abs(), high_low(pct, "high", "low"));
            level.base_finding = Some(finding("gain", pct, Unit::Percent, Some(expanded(true)), says, evidence));
            level.base = Base::Gain(pct);
        } else {
            let says =
                format!("it reads {:.0} W {}{on}, whatever the power", watt.abs(), high_low(watt, "high", "low"));
            level.base_finding = Some(finding("offset", watt, Unit::Watt, Some(expanded(false)), says, evidence));
            level.base = Base::Offset(watt);
        }
    }

    /// A side that falls short in sprints by more than the steady blocks explain.
    fn side_short(&self, level: &Level) -> Vec<Finding> {
        let mut found = Vec::new();
        for (measure, side) in [(Measure::LeftError, "left"), (Measure::RightError, "right")] {
            let mut short: Vec<(String, u32, f64)> = Vec::new();
            let mut ridden = 0;
            let mut evidence = Vec::new();
            for (i, matched) in self.matches.found.iter().enumerate() {
                let phase = &self.protocol.phases[matched.phase];
                let MatchOutcome::Ridden(there) = &matched.outcome else { continue };
                if !matches!(phase.drill, Drill::Sprint { .. }) {
                    continue;
                }
                let Some(value) = self.value(i, measure) else { continue };
                ridden += 1;
                let Some((error_w, _)) = value.in_unit(Unit::Watt) else { continue };
                let verdict = self.phases[i].checks.iter().find(|c| c.measure == measure.word());
                let Some(verdict) = verdict.filter(|v| v.verdict == Outcome::Fail) else { continue };
                let rest_w = error_w - level.predicted_w(phase, value.reference * 2.0) / 2.0;
                let limit_w = verdict.limit_low.map_or(0.0, |low| {
                    low.abs() * if value.unit == Unit::Percent { value.reference / 100.0 } else { 1.0 }
                });
                // The shortfall is in the sprint; the scored window is longer.
                let window_s = self.scores.phases[i].window.map_or(0.0, |w| w.length_s());
                if rest_w < -limit_w {
                    short.push((
                        self.phases[i].phase.clone(),
                        self.phases[i].repeat,
                        -rest_w * window_s / there.span.length_s(),
                    ));
                    evidence.push(describe(&format!("{}/{}", self.phases[i].phase, self.phases[i].repeat), verdict));
                }
            }
            if short.is_empty() {
                continue;
            }
            let size_w = short.iter().map(|s| s.2).sum::<f64>() / short.len() as f64;
            let which: Vec<String> = short.iter().map(|s| s.1.to_string()).collect();
            let plural = if short.len() == 1 { "repeat" } else { "repeats" };
            let says = format!(
                "the {side} side falls short by about {size_w:.0} W in {} of {ridden} sprints ({plural} {})",
                short.len(),
                which.join(", ")
            );
            found.push(finding("side-short-in-sprints", size_w, Unit::Watt, None, says, evidence));
        }
        found
    }

    /// Late starts, late stops, late cadence.
    fn edges(&self) -> Vec<Finding> {
        let release = self.lag(Measure::ReleaseLag);
        let onset = self.lag(Measure::OnsetLag);
        let cadence_release = self.lag(Measure::CadenceReleaseLag);
        let cadence_onset = self.lag(Measure::CadenceOnsetLag);
        let residual: Vec<String> = self.failing(Measure::ResidualPower);
        let mut found = Vec::new();
        match (&release, &onset) {
            (Some(release), Some(onset))
                if release.failed() && onset.failed() && (release.mean_s - onset.mean_s).abs() <= SAME_LAG_S =>
            {
                let size_s = (release.mean_s + onset.mean_s) / 2.0;
                let says = format!("every edge comes {size_s:.1} s late, stopping and starting alike");
                let evidence = release.evidence.iter().chain(&onset.evidence).cloned().collect();
                found.push(finding("late-throughout", size_s, Unit::Second, Some(onset.expanded_s), says, evidence));
                return found;
            }
            _ => {}
        }
        // Cadence that fails where power is as late, but not surely over its limit, points to the same fault.
        let with_cadence = |power: &Option<Lag>, cadence: &Option<Lag>| -> Option<Lag> {
            let power = power.as_ref()?;
            let evidence = |lag: &Lag| if lag.failed() { lag.evidence.clone() } else { vec![] };
            let cadence = cadence.as_ref().filter(|c| c.failed() && (c.mean_s - power.mean_s).abs() <= SAME_LAG_S);
            let all: Vec<String> =
                evidence(power).into_iter().chain(cadence.map(evidence).unwrap_or_default()).collect();
            (!all.is_empty()).then(|| Lag { evidence: all, ..power.clone() })
        };
        let holds = with_cadence(&release, &cadence_release);
        let wakes_late = with_cadence(&onset, &cadence_onset);
        if let Some(lag) = &holds {
            let says = format!("it goes on reading for {:.1} s after the rider stops{}", lag.size_s, lag.of());
            let evidence = lag.evidence.iter().chain(&residual).cloned().collect();
            found.push(finding(
                "holds-reading-when-stopped",
                lag.size_s,
                Unit::Second,
                Some(lag.expanded_s),
                says,
                evidence,
            ));
        }
        if let Some(lag) = &wakes_late {
            let says = format!("after coasting it wakes {:.1} s late{}", lag.size_s, lag.of());
            found.push(finding(
                "late-restart",
                lag.size_s,
                Unit::Second,
                Some(lag.expanded_s),
                says,
                lag.evidence.clone(),
            ));
        }
        let alone = [(cadence_release, holds.is_some()), (cadence_onset, wakes_late.is_some())];
        let late: Vec<Lag> =
            alone.into_iter().filter_map(|(lag, with_power)| lag.filter(|l| l.failed() && !with_power)).collect();
        if let Some(worst) = late.iter().max_by(|a, b| a.size_s.total_cmp(&b.size_s)) {
            let says = format!("cadence comes {:.1} s late where power does not", worst.size_s);
            let evidence = late.iter().flat_map(|lag| lag.evidence.clone()).collect();
            found.push(finding("late-cadence", worst.size_s, Unit::Second, Some(worst.expanded_s), says, evidence));
        }
        found
    }

    fn soft_pedalling(&self, level: &Level) -> Option<Finding> {
        let soft = |phase: &Phase| matches!(phase.drill, Drill::SoftPedal { .. });
        let lost = self.failing_in(soft, &[Measure::DropoutTime]);
        if !lost.is_empty() {
            let seconds: Vec<f64> = self.values_in(soft, Measure::DropoutTime).map(|v| v.1.value).collect();
            let size_s = stats::mean(&seconds)?;
            let says = format!("soft pedalling is lost for {size_s:.1} s of each stretch on average");
            return Some(finding("soft-pedalling-lost", size_s, Unit::Second, None, says, lost));
        }
        let failing = self.failing_in(soft, &[Measure::MeanError]);
        let rest: Vec<f64> = self
            .values_in(soft, Measure::MeanError)
            .filter_map(|(phase, value)| Some(value.in_unit(Unit::Watt)?.0 - level.predicted_w(phase, value.reference)))
            .collect();
        let limits: Vec<f64> = self
            .values_in(soft, Measure::MeanError)
            .map(|(_, value)| crate::decide::expanded(&value.budget, self.coverage))
            .collect();
        let (rest_w, expanded_w) = (stats::mean(&rest)?, stats::mean(&limits)?);
        let unexplained = !failing.is_empty() && rest_w.abs() > expanded_w.max(SOFT_LEAST_W);
        let says = format!(
            "in soft pedalling it reads {:.0} W {} than elsewhere",
            rest_w.abs(),
            high_low(rest_w, "higher", "lower")
        );
        unexplained.then(|| finding("soft-pedalling-lost", rest_w, Unit::Watt, Some(expanded_w), says, failing))
    }

    fn drift(&self) -> Vec<Finding> {
        let of = |measure: Measure, what: &str| {
            let verdict = self.whole_ride.iter().find(|c| c.measure == measure.word() && c.verdict == Outcome::Fail)?;
            let size = verdict.value?;
            let unit = if measure == Measure::DriftTime { Unit::WattPerHour } else { Unit::WattPerCelsius };
            let says = format!("its error drifts by {size:+.1} {} {what}", unit.symbol());
            Some(finding(
                "drift",
                size,
                unit,
                verdict.expanded_uncertainty,
                says,
                vec![describe("whole ride", verdict)],
            ))
        };
        [of(Measure::DriftTime, "over the ride"), of(Measure::DriftTemperature, "with temperature")]
            .into_iter()
            .flatten()
            .collect()
    }

    /// A unit that claims both sides and whose balance never moves.
    fn doubled_side(&self) -> Option<Finding> {
        let unit = &self.ride.unit;
        if unit.sides != Sides::Both {
            return None;
        }
        let shares: Vec<f64> = (0..self.ride.length_s)
            .filter_map(|k| {
                unit.grid[k].filter(|&i| unit.power_w[i].is_some_and(|p| p > 0.0)).and_then(|i| unit.right_share_pct[i])
            })
            .collect();
        let first = *shares.first()?;
        let still = shares.len() >= DOUBLED_SECONDS && shares.iter().all(|share| *share == first);
        let says =
            format!("it claims both sides, but its balance stays at {first:.0} % throughout: one side is doubled");
        let evidence = vec![format!("{} pedalling seconds with the same balance", shares.len())];
        still.then(|| finding("doubled-side", first, Unit::Percent, None, says, evidence))
    }

    fn radio(&self) -> Option<Finding> {
        let not_soft = |phase: &Phase| !matches!(phase.drill, Drill::SoftPedal { .. });
        let mut evidence = self.failing_in(not_soft, &[Measure::DropoutTime]);
        evidence.extend(failed(self.whole_ride, &[Measure::DropoutTime]).map(|c| describe("whole ride", c)));
        let size_s: f64 = self.values_in(not_soft, Measure::DropoutTime).map(|v| v.1.value).sum();
        let says = format!("readings drop out for {size_s:.0} s in all while the rider pedals");
        (!evidence.is_empty()).then(|| finding("radio-dropouts", size_s, Unit::Second, None, says, evidence))
    }

    fn clocks(&self) -> Vec<Finding> {
        let traces = std::iter::once(&self.ride.unit).chain(self.ride.references.iter().map(|r| &r.trace));
        traces
            .filter(|trace| trace.clock.offset_s.abs() > CLOCK_SET_WRONG_S)
            .map(|trace| {
                let size_s = trace.clock.offset_s;
                let says =
                    format!("the clock of {}'s head unit was off by {size_s:.0} s; it was corrected", trace.label);
                let evidence = vec![format!("aligned on {}", trace.clock.aligned_on.word())];
                finding(
                    "clock-mismatch",
                    size_s,
                    Unit::Second,
                    Some(2.0 * trace.clock.standard_uncertainty_s),
                    says,
                    evidence,
                )
            })
            .collect()
    }

    fn value(&self, found: usize, measure: Measure) -> Option<&Value> {
        let scored = self.scores.phases[found].checks.iter().find(|s| s.check.measure == measure)?;
        scored.measured.as_ref().ok()
    }

    /// Values of a measure in every ridden repeat of the phases chosen.
    fn values_in<'b>(
        &'b self,
        chosen: impl Fn(&Phase) -> bool + 'b,
        measure: Measure,
    ) -> impl Iterator<Item = (&'b Phase, &'b Value)> {
        self.matches.found.iter().enumerate().filter_map(move |(i, found)| {
            let phase = &self.protocol.phases[found.phase];
            if chosen(phase) { Some((phase, self.value(i, measure)?)) } else { None }
        })
    }

    /// Failed checks of some measures, in words, over repeats and their means.
    fn failing_in(&self, chosen: impl Fn(&Phase) -> bool, measures: &[Measure]) -> Vec<String> {
        let names: Vec<String> = self.protocol.phases.iter().filter(|p| chosen(p)).map(|p| p.id.to_string()).collect();
        let means = self.repeats.iter().filter(|r| names.contains(&r.phase));
        let means = means.flat_map(|r| failed(&r.checks, measures).map(|c| describe(&format!("{}, mean", r.phase), c)));
        let each = self.phases.iter().filter(|p| names.contains(&p.phase));
        let each =
            each.flat_map(|p| failed(&p.checks, measures).map(|c| describe(&format!("{}/{}", p.phase, p.repeat), c)));
        means.chain(each).collect()
    }

    fn failing(&self, measure: Measure) -> Vec<String> {
        self.failing_in(|_| true, &[measure])
    }

    /// One lag over all coasts; `None` where none was measured.
    fn lag(&self, measure: Measure) -> Option<Lag> {
        let values: Vec<(usize, &Value)> =
            (0..self.matches.found.len()).filter_map(|i| Some((i, self.value(i, measure)?))).collect();
        let lags: Vec<f64> = values.iter().map(|v| v.1.value).collect();
        let mean_s = stats::mean(&lags)?;
        let late: Vec<f64> = values
            .iter()
            .filter(|(i, _)| failed(&self.phases[*i].checks, &[measure]).next().is_some())
            .map(|v| v.1.value)
            .collect();
        // Where the mean fails the lag is in all of them, though few may show it by themselves; else it is in those.
        let all = late.is_empty() || self.repeats.iter().any(|r| failed(&r.checks, &[measure]).next().is_some());
        let (size_s, late) = if all { (mean_s, lags.len()) } else { (stats::mean(&late)?, late.len()) };
        let budgets: Vec<&Budget> = values.iter().map(|v| &v.1.budget).collect();
        let expanded_s = crate::decide::expanded(&Budget::of_mean(&budgets), self.coverage);
        let at_least = values.iter().any(|v| v.1.kind == Kind::AtLeast);
        Some(Lag { mean_s, size_s, expanded_s, at_least, late, of: lags.len(), evidence: self.failing(measure) })
    }
}

/// Below this a soft-pedalling error is no pattern of its own: two rounded readings and a weak torque. Common practice, no source.
const SOFT_LEAST_W: f64 = 5.0;

#[derive(Debug, Clone)]
struct Lag {
    mean_s: f64,
    size_s: f64,
    expanded_s: f64,
    at_least: bool,
    late: usize,
    of: usize,
    evidence: Vec<String>,
}

impl Lag {
    fn failed(&self) -> bool {
        !self.evidence.is_empty() && self.size_s > 0.0
    }

    fn of(&self) -> String {
        let bound = if self.at_least { ", at least" } else { "" };
        if self.late > 0 && self.late < self.of {
            format!("{bound} in {} of {} restarts", self.late, self.of)
        } else {
            bound.to_owned()
        }
    }
}

/// What the steady blocks say about the unit's level, to be taken off before other patterns are looked for.
#[derive(Debug, Clone, Default)]
struct Level {
    ring: Option<(Ring, f64)>,
    base: Base,
    ring_finding: Option<Finding>,
    base_finding: Option<Finding>,
}

#[derive(Debug, Clone, Copy, Default)]
enum Base {
    #[default]
    None,
    Gain(f64),
    Offset(f64),
}

impl Level {
    /// Error that these patterns predict for a phase at a reference power, W.
    fn predicted_w(&self, phase: &Phase, power_w: f64) -> f64 {
        let base = match self.base {
            Base::None => 0.0,
            Base::Gain(pct) => pct / 100.0 * power_w,
            Base::Offset(offset_w) => offset_w,
        };
        base + self.ring.filter(|(ring, _)| phase.ring.is_none_or(|on| on == *ring)).map_or(0.0, |(_, size_w)| size_w)
    }
}

fn high_low<'a>(size: f64, high: &'a str, low: &'a str) -> &'a str {
    if size < 0.0 { low } else { high }
}

fn failed<'a>(checks: &'a [CheckVerdict], measures: &'a [Measure]) -> impl Iterator<Item = &'a CheckVerdict> {
    checks.iter().filter(move |c| c.verdict == Outcome::Fail && measures.iter().any(|m| m.word() == c.measure))
}

/// One check in a line of evidence.
fn describe(place: &str, check: &CheckVerdict) -> String {
    let value = check.value.map_or(String::new(), |v| format!(" {v:+.1} {}", check.unit));
    let expanded = check.expanded_uncertainty.map_or(String::new(), |u| format!(" ± {u:.1} {}", check.unit));
    let limit = check.limit.as_ref().map_or(String::new(), |l| format!(", limit {l}"));
    format!("{place}: {}{value}{expanded}{limit}", check.measure)
}

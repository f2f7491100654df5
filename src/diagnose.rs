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
/// Pedalling seconds that a balance must stay at one value, or away, before it counts as doubled.
const DOUBLED_SECONDS: usize = 120;
/// Means over this long follow the legs, not the angle at which each crank reports.
const DOUBLED_MEAN_S: usize = 10;
/// By how much one leg must tell its readings better than both: in rehearsals of 30 riders sound units reach 1.03 and
/// doubled ones 1.1 in 57 of 60.
const DOUBLED_SURE: f64 = 1.1;
/// Over a whole ride a drift below this hides among gains and offsets. Common practice, no source.
const DRIFT_LEAST_W: f64 = 5.0;
/// Slopes of sound units exceed their expanded uncertainty once in twenty sessions, and this many times it once in 300.
const DRIFT_SURELY: f64 = 1.5;
/// Fewer seconds lost with the strap are what any head unit loses now and then. Common practice, no source.
const RADIO_LEAST_S: usize = 10;

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
        // Where references quarrel only what fails either way has failed on a gain; a contrast between rings still may.
        let doubled = self.doubled_side();
        let trend = self.trend();
        let level = self.level(trend.as_ref());
        // What one leg does is read twice: no gain, no ring.
        if doubled.is_none() {
            patterns.extend(level.ring_finding.clone());
            patterns.extend(level.base_finding.clone());
        }
        patterns.extend(self.side_short(&level));
        let edges = self.edges();
        let late = edges.iter().any(|finding| finding.pattern == "late-throughout");
        patterns.extend(edges);
        // A late unit still reads the surge where soft pedalling has begun.
        let surge_read_late = |soft: &Finding| late && soft.unit == Unit::Watt.symbol() && soft.size > 0.0;
        patterns.extend(self.soft_pedalling(&level).filter(|soft| !surge_read_late(soft)));
        patterns.extend(self.drift(trend));
        patterns.extend(doubled);
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
    ///
    /// A drift that was found is taken off first. What fails nothing but is surely there, nearer to its limit than its
    /// uncertainty, is named all the same: the sheet is undecided for its sake.
    fn level(&self, trend: Option<&Finding>) -> Level {
        let drift = trend.map(|finding| (finding.size, finding.expanded_uncertainty.unwrap_or(0.0)));
        let mut level = Level { drift, ..Level::default() };
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
            let near = self.near_its_limit();
            if !near.is_empty() {
                self.gain_or_offset(&mut level, None, near, Surely::Asked);
            }
            return level;
        }
        let ring = |ring: Ring| {
            let score = self.scores.rings.iter().find(|r| r.ring == ring)?;
            let drifted: Vec<f64> = self.steady(Some(ring)).map(|(_, _, at_s)| level.drifted_w(at_s)).collect();
            Some((score.error.value - stats::mean(&drifted).unwrap_or(0.0), &score.error.budget))
        };
        let mut base: Vec<Option<Ring>> = vec![None];
        if let (Some(big), Some(small)) = (ring(Ring::Big), ring(Ring::Small)) {
            let difference_w = big.0 - small.0;
            let expanded_w = crate::decide::expanded(&Budget::of_difference(big.1, small.1), self.coverage);
            let odd = if big.0.abs() >= small.0.abs() { Ring::Big } else { Ring::Small };
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
            let surely = if drift.is_none() { Surely::Failed } else { Surely::Asked };
            self.gain_or_offset(&mut level, base[0], evidence, surely);
        }
        level
    }

    /// Steady mean errors that are undecided for their own size.
    fn near_its_limit(&self) -> Vec<String> {
        if self.scores.agreement.quarrel() {
            return vec![];
        }
        let checks = self.phases.iter().filter(|p| p.drill == "steady").flat_map(|p| {
            let near = |c: &&CheckVerdict| {
                c.measure == Measure::MeanError.word() && c.verdict == Outcome::Undecided && c.value.is_some()
            };
            p.checks.iter().filter(near).map(|c| describe(&p.phase, c)).collect::<Vec<_>>()
        });
        checks.collect()
    }

    /// Mean errors of the steady blocks, on one ring or all.
    fn steady(&self, only: Option<Ring>) -> impl Iterator<Item = (&Phase, &Value, f64)> {
        let chosen =
            move |phase: &Phase| matches!(phase.drill, Drill::Steady { .. }) && (only.is_none() || phase.ring == only);
        self.values_in(chosen, Measure::MeanError)
    }

    /// An error that grows over the steady blocks, surely and beyond rings and gain, where
    /// something failed that it may explain.
    fn trend(&self) -> Option<Finding> {
        let value = self.scores.drift.as_ref().ok()?;
        let expanded = crate::decide::expanded(&value.budget, self.coverage);
        let over_the_ride_w = value.value.abs() * self.ride.length_s as f64 / 3600.0;
        if value.value.abs() <= DRIFT_SURELY * expanded || over_the_ride_w < DRIFT_LEAST_W {
            return None;
        }
        let mut evidence = self.failing(Measure::MeanError);
        let whole = failed(self.whole_ride, &[Measure::MeanError, Measure::WorkError]);
        evidence.extend(whole.map(|c| describe("whole ride", c)));
        let says = format!("its error drifts by {:+.1} W/h over the ride", value.value);
        let unit = Unit::WattPerHour;
        (!evidence.is_empty()).then(|| finding("drift", value.value, unit, Some(expanded), says, evidence))
    }

    /// Which of a constant per cent and a constant number of watts describes the blocks better.
    fn gain_or_offset(&self, level: &mut Level, only: Option<Ring>, evidence: Vec<String>, surely: Surely) {
        // (error in W less what drift explains, reference in W, budget in W, budget in %)
        let blocks: Vec<(f64, f64, Budget, Budget)> = self
            .steady(only)
            .filter_map(|(_, value, at_s)| {
                let (error_w, budget_w) = value.in_unit(Unit::Watt)?;
                let (_, budget_pct) = value.in_unit(Unit::Percent)?;
                Some((error_w - level.drifted_w(at_s), value.reference, budget_w, budget_pct))
            })
            .collect();
        let errors = |error: fn(&(f64, f64, Budget, Budget)) -> f64| -> Option<f64> {
            stats::mean(&blocks.iter().map(error).collect::<Vec<_>>())
        };
        let (Some(watt), Some(pct)) = (errors(|b| b.0), errors(|b| 100.0 * b.0 / b.1)) else { return };
        // Residuals of both models in watts at each block's own power.
        let as_gain: f64 = blocks.iter().map(|b| (b.0 - pct / 100.0 * b.1).powi(2)).sum();
        let as_offset: f64 = blocks.iter().map(|b| (b.0 - watt).powi(2)).sum();
        let of_mean = |budgets: Vec<&Budget>| crate::decide::expanded(&Budget::of_mean(&budgets), self.coverage);
        let expanded_w = of_mean(blocks.iter().map(|b| &b.2).collect());
        let expanded_pct = of_mean(blocks.iter().map(|b| &b.3).collect());
        let middle_h = stats::mean(&self.steady(only).map(|b| b.2 / 3600.0).collect::<Vec<_>>()).unwrap_or(0.0);
        let drift_w = level.drift.map_or(0.0, |(_, expanded)| expanded * middle_h);
        if surely == Surely::Asked && watt.abs() <= expanded_w.hypot(drift_w) {
            return;
        }
        let on = only.map_or(String::new(), |ring| format!(" on the {} ring too", ring.word()));
        if as_gain <= as_offset {
            let says = format!("it reads {:.1} % {}{on}, at every power", pct.abs(), high_low(pct, "high", "low"));
            level.base_finding = Some(finding("gain", pct, Unit::Percent, Some(expanded_pct), says, evidence));
            level.base = Base::Gain(pct);
        } else {
            let says =
                format!("it reads {:.0} W {}{on}, whatever the power", watt.abs(), high_low(watt, "high", "low"));
            level.base_finding = Some(finding("offset", watt, Unit::Watt, Some(expanded_w), says, evidence));
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
                let rest_w = error_w - level.predicted_w(phase, value.reference * 2.0, there.span.start_s) / 2.0;
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
                if (release.failed() && onset.surely() || release.surely() && onset.failed())
                    && (release.mean_s - onset.mean_s).abs() <= SAME_LAG_S =>
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
        // Late for sure, though not surely over its limit, while the work that it costs is.
        let missing = self.failing(Measure::MissingWork);
        let costs_work = onset.as_ref().filter(|lag| lag.surely() && !missing.is_empty());
        let wakes_late = with_cadence(&onset, &cadence_onset)
            .or_else(|| costs_work.map(|lag| Lag { evidence: missing.clone(), ..lag.clone() }));
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
            .filter_map(|(phase, value, at_s)| {
                Some(value.in_unit(Unit::Watt)?.0 - level.predicted_w(phase, value.reference, at_s))
            })
            .collect();
        let limits: Vec<f64> = self
            .values_in(soft, Measure::MeanError)
            .map(|(_, value, _)| crate::decide::expanded(&value.budget, self.coverage))
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

    /// With time: what the protocol asked for and failed, or else the trend that explains other failures.
    fn drift(&self, trend: Option<Finding>) -> Vec<Finding> {
        let of = |measure: Measure, what: &str| {
            let verdict = self.whole_ride.iter().find(|c| c.measure == measure.word() && c.verdict == Outcome::Fail)?;
            let size = verdict.value?;
            let unit = if measure == Measure::DriftTime { Unit::WattPerHour } else { Unit::WattPerCelsius };
            let says = format!("its error drifts by {size:+.1} {} {what}", unit.symbol());
            let evidence = vec![describe("whole ride", verdict)];
            Some(finding("drift", size, unit, verdict.expanded_uncertainty, says, evidence))
        };
        let over_time = of(Measure::DriftTime, "over the ride").or(trend);
        over_time.into_iter().chain(of(Measure::DriftTemperature, "with temperature")).collect()
    }

    /// A unit that claims both sides, and whose balance never moves, or that sends none and follows one leg.
    fn doubled_side(&self) -> Option<Finding> {
        let unit = &self.ride.unit;
        if unit.sides != Sides::Both {
            return None;
        }
        let pedalling: Vec<usize> = (0..self.ride.length_s)
            .filter_map(|k| unit.grid[k].filter(|&i| unit.power_w[i].is_some_and(|p| p > 0.0)))
            .collect();
        let shares: Vec<f64> = pedalling.iter().filter_map(|&i| unit.right_share_pct[i]).collect();
        if pedalling.len() < DOUBLED_SECONDS {
            return None;
        }
        if shares.is_empty() {
            return self.follows_one_leg(pedalling.len());
        }
        let first = shares[0];
        let still = shares.len() >= DOUBLED_SECONDS && shares.iter().all(|share| *share == first);
        let says =
            format!("it claims both sides, but its balance stays at {first:.0} % throughout: one side is doubled");
        let evidence = vec![format!("{} pedalling seconds with the same balance", shares.len())];
        still.then(|| finding("doubled-side", first, Unit::Percent, None, says, evidence))
    }

    /// Whether twice one side of a reference that measures both tells the unit's readings better than the total does.
    fn follows_one_leg(&self, pedalling_s: usize) -> Option<Finding> {
        let sided = self
            .ride
            .references
            .iter()
            .find(|r| r.trace.sides == Sides::Both && r.trace.right_share_pct.iter().any(Option::is_some))?;
        let (unit, trace) = (&self.ride.unit, &sided.trace);
        // Means over stretches in which both pedal throughout: unit, reference's left, right.
        let stretches: Vec<[f64; 3]> = (0..self.ride.length_s / DOUBLED_MEAN_S)
            .filter_map(|n| {
                let mut sums = [0.0; 3];
                for k in n * DOUBLED_MEAN_S..(n + 1) * DOUBLED_MEAN_S {
                    let power_w = unit.power_at(k).filter(|power_w| *power_w > 0.0)?;
                    let reads = [power_w, trace.left_power_at(k)?, trace.right_power_at(k)?];
                    sums.iter_mut().zip(reads).for_each(|(sum, w)| *sum += w / DOUBLED_MEAN_S as f64);
                }
                Some(sums)
            })
            .collect();
        let column = |of: fn(&[f64; 3]) -> f64| stretches.iter().map(of).collect::<Vec<f64>>();
        let reads = column(|s| s[0]);
        let residual_w = |of: fn(&[f64; 3]) -> f64| stats::ratio(&reads, &column(of)).map(|ratio| ratio.residual_sd);
        let total_w = residual_w(|s| s[1] + s[2])?;
        let (side, side_w) = [("left", residual_w(|s| 2.0 * s[1])?), ("right", residual_w(|s| 2.0 * s[2])?)]
            .into_iter()
            .min_by(|a, b| a.1.total_cmp(&b.1))?;
        let says =
            format!("it claims both sides, but sends no balance and follows the {side} leg: one side is doubled");
        let evidence = vec![
            format!("{pedalling_s} pedalling seconds without a balance"),
            format!(
                "it follows twice the {side} side of {} to {side_w:.1} W, the total to {total_w:.1} W ({DOUBLED_MEAN_S} s means)",
                trace.label
            ),
        ];
        (side_w * DOUBLED_SURE < total_w)
            .then(|| finding("doubled-side", total_w / side_w, Unit::One, None, says, evidence))
    }

    fn radio(&self) -> Option<Finding> {
        let aside_s = self.scores.set_aside_s;
        if aside_s >= RADIO_LEAST_S {
            let says =
                format!("its head unit lost the strap with the power for {aside_s} s in all: the radio, not the unit");
            let evidence = vec![format!("{aside_s} s without heart rate and power, set aside")];
            return Some(finding("radio-dropouts", aside_s as f64, Unit::Second, None, says, evidence));
        }
        let not_soft = |phase: &Phase| !matches!(phase.drill, Drill::SoftPedal { .. });
        let mut evidence = self.failing_in(not_soft, &[Measure::DropoutTime]);
        evidence.extend(failed(self.whole_ride, &[Measure::DropoutTime]).map(|c| describe("whole ride", c)));
        let size_s: f64 = self.values_in(not_soft, Measure::DropoutTime).map(|v| v.1.value).sum();
        let says = format!("readings drop out for {size_s:.0} s in all while the rider pedals");
        (!evidence.is_empty()).then(|| finding("radio-dropouts", size_s, Unit::Second, None, says, evidence))
    }

    fn clocks(&self) -> Vec<Finding> {
        let traces = std::iter::once(&self.ride.unit).chain(self.ride.references.iter().map(|r| &r.trace));
        let mut found = vec![];
        for trace in traces {
            let (clock, label) = (&trace.clock, &trace.label);
            let mut add = |size_s: f64, says: String| {
                let evidence = vec![format!("aligned on {}", clock.channels())];
                let expanded_s = Some(2.0 * clock.standard_uncertainty_s);
                found.push(finding("clock-mismatch", size_s, Unit::Second, expanded_s, says, evidence));
            };
            let off_s = clock.offset_s;
            if off_s.abs() > CLOCK_SET_WRONG_S {
                add(off_s, format!("the clock of {label}'s head unit was off by {off_s:.0} s; it was corrected"));
            }
            if let Some((_, by_s)) = clock.reset {
                let way = if by_s > 0.0 { "back" } else { "forward" };
                let by = by_s.abs();
                add(
                    by_s,
                    format!(
                        "the clock of {label}'s head unit was put {way} by {by:.1} s while it recorded; it was followed"
                    ),
                );
            }
        }
        found
    }

    fn value(&self, found: usize, measure: Measure) -> Option<&Value> {
        let scored = self.scores.phases[found].checks.iter().find(|s| s.check.measure == measure)?;
        scored.measured.as_ref().ok()
    }

    /// Values of a measure in every ridden repeat of the phases chosen, each with the middle of its window, session
    /// seconds.
    fn values_in<'b>(
        &'b self,
        chosen: impl Fn(&Phase) -> bool + 'b,
        measure: Measure,
    ) -> impl Iterator<Item = (&'b Phase, &'b Value, f64)> {
        self.matches.found.iter().enumerate().filter_map(move |(i, found)| {
            let phase = &self.protocol.phases[found.phase];
            let window = self.scores.phases[i].window?;
            if chosen(phase) {
                Some((phase, self.value(i, measure)?, window.start_s + window.length_s() / 2.0))
            } else {
                None
            }
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

    /// Late, by more than its uncertainty.
    fn surely(&self) -> bool {
        self.failed() || self.mean_s > self.expanded_s
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
    /// W/h with its expanded uncertainty.
    drift: Option<(f64, f64)>,
}

/// Whether a failed check already vouches for a level, or its own uncertainty must be asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Surely {
    Failed,
    Asked,
}

#[derive(Debug, Clone, Copy, Default)]
enum Base {
    #[default]
    None,
    Gain(f64),
    Offset(f64),
}

impl Level {
    /// What drift adds by a session second, W.
    fn drifted_w(&self, at_s: f64) -> f64 {
        self.drift.map_or(0.0, |(w_per_h, _)| w_per_h * at_s / 3600.0)
    }

    /// Error that these patterns predict for a phase at a reference power and session second, W.
    fn predicted_w(&self, phase: &Phase, power_w: f64, at_s: f64) -> f64 {
        let base = match self.base {
            Base::None => 0.0,
            Base::Gain(pct) => pct / 100.0 * power_w,
            Base::Offset(offset_w) => offset_w,
        };
        let level_w = base + self.drifted_w(at_s);
        level_w
            + self.ring.filter(|(ring, _)| phase.ring.is_none_or(|on| on == *ring)).map_or(0.0, |(_, size_w)| size_w)
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

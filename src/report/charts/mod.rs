//! The sheet's pictures.

mod across;
mod clocks;
mod overview;
mod phase;

use chrono::{DateTime, TimeDelta, Timelike, Utc};

pub use overview::mark;
pub use phase::PhasePictures;

use super::groups::Group;
use super::picture::{Key, Numbers, Picture, cell};
use super::svg::{self, Anchor, Frame, Look, Points, Scale, Svg};
use crate::judge::Judgement;
use crate::ride::{Ride, Trace};
use crate::verdict::{CheckVerdict, MatchFacts, Outcome, PhaseVerdict, Verdict};
use crate::words;

/// Neighbouring samples further apart than this are not joined: a head unit writes once a second, and one late
/// stamp is no gap.
const GAP_S: f64 = 2.5;

/// All pictures of a sheet.
pub struct SheetPictures {
    pub rings: Option<Picture>,
    pub timeline: Picture,
    /// Of each scored group, in order.
    pub phases: Vec<PhasePictures>,
    /// In the verdict's order; `None` for one without a pair to show.
    pub contrasts: Vec<Option<Picture>>,
    pub against_power: Option<Picture>,
    pub agreement: Option<Picture>,
    pub references: Option<Picture>,
    /// With the label of the clock's instrument.
    pub clocks: Vec<(String, Picture)>,
}

impl SheetPictures {
    /// `groups` are those of the sheet that are scored.
    pub fn of(judgement: &Judgement, groups: &[&Group<'_>]) -> Self {
        let Judgement { verdict, ride, protocol, shown, .. } = judgement;
        let at =
            |phase: &PhaseVerdict| verdict.phases.iter().position(|p| std::ptr::eq(p, phase)).unwrap_or(usize::MAX);
        let phases = groups.iter().map(|group| {
            let at: Vec<usize> = group.phases.iter().map(|p| at(p)).collect();
            phase::pictures(group, &at, ride, shown)
        });
        let contrast = |check: &CheckVerdict| {
            let protocol = protocol.as_ref()?;
            let contrast = protocol.contrasts.iter().find(|c| Some(&c.name) == check.contrast.as_ref())?;
            across::contrast(contrast, check, verdict, protocol)
        };
        let traces = std::iter::once(&ride.unit).chain(ride.references.iter().map(|r| &r.trace));
        Self {
            rings: overview::rings(verdict),
            timeline: overview::timeline(verdict, ride),
            phases: phases.collect(),
            contrasts: verdict.contrasts.iter().map(contrast).collect(),
            against_power: across::against_power(verdict, shown),
            agreement: across::agreement(verdict, ride, shown),
            references: across::references(verdict, ride, shown),
            clocks: traces.filter_map(|trace| Some((trace.label.clone(), clocks::clock(trace, ride)?))).collect(),
        }
    }

    /// In the order of the sheet.
    pub fn into_pictures(self) -> Vec<Picture> {
        let overview = self.rings.into_iter().chain([self.timeline]);
        let phases = self.phases.into_iter().flat_map(|p| p.together.into_iter().chain(p.rides.into_iter().flatten()));
        let across = self.contrasts.into_iter().flatten().chain(self.against_power).chain(self.agreement);
        let instruments = self.references.into_iter().chain(self.clocks.into_iter().map(|(_, picture)| picture));
        overview.chain(phases).chain(across).chain(instruments).collect()
    }
}

/// Session seconds of a time.
fn seconds(ride: &Ride, at: DateTime<Utc>) -> f64 {
    (at - ride.start).num_milliseconds() as f64 / 1000.0
}

/// The unit and its references by their lines.
fn instrument_keys(ride: &Ride) -> Vec<Key> {
    let mut keys = vec![Key::line(svg::UNIT, format!("{} (unit)", ride.unit.label))];
    let references = ride.references.iter().enumerate();
    keys.extend(references.map(|(i, r)| Key::line(svg::reference_look(i), r.trace.label.as_str())));
    keys
}

/// Mean power of every instrument over each `bin_s` seconds, with the time of day at which it begins.
fn means(ride: &Ride, (from_s, to_s): (f64, f64), bin_s: usize) -> Numbers {
    let traces: Vec<&Trace> = std::iter::once(&ride.unit).chain(ride.references.iter().map(|r| &r.trace)).collect();
    let mut columns = vec![if bin_s > 1 { format!("{bin_s} s from, UTC") } else { "time, UTC".to_owned() }];
    columns.extend(traces.iter().map(|t| format!("power of {}, W", t.label)));
    let row = |from: usize| {
        let mean = |trace: &&Trace| {
            let found: Vec<f64> = (from..from + bin_s).filter_map(|k| trace.power_at(k)).collect();
            cell(crate::stats::mean(&found), if bin_s > 1 { 1 } else { 0 })
        };
        let at = ride.utc(from as f64).format("%H:%M:%S").to_string();
        std::iter::once(at).chain(traces.iter().map(mean)).collect()
    };
    let seconds = from_s.max(0.0).ceil() as usize..(to_s.max(0.0).ceil() as usize).min(ride.length_s);
    Numbers { columns, rows: seconds.step_by(bin_s).map(row).collect() }
}

/// A trace's own power samples from `from_s` to `to_s`.
fn power(trace: &Trace, from_s: f64, to_s: f64) -> Points {
    let first = trace.time_s.partition_point(|t| *t < from_s);
    let last = trace.time_s.partition_point(|t| *t <= to_s);
    (first..last).map(|i| (trace.time_s[i], trace.power_w.get(i).copied().flatten())).collect()
}

/// All instruments' power over a stretch: references beneath, the unit on top.
struct PowerLines {
    lines: Vec<(Points, Look)>,
    highest_w: f64,
}

impl PowerLines {
    fn of(ride: &Ride, (from_s, to_s): (f64, f64)) -> Self {
        let mut lines: Vec<_> = ride
            .references
            .iter()
            .enumerate()
            .map(|(i, r)| (power(&r.trace, from_s, to_s), svg::reference_look(i)))
            .collect();
        lines.push((power(&ride.unit, from_s, to_s), svg::UNIT));
        let highest_w = lines.iter().flat_map(|(l, _)| l).filter_map(|p| p.1).fold(20.0, f64::max);
        Self { lines, highest_w }
    }
}

/// About `most` round times of day, UTC.
fn clock_labels(ride: &Ride, from_s: f64, to_s: f64, most: usize) -> Vec<(f64, String)> {
    let midnight_s = f64::from(ride.start.num_seconds_from_midnight());
    let form = if to_s - from_s < 300.0 { "%H:%M:%S" } else { "%H:%M" };
    let show = |at_s: f64| (ride.start + TimeDelta::milliseconds((at_s * 1000.0) as i64)).format(form).to_string();
    let times = svg::time_ticks(midnight_s + from_s, midnight_s + to_s, most).into_iter();
    times.map(|t| (t - midnight_s, show(t - midnight_s))).collect()
}

/// Axis values with their labels, the unit behind the last.
fn labelled(values: &[f64], decimals: i32, unit: &str) -> impl Iterator<Item = (f64, String)> {
    values.iter().enumerate().map(move |(i, value)| {
        let number = words::number(*value, decimals);
        (*value, if i + 1 == values.len() { format!("{number}\u{a0}{unit}") } else { number })
    })
}

fn check_in_words(check: &CheckVerdict) -> Option<String> {
    Some(format!("{} {}: {}", words::plain(&check.measure), words::value_of(check)?, check.verdict.word()))
}

/// Of the samples within a window, in watts; `None` without any.
fn mean_power(trace: &Trace, (from_s, to_s): (f64, f64)) -> Option<f64> {
    let found: Vec<f64> = power(trace, from_s, to_s).into_iter().filter_map(|p| p.1).collect();
    (!found.is_empty()).then(|| found.iter().sum::<f64>() / found.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::{example, groups};
    use crate::scoring::PictureMarks;

    fn album(judgement: &Judgement) -> SheetPictures {
        let groups = groups::groups(&judgement.verdict);
        SheetPictures::of(judgement, &groups.iter().filter(|g| g.is_scored()).collect::<Vec<_>>())
    }

    /// The pictures of the group of this drill.
    fn of_drill(judgement: &Judgement, drill: &str) -> PhasePictures {
        let groups = groups::groups(&judgement.verdict);
        let group = groups.iter().find(|g| g.drill() == drill).unwrap();
        let at: Vec<usize> =
            judgement.verdict.phases.iter().enumerate().filter(|p| p.1.drill == drill).map(|p| p.0).collect();
        phase::pictures(group, &at[..group.phases.len()], &judgement.ride, &judgement.shown)
    }

    fn drawn(picture: &Picture) -> String {
        picture.drawing.finish()
    }

    #[test]
    fn a_limit_in_per_cent_has_its_error_drawn_in_per_cent() {
        let mut judgement = example::judgement();
        let check = &mut judgement.verdict.phases[1].checks[0];
        (check.unit, check.value, check.expanded_uncertainty) = ("%".into(), Some(-4.3), Some(1.1));
        (check.limit_low, check.limit_high) = (Some(-2.5), Some(2.5));
        let block = of_drill(&judgement, "steady").rides.remove(0).unwrap();
        assert!(drawn(&block).contains("c-limit") && drawn(&block).contains("5\u{a0}%"));
    }

    #[test]
    fn a_ride_without_a_sample_still_draws() {
        let mut judgement = example::judgement();
        judgement.ride.unit.power_w.fill(None);
        judgement.ride.references.clear();
        judgement.shown = PictureMarks::of_ride(judgement.protocol.as_ref(), &judgement.matches, &judgement.ride);
        let album = album(&judgement);
        assert!(!drawn(&album.timeline).contains("\"c-unit\""));
        assert!(album.phases.iter().all(|p| p.together.is_none()));
        assert!(album.against_power.is_none() && album.agreement.is_none() && album.references.is_none());
    }

    #[test]
    fn a_clock_shows_its_channel_and_a_dot_for_each_window() {
        let mut judgement = example::judgement();
        let ride = &mut judgement.ride;
        for trace in [&mut ride.unit, &mut ride.references[0].trace] {
            trace.heart_rate_bpm = trace.time_s.iter().map(|t| Some(120.0 + (t / 20.0).sin().round())).collect();
        }
        let picture = clocks::clock(&ride.unit, ride).unwrap();
        let chart = drawn(&picture);
        assert_eq!(chart.matches("<circle").count(), ride.unit.clock.windows.len());
        assert_eq!(picture.numbers.rows.len(), ride.unit.clock.windows.len());
        assert_eq!((chart.matches("c-ref").count(), chart.matches("c-unit").count()), (1, 1));
        assert!(clocks::clock(&ride.references[0].trace, ride).is_none(), "the session's own clock");
        ride.unit.heart_rate_bpm.fill(None);
        assert!(clocks::clock(&ride.unit, ride).is_none(), "nothing to show");
    }

    #[test]
    fn a_missing_repeat_has_no_chart_and_the_others_share_a_scale() {
        let soft = of_drill(&example::judgement(), "soft_pedal").rides;
        assert_eq!(soft.iter().map(Option::is_some).collect::<Vec<_>>(), [true, true, true, false]);
        let axis = |picture: &Option<Picture>| {
            let chart = drawn(picture.as_ref().unwrap());
            chart.split("c-text").take(6).map(|t| t.split('>').nth(1).unwrap_or("").to_owned()).collect::<Vec<_>>()
        };
        assert_eq!(axis(&soft[0]), axis(&soft[2]));
    }

    #[test]
    fn what_a_silent_unit_lost_is_marked_and_counted() {
        let soft = of_drill(&example::judgement(), "soft_pedal").rides;
        let chart = drawn(soft[0].as_ref().unwrap());
        assert!(chart.contains("c-lost") && chart.contains("s lost"), "{chart}");
        assert!(soft[0].as_ref().unwrap().keys.iter().any(|k| k.label.contains("says nothing")));
        let sprint = of_drill(&example::judgement(), "sprint").rides.remove(0).unwrap();
        assert!(!drawn(&sprint).contains("c-lost"));
    }

    #[test]
    fn a_sprint_shows_both_sides_where_both_instruments_have_them() {
        let mut judgement = example::judgement();
        let sprint = of_drill(&judgement, "sprint").rides.remove(0).unwrap();
        assert!(drawn(&sprint).contains("left side") && drawn(&sprint).contains("right side"));
        assert_eq!(sprint.numbers.columns.len(), 7);
        judgement.ride.unit.right_share_pct.fill(None);
        let sprint = of_drill(&judgement, "sprint").rides.remove(0).unwrap();
        assert!(!drawn(&sprint).contains("right side"));
    }

    #[test]
    fn a_stop_is_marked_from_the_references_edge_by_the_lag_of_the_check() {
        let judgement = example::judgement();
        let PhasePictures { rides, together } = of_drill(&judgement, "coast_restart");
        let check = |p: &PhaseVerdict| p.checks.iter().find(|c| c.measure == "release_lag").unwrap().value;
        let first = judgement.verdict.phases.iter().find(|p| p.drill == "coast_restart").unwrap();
        let text = format!(">{}\u{a0}s<", words::number(check(first).unwrap(), 1));
        assert!(drawn(rides[0].as_ref().unwrap()).contains(&text), "{text}");
        let together = together.unwrap();
        // Six stops, two panels, two instruments.
        assert_eq!(drawn(&together).matches("<path class=\"c-unit\"").count(), 12);
        assert_eq!(drawn(&together).matches("<path class=\"c-ref\"").count(), 12);
        assert!(together.numbers.rows.len() > 12 * 14);
    }

    #[test]
    fn a_contrast_pairs_what_is_alike_in_all_but_its_key() {
        let album = album(&example::judgement());
        let contrast = album.contrasts[0].as_ref().unwrap();
        let pairs: Vec<&str> = contrast.numbers.rows.iter().map(|r| r[0].as_str()).collect();
        assert_eq!(pairs, ["120 W", "180 W", "240 W", "mean"]);
        assert_eq!(drawn(contrast).matches("c-hollow").count(), 3);
    }

    #[test]
    fn each_block_is_a_dot_over_its_power_and_has_its_limits_of_agreement() {
        let album = album(&example::judgement());
        let (means, seconds) = (album.against_power.unwrap(), album.agreement.unwrap());
        assert_eq!((means.numbers.rows.len(), seconds.numbers.rows.len()), (6, 6));
        assert_eq!(drawn(&means).matches("<circle").count(), 6);
        // Two limits and a mean for each block.
        assert_eq!(drawn(&seconds).matches("c-limit").count(), 12);
        // By the table's own numbers: mean ± 1.96 standard deviations (Bland and Altman 1986).
        let number = |text: &str| text.replace('−', "-").parse::<f64>().unwrap();
        for row in &seconds.numbers.rows {
            let [mean, sd, low, high] = [2, 3, 4, 5].map(|i| number(&row[i]));
            assert!((mean - 1.96 * sd - low).abs() < 0.25 && (mean + 1.96 * sd - high).abs() < 0.25, "{row:?}");
        }
    }

    #[test]
    fn the_rings_are_drawn_with_the_limits_of_their_blocks() {
        let verdict = example::judgement().verdict;
        let chart = drawn(&overview::rings(&verdict).unwrap());
        assert_eq!(chart.matches("c-dot").count(), 8);
        assert_eq!(chart.matches("c-bracket").count(), 12);
        assert!(overview::rings(&Verdict { rings: vec![], ..verdict }).is_none());
    }

    #[test]
    fn every_picture_has_its_own_name_words_for_those_who_cant_see_it_and_numbers_behind_it() {
        for judgement in [example::judgement(), example::hostile()] {
            let pictures = album(&judgement).into_pictures();
            assert!(pictures.len() > 25);
            for picture in &pictures {
                assert!(!picture.drawing.title().is_empty() && !picture.drawing.desc().is_empty());
                assert!(!picture.file_name().is_empty() && !picture.keys.is_empty(), "{}", picture.name);
                let Numbers { columns, rows } = &picture.numbers;
                assert!(!rows.is_empty() && rows.iter().all(|r| r.len() == columns.len()), "{}", picture.name);
            }
        }
    }
}

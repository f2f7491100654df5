//! A phase as ridden, drawn for the question that its drill asks.

use super::*;
use crate::protocol::{DrillKind, Measure};
use crate::quantity::Unit;
use crate::ride::Window;
use crate::scoring::{PictureMarks, ReferenceEdges};

/// What is shown before and after a phase.
const MARGIN_S: f64 = 5.0;
/// Around an edge on the picture of all stops: the levels on which lags rest lie within.
const AROUND_EDGE_S: (f64, f64) = (-6.0, 9.0);
/// Room above the power for lags, or for what was lost.
const LANE_PX: f64 = 18.0;

/// All pictures of one phase.
pub struct PhasePictures {
    /// In the order of the repeats; `None` for one that was not ridden.
    pub rides: Vec<Option<Picture>>,
    /// All stops over each other, aligned where the reference let go and came back.
    pub together: Option<Picture>,
}

/// The repeats of one phase, all on one scale of power. `at` is where each stands among the verdict's phases, which begin
/// with the matches.
pub fn pictures(group: &Group<'_>, at: &[usize], ride: &Ride, shown: &PictureMarks) -> PhasePictures {
    let phases = &group.phases;
    let lone = phases.len() == 1;
    let rides: Vec<Option<Ridden<'_>>> = phases
        .iter()
        .zip(at)
        .map(|(phase, at)| {
            let edges = shown.stops.get(*at).and_then(Option::as_ref);
            Some(Ridden { phase, matched: phase.matched.as_ref()?, ride, shown, edges })
        })
        .collect();
    let highest_w = rides.iter().flatten().map(|r| PowerLines::of(ride, r.span_s()).highest_w).fold(0.0, f64::max);
    let ridden: Vec<&Ridden<'_>> = rides.iter().flatten().collect();
    let together = (ridden.len() > 1).then(|| stops(&ridden, group.checks())).flatten();
    PhasePictures { rides: rides.iter().map(|r| r.as_ref().map(|r| r.picture(lone, highest_w))).collect(), together }
}

/// One ride of a phase.
struct Ridden<'a> {
    phase: &'a PhaseVerdict,
    matched: &'a MatchFacts,
    ride: &'a Ride,
    shown: &'a PictureMarks,
    edges: Option<&'a ReferenceEdges>,
}

/// Pixels of a picture; `base` is where power is zero.
#[derive(Clone, Copy)]
struct Size {
    width: f64,
    height: f64,
    base: f64,
}

/// A time between two crossings, as it is marked.
struct MarkedLag<'a> {
    reference_s: f64,
    check: &'a CheckVerdict,
}

impl Ridden<'_> {
    /// The stretch of session time that is shown. A coast is shown from before its release, without the lead-in.
    fn span_s(&self) -> (f64, f64) {
        let (from_s, to_s) = (seconds(self.ride, self.matched.start), seconds(self.ride, self.matched.end));
        match (self.phase.kind(), self.matched.moves.as_slice()) {
            // The levels on which the lags rest: six seconds before, six after.
            (Some(DrillKind::CoastRestart), [_, coast, ..]) => (seconds(self.ride, coast.start) - 6.0, to_s + 6.0),
            _ => (from_s - MARGIN_S, to_s + MARGIN_S),
        }
    }

    fn window_s(&self) -> (f64, f64) {
        (seconds(self.ride, self.matched.window.start), seconds(self.ride, self.matched.window.end))
    }

    fn picture(&self, lone: bool, highest_w: f64) -> Picture {
        let error = self
            .phase
            .checks
            .iter()
            .find(|c| c.is_of(Measure::MeanError) && (c.is_in(Unit::Watt) || c.is_in(Unit::Percent)));
        let error = error.filter(|_| lone);
        let sides = self.sides();
        let size = match lone {
            true => Size { width: 460.0, height: if error.is_some() { 354.0 } else { 228.0 }, base: 204.0 },
            false => Size { width: 320.0, height: if sides.is_some() { 326.0 } else { 208.0 }, base: 180.0 },
        };
        let title = format!("{}, repeat {}", words::capital(&words::phase(&self.phase.phase)), self.phase.repeat);
        let title = if lone { words::capital(&words::phase(&self.phase.phase)) } else { title };
        let (mut svg, frame, lost) = self.power(size, highest_w, &title);
        let mut keys = instrument_keys(self.ride);
        keys.push(Key::area(svg::WINDOW, "scored window"));
        let lags = self.lags();
        self.mark_lags(&mut svg, &frame, &lags);
        if !lags.is_empty() {
            keys.push(Key::line(svg::MEAN, "above: from the reference's edge to the unit's"));
        }
        if lost {
            keys.push(Key::area(svg::LOST, "the unit says nothing while the rider pedals"));
        }
        if let Some(check) = error {
            self.error_strip(&mut svg, &frame, check);
            keys.push(Key::line(svg::MEAN, "mean error, band: expanded uncertainty"));
            keys.push(Key::line(svg::LIMIT, "limit"));
        }
        let numbers = match &sides {
            Some(sides) => {
                sides.draw(&mut svg, self.ride, size);
                sides.numbers(self)
            }
            None => {
                let (from_s, to_s) = self.span_s();
                means(self.ride, (from_s, to_s), if to_s - from_s > 90.0 { 15 } else { 1 })
            }
        };
        Picture { name: title, drawing: svg, keys, numbers }
    }

    /// Power of all instruments over seconds from the phase's start, the scored window marked; whether seconds in which the
    /// unit said nothing are.
    fn power(&self, size: Size, highest_w: f64, title: &str) -> (Svg, Frame, bool) {
        let (ride, (from_s, to_s)) = (self.ride, self.span_s());
        let (start_s, end_s) = (seconds(ride, self.matched.start), seconds(ride, self.matched.end));
        let window = self.window_s();
        let frame = Frame {
            x: Scale { low: from_s, high: to_s, from_px: 46.0, to_px: size.width - 20.0 },
            y: Scale { low: 0.0, high: highest_w * 1.06, from_px: size.base, to_px: 16.0 + LANE_PX },
        };
        let desc = format!(
            "Power in watts of the unit and the references over {:.0} s; scored from {:.0} s to {:.0} s. {}",
            end_s - start_s,
            window.0 - start_s,
            window.1 - start_s,
            self.phase.checks.iter().filter_map(check_in_words).collect::<Vec<_>>().join("; ")
        );
        let mut svg = Svg::new(size.width, size.height, title, &desc);
        svg.window(&frame, window.0, window.1, svg::WINDOW, Some("scored window"));
        svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 5), "W");
        let times = svg::time_ticks(from_s - start_s, to_s - start_s, (size.width / 65.0) as usize);
        svg.x_axis(&frame, &labelled(&times, 0, "s").map(|(t, label)| (start_s + t, label)).collect::<Vec<_>>());
        for edge in self.matched.moves.iter().skip(1).map(|m| seconds(ride, m.start)).chain([start_s, end_s]) {
            if edge > from_s && edge < to_s {
                svg.upright(&frame, edge, svg::EDGE);
            }
        }
        let lost = self.mark_lost(&mut svg, &frame);
        for (points, look) in &PowerLines::of(ride, (from_s, to_s)).lines {
            svg.path(&svg::path(&frame, points, GAP_S), *look);
        }
        (svg, frame, lost)
    }

    /// Lags of power that were measured here.
    fn lags(&self) -> Vec<MarkedLag<'_>> {
        let Some(edges) = self.edges else { return vec![] };
        let of = |measure: Measure, reference_s: Option<f64>| {
            let check = self.phase.valued(measure)?;
            Some(MarkedLag { reference_s: reference_s?, check })
        };
        [of(Measure::ReleaseLag, edges.release_s), of(Measure::OnsetLag, edges.onset_s)].into_iter().flatten().collect()
    }

    /// Above the power, from where the reference crossed to where the unit did.
    fn mark_lags(&self, svg: &mut Svg, frame: &Frame, lags: &[MarkedLag<'_>]) {
        let y = 22.0;
        let mut free_px = 0.0;
        for lag in lags {
            let lag_s = lag.check.value.unwrap_or(0.0);
            let (from, to) = (frame.x.at(lag.reference_s), frame.x.at(lag.reference_s + lag_s));
            svg.segment((from, y - 4.0), (from, frame.y.from_px), svg::REFERENCE_FINE);
            svg.segment((to, y - 4.0), (to, frame.y.from_px), svg::WHISKER);
            svg.segment((from, y), (to, y), svg::MEAN);
            let bound = if lag.check.censored { "≥\u{a0}" } else { "" };
            let text = format!("{bound}{}\u{a0}s", words::number(lag_s, 1));
            let half = svg::text_width(&text, svg::LETTER_PX) / 2.0;
            let middle = ((from + to) / 2.0).max(free_px + half).min(frame.x.to_px + 18.0 - half);
            svg.text(middle, 14.0, Anchor::Middle, svg::STRONG, &text);
            free_px = middle + half + 4.0;
        }
    }

    /// Seconds in which the unit said nothing; whether there are any.
    fn mark_lost(&self, svg: &mut Svg, frame: &Frame) -> bool {
        let within = |w: &&Window| w.end_s > frame.x.low && w.start_s < frame.x.high;
        let mut any = false;
        for (runs, what) in [(&self.shown.dropouts, "lost"), (&self.shown.set_aside, "radio")] {
            for run in runs.iter().filter(within) {
                any = true;
                // A second is drawn around its stamp.
                let (from_s, to_s) = (run.start_s - 0.5, run.end_s - 0.5);
                let tip = format!("the unit says nothing for {:.0} s", run.length_s());
                svg.window(frame, from_s, to_s, svg::LOST, Some(&tip));
                let middle = frame.x.at((from_s + to_s) / 2.0);
                let text = format!("{:.0}\u{a0}s {what}", run.length_s());
                let half = svg::text_width(&text, svg::LETTER_PX) / 2.0;
                let middle = middle.clamp(frame.x.from_px + half, frame.x.to_px + 18.0 - half);
                svg.text(middle, frame.y.to_px - 6.0, Anchor::Middle, svg::STRONG, &text);
            }
        }
        any
    }

    /// Beneath the power: unit less reference on the grid, the mean with its uncertainty, the limits.
    fn error_strip(&self, svg: &mut Svg, above: &Frame, check: &CheckVerdict) {
        let ride = self.ride;
        let named = |label: &String| ride.references.iter().find(|r| &r.trace.label == label);
        let Some(reference) = check.references.iter().find_map(named).or(ride.references.first()) else {
            return;
        };
        let window = self.window_s();
        let in_pct = || 100.0 / mean_power(&reference.trace, window).unwrap_or(f64::INFINITY);
        let scale = if check.is_in(Unit::Percent) { in_pct() } else { 1.0 };
        let seconds_shown = above.x.low.max(0.0).ceil() as usize..above.x.high.max(0.0).ceil() as usize;
        let error = |s: usize| Some((ride.unit.power_at(s)? - reference.trace.power_at(s)?) * scale);
        let errors: Points = seconds_shown.map(|s| (s as f64, error(s))).collect();
        let mean = check.value.unwrap_or(0.0);
        let uncertainty = check.expanded_uncertainty.unwrap_or(0.0);
        let limits = [check.limit_low, check.limit_high];
        // Scale to what decides; single seconds may leave the frame.
        let reach = limits.iter().flatten().map(|l| l.abs()).fold(mean.abs() + uncertainty, f64::max).max(0.1) * 1.8;
        let frame = Frame { x: above.x, y: Scale { low: -reach, high: reach, from_px: 350.0, to_px: 256.0 } };
        svg.window(&frame, window.0, window.1, svg::WINDOW, None);
        svg.y_axis(&frame, &svg::ticks(-reach, reach, 5), &check.unit);
        svg.path(&svg::path(&frame, &errors, GAP_S), svg::ERROR);
        svg.text(
            frame.x.from_px + 2.0,
            250.0,
            Anchor::Start,
            svg::TEXT,
            &format!("unit less {}, limits dashed", svg::fitted(&reference.trace.label, svg::LETTER_PX, 200.0)),
        );
        let (left, right) = (frame.x.at(window.0), frame.x.at(window.1));
        svg.rect(
            (left, right),
            (frame.y.at(mean + uncertainty), frame.y.at(mean - uncertainty)),
            svg::HALO,
            Some("mean error with its expanded uncertainty"),
        );
        svg.segment((left, frame.y.at(mean)), (right, frame.y.at(mean)), svg::MEAN);
        for limit in limits.into_iter().flatten() {
            svg.level(&frame, limit, svg::LIMIT);
        }
    }

    /// Both sides' power in a sprint, where the unit and a reference have them.
    fn sides(&self) -> Option<Sides> {
        let (from_s, to_s) = self.span_s();
        let reference = self.ride.references.iter().position(|r| has_sides(&r.trace, from_s, to_s));
        let (unit, sprint) = (&self.ride.unit, self.phase.kind() == Some(DrillKind::Sprint));
        let sided = sprint && has_sides(unit, from_s, to_s);
        reference.filter(|_| sided).map(|reference| Sides { reference, from_s, to_s, window_s: self.window_s() })
    }
}

/// Power of the left and of the right side over a sprint.
struct Sides {
    /// Index into the ride's references.
    reference: usize,
    from_s: f64,
    to_s: f64,
    window_s: (f64, f64),
}

fn has_sides(trace: &Trace, from_s: f64, to_s: f64) -> bool {
    let within = trace.time_s.iter().zip(&trace.right_share_pct).filter(|(t, _)| (from_s..=to_s).contains(*t));
    within.filter(|(_, share)| share.is_some()).count() >= 3
}

/// Power of one side at each of a trace's samples.
fn side_power(trace: &Trace, right: bool, from_s: f64, to_s: f64) -> Points {
    let part = |i: usize| {
        let share = trace.right_share_pct[i]? / 100.0;
        Some(trace.power_w[i]? * if right { share } else { 1.0 - share })
    };
    (0..trace.time_s.len())
        .filter(|&i| (from_s..=to_s).contains(&trace.time_s[i]))
        .map(|i| (trace.time_s[i], part(i)))
        .collect()
}

impl Sides {
    /// Two small panels beneath the power, left at the left.
    fn draw(&self, svg: &mut Svg, ride: &Ride, size: Size) {
        let traces = [&ride.references[self.reference].trace, &ride.unit];
        let looks = [svg::reference_look(self.reference), svg::UNIT];
        let lines = |right: bool| traces.map(|t| side_power(t, right, self.from_s, self.to_s));
        let (left, right) = (lines(false), lines(true));
        let known = left.iter().chain(&right).flatten().filter_map(|p| p.1);
        let highest_w = known.fold(20.0, f64::max) * 1.06;
        let panels = [(left, "left side", 46.0, 166.0), (right, "right side", 194.0, size.width - 6.0)];
        for (at, (lines, name, from_px, to_px)) in panels.into_iter().enumerate() {
            let frame = Frame {
                x: Scale { low: self.from_s, high: self.to_s, from_px, to_px },
                y: Scale { low: 0.0, high: highest_w, from_px: size.height - 8.0, to_px: size.base + 42.0 },
            };
            svg.window(&frame, self.window_s.0, self.window_s.1, svg::WINDOW, None);
            let ticks = svg::ticks(0.0, highest_w, 3);
            if at == 0 {
                svg.y_axis(&frame, &ticks, "W");
            } else {
                ticks.0.iter().for_each(|tick| svg.level(&frame, *tick, svg::GRID));
            }
            svg.text(from_px + 2.0, size.base + 36.0, Anchor::Start, svg::TEXT, name);
            for (points, look) in lines.iter().zip(looks) {
                svg.path(&svg::path(&frame, points, GAP_S), look);
            }
        }
    }

    fn numbers(&self, ridden: &Ridden<'_>) -> Numbers {
        let ride = ridden.ride;
        let reference = &ride.references[self.reference].trace;
        let start_s = seconds(ride, ridden.matched.start);
        let labels = [&ride.unit.label, &reference.label];
        let mut columns = vec!["second".to_owned()];
        for what in ["power", "left side", "right side"] {
            columns.extend(labels.map(|label| format!("{what} of {label}, W")));
        }
        let row = |k: usize| {
            let pair = |of: fn(&Trace, usize) -> Option<f64>| [of(&ride.unit, k), of(reference, k)];
            let cells = [pair(Trace::power_at), pair(Trace::left_power_at), pair(Trace::right_power_at)];
            let second = words::number(k as f64 - start_s, 0);
            std::iter::once(second).chain(cells.into_iter().flatten().map(|w| cell(w, 0))).collect()
        };
        let seconds = self.from_s.max(0.0).ceil() as usize..self.to_s.max(0.0).ceil() as usize;
        Numbers { columns, rows: seconds.map(row).collect() }
    }
}

/// All stops of a phase over each other: at the left aligned where the reference let go, at the right where it came back.
fn stops(rides: &[&Ridden<'_>], means: &[CheckVerdict]) -> Option<Picture> {
    const SIZE: (f64, f64) = (760.0, 254.0);
    const PANELS_PX: [(f64, f64); 2] = [(46.0, 376.0), (424.0, 754.0)];
    let label = &rides.iter().find_map(|r| r.edges)?.reference;
    let ride = rides[0].ride;
    let at = ride.references.iter().position(|r| &r.trace.label == label)?;
    let (reference, look) = (&ride.references[at].trace, svg::reference_look(at));
    let name = words::capital(&words::phase(&rides[0].phase.phase));
    let title = format!("{name}, all stops aligned");
    let desc = format!(
        "Power of the unit and of {label} around each stop, over each other. Left: second zero is where {label} let go. \
         Right: where it came back. The table of repeats holds each lag."
    );
    type EdgeStretch = fn(&ReferenceEdges) -> Option<f64>;
    let edges: [(&str, Measure, EdgeStretch); 2] =
        [("let go", Measure::ReleaseLag, |e| e.release_s), ("came back", Measure::OnsetLag, |e| e.onset_s)];
    let stretch = |edge_s: f64| (edge_s + AROUND_EDGE_S.0, edge_s + AROUND_EDGE_S.1);
    let of_each = |of: &EdgeStretch| -> Vec<(u32, f64)> {
        rides.iter().filter_map(|r| Some((r.phase.repeat, of(r.edges?)?))).collect()
    };
    let found: Vec<Vec<(u32, f64)>> = edges.iter().map(|(_, _, of)| of_each(of)).collect();
    let traces = [(reference, look), (&ride.unit, svg::UNIT_FINE)];
    let highest_w = found
        .iter()
        .flatten()
        .flat_map(|&(_, edge_s)| traces.map(|(t, _)| power(t, stretch(edge_s).0, stretch(edge_s).1)))
        .flatten()
        .filter_map(|p| p.1)
        .fold(20.0, f64::max);
    let mut svg = Svg::new(SIZE.0, SIZE.1, &title, &desc);
    let mut numbers =
        Numbers::new(["repeat", "edge", "second", &format!("power of {label}, W"), "power of the unit, W"]);
    for (((what, measure, _), panel), found) in edges.iter().zip(PANELS_PX).zip(&found) {
        let frame = Frame {
            x: Scale { low: AROUND_EDGE_S.0, high: AROUND_EDGE_S.1, from_px: panel.0, to_px: panel.1 },
            y: Scale { low: 0.0, high: highest_w * 1.05, from_px: 226.0, to_px: 46.0 },
        };
        let heading = format!("{} {what} at 0 s", svg::fitted(label, svg::LETTER_PX, 180.0));
        svg.text(panel.0 + 2.0, 16.0, Anchor::Start, svg::TEXT, &heading);
        svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 5), "W");
        let times = svg::time_ticks(AROUND_EDGE_S.0, AROUND_EDGE_S.1, 8);
        svg.x_axis(&frame, &labelled(&times, 0, "s").collect::<Vec<_>>());
        svg.upright(&frame, 0.0, svg::EDGE);
        let mean = means.iter().find(|c| c.is_of(*measure));
        if let Some((check, lag_s)) = mean.and_then(|check| Some((check, check.value?))) {
            let (from, to) = (frame.x.at(0.0), frame.x.at(lag_s));
            svg.segment((from, 36.0), (to, 36.0), svg::MEAN);
            [from, to].into_iter().for_each(|x| svg.segment((x, 31.0), (x, 41.0), svg::MEAN));
            let text = format!("mean {}", words::value_of(check).unwrap_or_default());
            svg.text(from.max(to) + 6.0, 40.0, Anchor::Start, svg::STRONG, &text);
        }
        for (trace, look) in traces {
            for &(_, edge_s) in found {
                let (from_s, to_s) = stretch(edge_s);
                let points: Points = power(trace, from_s, to_s).into_iter().map(|(t, w)| (t - edge_s, w)).collect();
                svg.path(&svg::path(&frame, &points, GAP_S), look);
            }
        }
        for &(repeat, edge_s) in found {
            let (from_s, to_s) = stretch(edge_s);
            for k in from_s.max(0.0).ceil() as usize..=to_s.max(0.0).floor() as usize {
                let powers = [reference, &ride.unit].map(|t| cell(t.power_at(k), 0));
                let [theirs, ours] = powers;
                let second = words::number(k as f64 - edge_s, 1);
                numbers.push([repeat.to_string(), (*what).to_owned(), second, theirs, ours]);
            }
        }
    }
    let mut keys = vec![Key::line(svg::UNIT_FINE, ride.unit.label.as_str()), Key::line(look, label.as_str())];
    keys.push(Key::line(svg::MEAN, "above: mean lag of the unit"));
    Some(Picture { name: title, drawing: svg, keys, numbers })
}

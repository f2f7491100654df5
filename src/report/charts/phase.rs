//! A phase as ridden, drawn for the question that its drill asks.

use super::labels::{check_in_words, instrument_keys, labelled};
use super::phase_ride::{PhaseRide, PictureSize};
use super::samples::{GAP_S, PowerLines, means, seconds};
use super::sides::Sides;
use super::stops::stops;
use crate::protocol::Measure;
use crate::quantity::Unit;
use crate::report::groups::Group;
use crate::report::picture::{Key, Picture};
use crate::report::svg::{self, Anchor, Frame, Points, Scale, Svg};
use crate::ride::{Ride, Window};
use crate::scoring::PictureMarks;
use crate::verdict::CheckVerdict;
use crate::words;

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
    let rides: Vec<Option<PhaseRide<'_>>> = phases
        .iter()
        .zip(at)
        .map(|(phase, at)| {
            let edges = shown.stops.get(*at).and_then(Option::as_ref);
            Some(PhaseRide { phase, matched: phase.matched.as_ref()?, ride, shown, edges })
        })
        .collect();
    let highest_w = rides.iter().flatten().map(|r| PowerLines::of(ride, r.span_s()).highest_w).fold(0.0, f64::max);
    let ridden: Vec<&PhaseRide<'_>> = rides.iter().flatten().collect();
    let together = (ridden.len() > 1).then(|| stops(&ridden, group.checks())).flatten();
    PhasePictures { rides: rides.iter().map(|r| r.as_ref().map(|r| r.picture(lone, highest_w))).collect(), together }
}

/// A time between two crossings, as it is marked.
struct MarkedLag<'a> {
    reference_s: f64,
    check: &'a CheckVerdict,
}

impl PhaseRide<'_> {
    fn picture(&self, lone: bool, highest_w: f64) -> Picture {
        let error = self
            .phase
            .checks
            .iter()
            .find(|c| c.is_of(Measure::MeanError) && (c.is_in(Unit::Watt) || c.is_in(Unit::Percent)));
        let error = error.filter(|_| lone);
        let sides = Sides::of(self);
        let size = match lone {
            true => PictureSize { width: 460.0, height: if error.is_some() { 354.0 } else { 228.0 }, base: 204.0 },
            false => PictureSize { width: 320.0, height: if sides.is_some() { 326.0 } else { 208.0 }, base: 180.0 },
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
    fn power(&self, size: PictureSize, highest_w: f64, title: &str) -> (Svg, Frame, bool) {
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
        let in_pct = || 100.0 / reference.trace.mean_power_w(window.0, window.1).unwrap_or(f64::INFINITY);
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
}

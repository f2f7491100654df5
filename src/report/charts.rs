//! The sheet's pictures: verdict mark, rings, timeline, phases.

use chrono::{DateTime, TimeDelta, Timelike, Utc};

use super::svg::{self, Anchor, Frame, Look, Scale, Svg};
use super::words;
use crate::ride::{Ride, Trace};
use crate::verdict::{CheckVerdict, MatchFacts, Outcome, PhaseVerdict, Verdict};

/// Neighbouring samples further apart than this are not joined: a head unit writes once a second, and one late
/// stamp is no gap.
const GAP_S: f64 = 2.5;
/// What is shown before and after a phase.
const MARGIN_S: f64 = 5.0;

/// A shape for each outcome, told apart without colour: disc with tick, octagon with cross, diamond with question
/// mark, ring with dash.
pub fn mark(outcome: Option<Outcome>) -> String {
    let (word, shape, sign) = match outcome {
        Some(Outcome::Pass) => ("pass", "M40 4a36 36 0 1 1 0 72a36 36 0 1 1 0 -72Z", "M24 41l11 12l22 -25"),
        Some(Outcome::Fail) => {
            ("fail", "M25.5 5h29l20.5 20.5v29l-20.5 20.5h-29l-20.5 -20.5v-29Z", "M28 28l24 24M52 28l-24 24")
        }
        Some(Outcome::Undecided) => {
            ("undecided", "M40 3l37 37l-37 37l-37 -37Z", "M31 33a9 9 0 1 1 12 9q-3 1.5 -3 6M40 56h0.1")
        }
        _ => ("no verdict", "M40 4a36 36 0 1 1 0 72a36 36 0 1 1 0 -72Z", "M25 40h30"),
    };
    let solid = Look { class: "m-shape", paint: r##"fill="#4d5866""## };
    let line = Look {
        class: "m-sign",
        paint: r##"fill="none" stroke="#fff" stroke-width="7" stroke-linecap="round" stroke-linejoin="round""##,
    };
    let mut svg = Svg::new(80.0, 80.0, word, &format!("The session's verdict: {word}."));
    svg.path(shape, solid);
    svg.path(sign, line);
    svg.finish()
}

/// Each ring's pooled error with its expanded uncertainty, and the blocks behind it with their limits.
pub fn rings(verdict: &Verdict) -> Option<String> {
    const ROW_PX: f64 = 19.0;
    struct Row<'a> {
        label: String,
        value: f64,
        uncertainty: f64,
        check: Option<&'a CheckVerdict>,
    }
    if verdict.rings.is_empty() {
        return None;
    }
    let blocks: Vec<(&PhaseVerdict, &CheckVerdict)> = verdict
        .phases
        .iter()
        .filter(|p| p.drill == "steady")
        .filter_map(|p| Some((p, p.checks.iter().find(|c| c.measure == "mean_error" && c.value.is_some())?)))
        .collect();
    // Blocks and pooled errors share an axis only where they share a unit.
    let unit = match blocks.first() {
        Some((_, check)) if check.unit == "%" => "%",
        _ => "W",
    };
    let mut rows = vec![];
    for ring in &verdict.rings {
        let (value, uncertainty) = match unit {
            "%" => (ring.error_pct, ring.expanded_uncertainty_pct),
            _ => (ring.error_w, ring.expanded_uncertainty_w),
        };
        rows.push(Row { label: format!("{} ring, all blocks", ring.ring), value, uncertainty, check: None });
        for (phase, check) in &blocks {
            let ring_of = phase.matched.as_ref().and_then(|m| m.ring.as_deref());
            if ring_of == Some(ring.ring.as_str()) && check.unit == unit {
                let keys = words::phase_parts(&phase.phase).1;
                let label = keys.replace(&format!("{} ring, ", ring.ring), "");
                let (value, uncertainty) = (check.value?, check.expanded_uncertainty.unwrap_or(0.0));
                rows.push(Row { label, value, uncertainty, check: Some(check) });
            }
        }
    }
    let reach = rows
        .iter()
        .flat_map(|r| {
            let limits = r.check.map_or([None; 2], |c| [c.limit_low, c.limit_high]);
            [Some(r.value.abs() + r.uncertainty), limits[0].map(f64::abs), limits[1].map(f64::abs)]
        })
        .flatten()
        .fold(0.1, f64::max)
        * 1.08;
    let height = rows.len() as f64 * ROW_PX + 34.0;
    let frame = Frame {
        x: Scale { low: -reach, high: reach, from_px: 132.0, to_px: 450.0 },
        y: Scale { low: 0.0, high: 1.0, from_px: height - 26.0, to_px: 4.0 },
    };
    let says: Vec<String> =
        rows.iter().map(|r| format!("{}: {}", r.label, words::quantity(r.value, Some(r.uncertainty), unit))).collect();
    let mut svg = Svg::new(
        460.0,
        height,
        "Error on each ring",
        &format!(
            "Mean error with expanded uncertainty as a bar; brackets are the limits of a block. {}.",
            says.join("; ")
        ),
    );
    let (values, decimals) = svg::ticks(-reach, reach, 7);
    for value in &values {
        svg.upright(&frame, *value, if *value == 0.0 { svg::AXIS } else { svg::GRID });
    }
    let label = |v: f64| words::number(v, decimals);
    let labels: Vec<(f64, String)> = values
        .iter()
        .enumerate()
        .map(|(i, v)| (*v, if i + 1 == values.len() { format!("{}\u{a0}{unit}", label(*v)) } else { label(*v) }))
        .collect();
    svg.x_axis(&frame, &labels);
    for (i, row) in rows.iter().enumerate() {
        let y = 4.0 + (i as f64 + 0.5) * ROW_PX;
        let (look, size) = if row.check.is_none() { (svg::STRONG, 5.0) } else { (svg::TEXT, 3.2) };
        svg.text(124.0, y + 4.0, Anchor::End, look, &svg::fitted(&words::capital(&row.label), svg::LETTER_PX, 118.0));
        if let Some(check) = row.check {
            for (limit, inward) in [(check.limit_low, 4.0), (check.limit_high, -4.0)] {
                if let Some(limit) = limit {
                    let x = frame.x.at(limit);
                    svg.path(
                        &format!("M{:.1} {:.1}h{inward}m{} 0v12h{inward}", x + inward, y - 6.0, -inward),
                        svg::BRACKET,
                    );
                }
            }
        }
        let ends = (frame.x.at(row.value - row.uncertainty), frame.x.at(row.value + row.uncertainty));
        svg.segment((ends.0, y), (ends.1, y), svg::MEAN);
        svg.dot(frame.x.at(row.value), y, size, svg::DOT);
    }
    Some(svg.finish())
}

/// Session seconds of a time.
fn seconds(ride: &Ride, at: DateTime<Utc>) -> f64 {
    (at - ride.start).num_milliseconds() as f64 / 1000.0
}

/// A trace's own power samples from `from_s` to `to_s`.
fn power(trace: &Trace, from_s: f64, to_s: f64) -> Vec<(f64, Option<f64>)> {
    let first = trace.time_s.partition_point(|t| *t < from_s);
    let last = trace.time_s.partition_point(|t| *t <= to_s);
    (first..last).map(|i| (trace.time_s[i], trace.power_w.get(i).copied().flatten())).collect()
}

/// All instruments' power over a stretch: references beneath, the unit on top.
struct PowerLines {
    lines: Vec<(Vec<(f64, Option<f64>)>, Look)>,
    highest_w: f64,
}

impl PowerLines {
    fn of(ride: &Ride, from_s: f64, to_s: f64) -> Self {
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

    fn draw(&self, svg: &mut Svg, frame: &Frame) {
        for (points, look) in &self.lines {
            svg.path(&svg::path(frame, points, GAP_S), *look);
        }
    }
}

/// The whole session: every instrument's power, and the phases as labelled bands above it.
pub fn timeline(verdict: &Verdict, ride: &Ride) -> String {
    const LANES_PX: f64 = 46.0;
    let end_s = (ride.length_s as f64).max(1.0);
    let lines = PowerLines::of(ride, 0.0, end_s);
    let frame = Frame {
        x: Scale { low: 0.0, high: end_s, from_px: 52.0, to_px: 990.0 },
        y: Scale { low: 0.0, high: lines.highest_w * 1.04, from_px: 262.0, to_px: LANES_PX + 6.0 },
    };
    let bands: Vec<(&PhaseVerdict, f64, f64)> = verdict
        .phases
        .iter()
        .filter_map(|p| {
            let m = p.matched.as_ref()?;
            Some((p, seconds(ride, m.start), seconds(ride, m.end)))
        })
        .collect();
    let desc = format!(
        "Power over time for {} and {} references, with {} matched phases marked; they are listed in the table below.",
        verdict.unit.label,
        ride.references.len(),
        bands.len()
    );
    let mut svg = Svg::new(1000.0, 288.0, "The whole session", &desc);
    for (phase, from_s, to_s) in &bands {
        let tip = format!("{}, repeat {}", words::phase(&phase.phase), phase.repeat);
        let scored = !phase.checks.is_empty();
        if scored {
            svg.rect((frame.x.at(*from_s), frame.x.at(*to_s)), (LANES_PX - 22.0, 262.0), svg::BAND, Some(&tip));
        }
    }
    svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 5), "W");
    svg.x_axis(&frame, &clock_labels(ride, end_s));
    lines.draw(&mut svg, &frame);

    let mut in_time = bands.clone();
    in_time.sort_by(|a, b| a.1.total_cmp(&b.1));
    for stretch in in_time.chunk_by(|a, b| words::phase_parts(&a.0.phase).0 == words::phase_parts(&b.0.phase).0) {
        let (from, to) = (frame.x.at(stretch[0].1), frame.x.at(stretch.iter().map(|b| b.2).fold(0.0, f64::max)));
        svg.path(&format!("M{from:.1} 22v-4H{to:.1}v4"), svg::BRACKET);
        let name = words::capital(&words::phase_parts(&stretch[0].0.phase).0);
        svg.text(
            (from + to) / 2.0,
            13.0,
            Anchor::Middle,
            svg::STRONG,
            &svg::fitted(&name, svg::LETTER_PX, to - from + 24.0),
        );
        for (phase, from_s, to_s) in stretch {
            let (from, to) = (frame.x.at(*from_s), frame.x.at(*to_s));
            let keys = words::phase_parts(&phase.phase).1;
            let room = to - from - 2.0;
            // Two short lines (`big` over `120 W`), or the repeat's number over a narrow band.
            for (i, part) in keys.split(", ").take(2).filter(|p| !p.is_empty()).enumerate() {
                let part = part.trim_end_matches(" ring");
                svg.text(
                    (from + to) / 2.0,
                    35.0 + 13.0 * i as f64,
                    Anchor::Middle,
                    svg::TEXT,
                    &svg::fitted(part, svg::LETTER_PX, room),
                );
            }
            if keys.is_empty() && !phase.checks.is_empty() {
                svg.text((from + to) / 2.0, 37.0, Anchor::Middle, svg::TEXT, &phase.repeat.to_string());
            }
        }
    }
    svg.finish()
}

/// Round times of day, UTC.
fn clock_labels(ride: &Ride, end_s: f64) -> Vec<(f64, String)> {
    let offset_s = f64::from(ride.start.num_seconds_from_midnight());
    let show = |at_s: f64| (ride.start + TimeDelta::milliseconds((at_s * 1000.0) as i64)).format("%H:%M").to_string();
    svg::time_ticks(offset_s, offset_s + end_s, 10).into_iter().map(|t| (t - offset_s, show(t - offset_s))).collect()
}

/// One repeat of one phase: power of all instruments over seconds from its start, the scored window marked; for a
/// phase with a mean error also the error, second by second, against its limit.
pub fn phase(phase: &PhaseVerdict, matched: &MatchFacts, ride: &Ride) -> String {
    let (start_s, end_s) = (seconds(ride, matched.start), seconds(ride, matched.end));
    let error = phase.checks.iter().find(|c| c.measure == "mean_error" && c.unit == "W");
    let sized = if error.is_some() { 300.0 } else { 210.0 };
    let (mut svg, frame) =
        power_chart(phase, matched, ride, (520.0, sized), 186.0, (start_s - MARGIN_S, end_s + MARGIN_S));
    if let Some(check) = error {
        error_strip(&mut svg, &frame, check, matched, ride);
    }
    svg.finish()
}

/// A repeat as one of several small pictures. A coast is shown from six seconds before it.
pub fn small(phase: &PhaseVerdict, matched: &MatchFacts, ride: &Ride) -> String {
    let (mut from_s, mut to_s) = (seconds(ride, matched.start) - MARGIN_S, seconds(ride, matched.end) + MARGIN_S);
    if let ("coast_restart", [_, coast, ..]) = (phase.drill.as_str(), matched.moves.as_slice()) {
        // The levels on which the lags rest: six seconds before, six after.
        from_s = seconds(ride, coast.start) - 6.0;
        to_s = seconds(ride, matched.end) + 6.0;
    }
    power_chart(phase, matched, ride, (320.0, 190.0), 162.0, (from_s, to_s)).0.finish()
}

fn power_chart(
    phase: &PhaseVerdict,
    matched: &MatchFacts,
    ride: &Ride,
    (width, height): (f64, f64),
    bottom_px: f64,
    (from_s, to_s): (f64, f64),
) -> (Svg, Frame) {
    let (start_s, end_s) = (seconds(ride, matched.start), seconds(ride, matched.end));
    let window = (seconds(ride, matched.window.start), seconds(ride, matched.window.end));
    let lines = PowerLines::of(ride, from_s, to_s);
    let frame = Frame {
        x: Scale { low: from_s, high: to_s, from_px: 46.0, to_px: width - 12.0 },
        y: Scale { low: 0.0, high: lines.highest_w * 1.06, from_px: bottom_px, to_px: 16.0 },
    };
    let title = format!("{}, repeat {}", words::capital(&words::phase(&phase.phase)), phase.repeat);
    let desc = format!(
        "Power in watts of the unit and the references over {:.0} s; scored from {:.0} s to {:.0} s. {}",
        end_s - start_s,
        window.0 - start_s,
        window.1 - start_s,
        phase.checks.iter().filter_map(check_in_words).collect::<Vec<_>>().join("; ")
    );
    let mut svg = Svg::new(width, height, &title, &desc);
    svg.window(&frame, window.0, window.1, svg::WINDOW, Some("scored window"));
    svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 4), "W");
    let most = ((width - 58.0) / 55.0) as usize;
    let times = svg::time_ticks(from_s - start_s, to_s - start_s, most);
    let labels: Vec<(f64, String)> = times
        .iter()
        .enumerate()
        .map(|(i, t)| {
            let number = words::number(*t, 0);
            (start_s + t, if i + 1 == times.len() { format!("{number}\u{a0}s") } else { number })
        })
        .collect();
    svg.x_axis(&frame, &labels);
    for edge in matched.moves.iter().skip(1).map(|m| seconds(ride, m.start)).chain([start_s, end_s]) {
        if edge > from_s && edge < to_s {
            svg.upright(&frame, edge, svg::EDGE);
        }
    }
    lines.draw(&mut svg, &frame);
    (svg, frame)
}

fn check_in_words(check: &CheckVerdict) -> Option<String> {
    Some(format!("{} {}: {}", words::plain(&check.measure), words::value_of(check)?, check.verdict.word()))
}

/// Beneath the power: unit less reference on the grid, the mean with its uncertainty, the limits.
fn error_strip(svg: &mut Svg, above: &Frame, check: &CheckVerdict, matched: &MatchFacts, ride: &Ride) {
    let named = |label: &String| ride.references.iter().find(|r| &r.trace.label == label);
    let Some(reference) = check.references.iter().find_map(named).or(ride.references.first()) else {
        return;
    };
    let seconds_shown = above.x.low.max(0.0).ceil() as usize..above.x.high.max(0.0).ceil() as usize;
    let error = |s: usize| Some(ride.unit.power_at(s)? - reference.trace.power_at(s)?);
    let errors: Vec<(f64, Option<f64>)> = seconds_shown.map(|s| (s as f64, error(s))).collect();
    let mean = check.value.unwrap_or(0.0);
    let uncertainty = check.expanded_uncertainty.unwrap_or(0.0);
    let limits = [check.limit_low, check.limit_high];
    // Scale to what decides; single seconds may leave the frame.
    let reach = limits.iter().flatten().map(|l| l.abs()).fold(mean.abs() + uncertainty, f64::max).max(0.1) * 1.8;
    let frame = Frame { x: above.x, y: Scale { low: -reach, high: reach, from_px: 294.0, to_px: 220.0 } };
    let window = (seconds(ride, matched.window.start), seconds(ride, matched.window.end));
    svg.window(&frame, window.0, window.1, svg::WINDOW, None);
    let (values, decimals) = svg::ticks(-reach, reach, 3);
    svg.y_axis(&frame, &(values, decimals), "W");
    svg.path(&svg::path(&frame, &errors, GAP_S), svg::ERROR);
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

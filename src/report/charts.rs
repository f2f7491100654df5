//! The sheet's pictures: verdict mark, rings, timeline, phases.

use chrono::{DateTime, TimeDelta, Timelike, Utc};

use super::svg::{self, Anchor, Frame, Look, Points, Scale, Svg};
use super::words;
use crate::ride::{AlignedOn, Ride, Trace};
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
        rows.push(Row { label: format!("{} ring, pooled", ring.ring), value, uncertainty, check: None });
        for (phase, check) in &blocks {
            let ring_of = phase.matched.as_ref().and_then(|m| m.ring.as_deref());
            if ring_of == Some(ring.ring.as_str()) && check.unit == unit {
                let keys = words::phase_parts(&phase.phase).1;
                let mut label = keys.replace(&format!("{} ring, ", ring.ring), "");
                if phase.surplus {
                    label += ", surplus";
                }
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
        x: Scale { low: -reach, high: reach, from_px: 142.0, to_px: 438.0 },
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
    svg.x_axis(&frame, &labelled(&values, decimals, unit).collect::<Vec<_>>());
    for (i, row) in rows.iter().enumerate() {
        let y = 4.0 + (i as f64 + 0.5) * ROW_PX;
        let (look, size) = if row.check.is_none() { (svg::STRONG, 5.0) } else { (svg::TEXT, 3.2) };
        svg.text(134.0, y + 4.0, Anchor::End, look, &svg::fitted(&words::capital(&row.label), svg::STRONG_PX, 132.0));
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

/// The timeline's lanes, from the top: two of names, brackets, keys, power, difference.
const TIMELINE_WIDTH: f64 = 1000.0;
const NAMES_PX: [f64; 2] = [27.0, 12.0];
const BRACKETS_PX: f64 = 36.0;
const KEYS_PX: [f64; 2] = [51.0, 63.0];
const POWER_PX: (f64, f64) = (66.0, 270.0);
const DIFFERENCE_PX: (f64, f64) = (284.0, 364.0);

/// The whole session: every instrument's power with the phases as labelled bands, and the unit's difference.
pub fn timeline(verdict: &Verdict, ride: &Ride) -> String {
    let end_s = (ride.length_s as f64).max(1.0);
    let lines = PowerLines::of(ride, (0.0, end_s));
    let frame = Frame {
        x: Scale { low: 0.0, high: end_s, from_px: 52.0, to_px: TIMELINE_WIDTH - 10.0 },
        y: Scale { low: 0.0, high: lines.highest_w * 1.04, from_px: POWER_PX.1, to_px: POWER_PX.0 },
    };
    let mut bands: Vec<Band<'_>> = verdict.phases.iter().filter_map(|p| Band::of(p, ride, &frame)).collect();
    bands.sort_by(|a, b| a.from_px.total_cmp(&b.from_px));
    let desc = format!(
        "Power over time for {} and {} references, with {} matched phases marked, which the table beneath lists; below \
         it, in means over {DIFFERENCE_BIN_S} s, the unit less the first reference.",
        verdict.unit.label,
        ride.references.len(),
        bands.len()
    );
    let mut svg = Svg::new(TIMELINE_WIDTH, DIFFERENCE_PX.1 + 26.0, "The whole session", &desc);
    for band in bands.iter().filter(|b| b.scored()) {
        let tip = format!("{}, repeat {}", words::phase(&band.phase.phase), band.phase.repeat);
        svg.rect((band.from_px, band.to_px), (BRACKETS_PX + 4.0, DIFFERENCE_PX.1), svg::BAND, Some(&tip));
    }
    svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 5), "W");
    for (points, look) in &lines.lines {
        let look = if look.class == svg::UNIT.class { svg::UNIT_FINE } else { *look };
        svg.path(&svg::path(&frame, points, GAP_S), look);
    }
    let beneath = difference(&mut svg, &frame, ride);
    svg.x_axis(&beneath, &clock_labels(ride, 0.0, end_s, 10));
    names(&mut svg, &bands);
    svg.finish()
}

/// A matched phase on the timeline.
struct Band<'a> {
    phase: &'a PhaseVerdict,
    name: String,
    keys: String,
    from_px: f64,
    to_px: f64,
}

impl<'a> Band<'a> {
    fn of(phase: &'a PhaseVerdict, ride: &Ride, frame: &Frame) -> Option<Self> {
        let matched = phase.matched.as_ref()?;
        let (name, keys) = words::phase_parts(&phase.phase);
        let at = |time| frame.x.at(seconds(ride, time));
        Some(Self { phase, name, keys, from_px: at(matched.start), to_px: at(matched.end) })
    }

    /// In pixels.
    fn middle_and_room(&self) -> (f64, f64) {
        ((self.from_px + self.to_px) / 2.0, self.to_px - self.from_px - 2.0)
    }

    fn scored(&self) -> bool {
        !self.phase.checks.is_empty()
    }
}

/// A bracket with its name over the scored neighbours of one name, whatever rest lies between them; in each band its
/// keys, or the number of the repeat. Rests are named where they have the room.
fn names(svg: &mut Svg, bands: &[Band<'_>]) {
    let (scored, rests): (Vec<&Band<'_>>, Vec<&Band<'_>>) = bands.iter().partition(|b| b.scored());
    let mut taken_px = [0.0; 2];
    for stretch in scored.chunk_by(|a, b| a.name == b.name) {
        let from = stretch[0].from_px;
        let to = stretch.iter().map(|b| b.to_px).fold(from, f64::max);
        svg.path(&format!("M{from:.1} {}v-4H{to:.1}v4", BRACKETS_PX + 1.0), svg::BRACKET);
        let name = svg::fitted(&words::capital(&stretch[0].name), svg::STRONG_PX, 240.0);
        let half = svg::text_width(&name, svg::STRONG_PX) / 2.0;
        let middle = ((from + to) / 2.0).min(TIMELINE_WIDTH - half).max(half);
        if let Some(lane) = (0..2).find(|lane| middle - half >= taken_px[*lane]) {
            svg.text(middle, NAMES_PX[lane], Anchor::Middle, svg::STRONG, &name);
            taken_px[lane] = middle + half + 4.0;
        }
    }
    for band in &scored {
        let (middle, room) = band.middle_and_room();
        if band.keys.is_empty() {
            svg.text(middle, KEYS_PX[0], Anchor::Middle, svg::TEXT, &band.phase.repeat.to_string());
        }
        for (key, y) in band.keys.split(", ").filter(|k| !k.is_empty()).zip(KEYS_PX) {
            let key = svg::fitted(key.trim_end_matches(" ring"), svg::LETTER_PX, room);
            svg.text(middle, y, Anchor::Middle, svg::TEXT, &key);
        }
    }
    for band in rests {
        let (middle, room) = band.middle_and_room();
        let name = words::capital(&band.name);
        if svg::text_width(&name, svg::LETTER_PX) <= room {
            svg.text(middle, KEYS_PX[0], Anchor::Middle, svg::TEXT, &name);
        }
    }
}

/// Long enough that a shift of a second between two head units does not show.
const DIFFERENCE_BIN_S: usize = 30;

/// Unit less first reference in means over [`DIFFERENCE_BIN_S`]; a bin with less than half of its seconds is a gap.
fn difference(svg: &mut Svg, above: &Frame, ride: &Ride) -> Frame {
    let bin = |from: usize| {
        let reference = ride.references.first()?;
        let both = |s| Some(ride.unit.power_at(s)? - reference.trace.power_at(s)?);
        let found: Vec<f64> = (from..from + DIFFERENCE_BIN_S).filter_map(both).collect();
        (found.len() * 2 >= DIFFERENCE_BIN_S).then(|| found.iter().sum::<f64>() / found.len() as f64)
    };
    let bins: Points = (0..ride.length_s)
        .step_by(DIFFERENCE_BIN_S)
        .map(|from| ((from + DIFFERENCE_BIN_S / 2) as f64, bin(from)))
        .collect();
    let mut sizes: Vec<f64> = bins.iter().filter_map(|b| b.1).map(f64::abs).collect();
    sizes.sort_by(f64::total_cmp);
    // Sprints may leave the frame, so that a few watts can be seen in the rest.
    let reach = sizes.get(sizes.len() * 9 / 10).map_or(10.0, |s| (s * 1.4).max(5.0));
    let (to_px, from_px) = DIFFERENCE_PX;
    let frame = Frame { x: above.x, y: Scale { low: -reach, high: reach, from_px, to_px } };
    svg.y_axis(&frame, &svg::ticks(-reach, reach, 4), "W");
    svg.level(&frame, 0.0, svg::AXIS);
    svg.path(&svg::path(&frame, &bins, DIFFERENCE_BIN_S as f64 * 1.5), svg::UNIT);
    frame
}

/// About `most` round times of day, UTC.
fn clock_labels(ride: &Ride, from_s: f64, to_s: f64, most: usize) -> Vec<(f64, String)> {
    let midnight_s = f64::from(ride.start.num_seconds_from_midnight());
    let form = if to_s - from_s < 300.0 { "%H:%M:%S" } else { "%H:%M" };
    let show = |at_s: f64| (ride.start + TimeDelta::milliseconds((at_s * 1000.0) as i64)).format(form).to_string();
    let times = svg::time_ticks(midnight_s + from_s, midnight_s + to_s, most).into_iter();
    times.map(|t| (t - midnight_s, show(t - midnight_s))).collect()
}

/// A phase that was ridden once: power of all instruments over seconds from its start, the scored window marked; for
/// a mean error also the error, second by second, against its limit. `None` if it was not ridden.
pub fn phase(phase: &PhaseVerdict, ride: &Ride) -> Option<String> {
    let matched = phase.matched.as_ref()?;
    let error = phase.checks.iter().find(|c| c.measure == "mean_error" && matches!(c.unit.as_str(), "W" | "%"));
    let size = Size { width: 520.0, height: if error.is_some() { 336.0 } else { 210.0 }, base: 186.0 };
    let shown_s = shown_s(phase, matched, ride);
    let (mut svg, frame) = power_chart(phase, matched, ride, size, shown_s, PowerLines::of(ride, shown_s).highest_w);
    if let Some(check) = error {
        error_strip(&mut svg, &frame, check, matched, ride);
    }
    Some(svg.finish())
}

/// Repeats side by side, all on one scale of power; `None` for one that was not ridden.
pub fn repeats(phases: &[&PhaseVerdict], ride: &Ride) -> Vec<Option<String>> {
    let size = Size { width: 320.0, height: 190.0, base: 162.0 };
    let ridden = |phase: &&PhaseVerdict| {
        let matched = phase.matched.as_ref()?;
        Some(PowerLines::of(ride, shown_s(phase, matched, ride)).highest_w)
    };
    let highest_w = phases.iter().filter_map(ridden).fold(0.0, f64::max);
    let draw = |phase: &&PhaseVerdict| {
        let matched = phase.matched.as_ref()?;
        let shown_s = shown_s(phase, matched, ride);
        Some(power_chart(phase, matched, ride, size, shown_s, highest_w).0.finish())
    };
    phases.iter().map(draw).collect()
}

/// The stretch of session time on a phase's chart. A coast is shown from before its release, without the lead-in.
fn shown_s(phase: &PhaseVerdict, matched: &MatchFacts, ride: &Ride) -> (f64, f64) {
    let (from_s, to_s) = (seconds(ride, matched.start), seconds(ride, matched.end));
    match (phase.drill.as_str(), matched.moves.as_slice()) {
        // The levels on which the lags rest: six seconds before, six after.
        ("coast_restart", [_, coast, ..]) => (seconds(ride, coast.start) - 6.0, to_s + 6.0),
        _ => (from_s - MARGIN_S, to_s + MARGIN_S),
    }
}

/// Pixels of a phase's chart; `base` is where power is zero.
#[derive(Clone, Copy)]
struct Size {
    width: f64,
    height: f64,
    base: f64,
}

fn power_chart(
    phase: &PhaseVerdict,
    matched: &MatchFacts,
    ride: &Ride,
    size: Size,
    (from_s, to_s): (f64, f64),
    highest_w: f64,
) -> (Svg, Frame) {
    let (start_s, end_s) = (seconds(ride, matched.start), seconds(ride, matched.end));
    let window = (seconds(ride, matched.window.start), seconds(ride, matched.window.end));
    let frame = Frame {
        x: Scale { low: from_s, high: to_s, from_px: 46.0, to_px: size.width - 20.0 },
        y: Scale { low: 0.0, high: highest_w * 1.06, from_px: size.base, to_px: 16.0 },
    };
    let title = format!("{}, repeat {}", words::capital(&words::phase(&phase.phase)), phase.repeat);
    let desc = format!(
        "Power in watts of the unit and the references over {:.0} s; scored from {:.0} s to {:.0} s. {}",
        end_s - start_s,
        window.0 - start_s,
        window.1 - start_s,
        phase.checks.iter().filter_map(check_in_words).collect::<Vec<_>>().join("; ")
    );
    let mut svg = Svg::new(size.width, size.height, &title, &desc);
    svg.window(&frame, window.0, window.1, svg::WINDOW, Some("scored window"));
    svg.y_axis(&frame, &svg::ticks(0.0, frame.y.high, 5), "W");
    let times = svg::time_ticks(from_s - start_s, to_s - start_s, (size.width / 65.0) as usize);
    svg.x_axis(&frame, &labelled(&times, 0, "s").map(|(t, label)| (start_s + t, label)).collect::<Vec<_>>());
    for edge in matched.moves.iter().skip(1).map(|m| seconds(ride, m.start)).chain([start_s, end_s]) {
        if edge > from_s && edge < to_s {
            svg.upright(&frame, edge, svg::EDGE);
        }
    }
    for (points, look) in &PowerLines::of(ride, (from_s, to_s)).lines {
        svg.path(&svg::path(&frame, points, GAP_S), *look);
    }
    (svg, frame)
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

/// Beneath the power: unit less reference on the grid, the mean with its uncertainty, the limits.
fn error_strip(svg: &mut Svg, above: &Frame, check: &CheckVerdict, matched: &MatchFacts, ride: &Ride) {
    let named = |label: &String| ride.references.iter().find(|r| &r.trace.label == label);
    let Some(reference) = check.references.iter().find_map(named).or(ride.references.first()) else {
        return;
    };
    let window = (seconds(ride, matched.window.start), seconds(ride, matched.window.end));
    let scale = match check.unit.as_str() {
        "%" => 100.0 / mean_power(&reference.trace, window).unwrap_or(f64::INFINITY),
        _ => 1.0,
    };
    let seconds_shown = above.x.low.max(0.0).ceil() as usize..above.x.high.max(0.0).ceil() as usize;
    let error = |s: usize| Some((ride.unit.power_at(s)? - reference.trace.power_at(s)?) * scale);
    let errors: Points = seconds_shown.map(|s| (s as f64, error(s))).collect();
    let mean = check.value.unwrap_or(0.0);
    let uncertainty = check.expanded_uncertainty.unwrap_or(0.0);
    let limits = [check.limit_low, check.limit_high];
    // Scale to what decides; single seconds may leave the frame.
    let reach = limits.iter().flatten().map(|l| l.abs()).fold(mean.abs() + uncertainty, f64::max).max(0.1) * 1.8;
    let frame = Frame { x: above.x, y: Scale { low: -reach, high: reach, from_px: 332.0, to_px: 238.0 } };
    svg.window(&frame, window.0, window.1, svg::WINDOW, None);
    svg.y_axis(&frame, &svg::ticks(-reach, reach, 5), &check.unit);
    svg.path(&svg::path(&frame, &errors, GAP_S), svg::ERROR);
    svg.text(
        frame.x.from_px + 2.0,
        232.0,
        Anchor::Start,
        svg::TEXT,
        &format!("unit less {}, limits dashed", svg::fitted(&reference.trace.label, svg::LETTER_PX, 240.0)),
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

/// The clock chart's two panels: the shared channel overlaid, and the offset in each window about its line.
const CLOCK_SIZE: (f64, f64) = (640.0, 150.0);
const OVERLAY_PX: (f64, f64) = (66.0, 340.0);
const OFFSETS_PX: (f64, f64) = (400.0, 630.0);
const CLOCK_LANE_PX: (f64, f64) = (24.0, 122.0);
/// Long enough for some changes of heart rate, short enough to see a second.
const OVERLAY_S: f64 = 120.0;

/// What lets a person see that a clock is right: where both recordings change together after aligning, and how far each
/// window's offset lies from the line that was taken. `None` for a clock that was not found on a shared channel.
pub fn clock(trace: &Trace, ride: &Ride) -> Option<String> {
    let own = &ride.references.first()?.trace;
    let column = match trace.clock.aligned_on {
        AlignedOn::HeartRate => |t: &Trace| t.heart_rate_bpm.clone(),
        AlignedOn::Position | AlignedOn::Speed => |t: &Trace| t.speed_m_s.clone(),
        AlignedOn::Altitude => |t: &Trace| t.altitude_m.clone(),
        AlignedOn::Power => |t: &Trace| t.power_w.clone(),
        _ => return None,
    };
    // Of a position, what shows in time is how fast it changes.
    let (shared, unit) = match trace.clock.aligned_on {
        AlignedOn::Position => ("speed", "m/s"),
        on @ AlignedOn::HeartRate => (on.word(), "1/min"),
        on @ AlignedOn::Altitude => (on.word(), "m"),
        on @ AlignedOn::Power => (on.word(), "W"),
        on => (on.word(), "m/s"),
    };
    let points = |t: &Trace| -> Points { t.time_s.iter().copied().zip(column(t)).collect() };
    let (ours, theirs) = (points(own), points(trace));
    let from_s = liveliest(&theirs)?;
    let window = |points: &Points| -> Points {
        points.iter().filter(|p| (from_s..=from_s + OVERLAY_S).contains(&p.0)).copied().collect()
    };
    let (ours, theirs) = (window(&ours), window(&theirs));
    let known = || ours.iter().chain(&theirs).filter_map(|p| p.1);
    let (low, high) = (known().fold(f64::INFINITY, f64::min), known().fold(f64::NEG_INFINITY, f64::max));
    let room = 0.08 * (high - low).max(1.0);
    let lane = |low, high| Scale { low, high, from_px: CLOCK_LANE_PX.1, to_px: CLOCK_LANE_PX.0 };
    let overlay = Frame {
        x: Scale { low: from_s, high: from_s + OVERLAY_S, from_px: OVERLAY_PX.0, to_px: OVERLAY_PX.1 },
        y: lane(low - room, high + room),
    };
    let title = format!("Clock of {}", trace.label);
    let desc = format!(
        "Left: the {shared} as {} and {} recorded it, over two minutes of session time after aligning. Right: the offset \
         found in each of {} windows less the line taken, in seconds, with its expanded uncertainty.",
        own.label,
        trace.label,
        trace.clock.windows.len()
    );
    let mut svg = Svg::new(CLOCK_SIZE.0, CLOCK_SIZE.1, &title, &desc);
    svg.text(OVERLAY_PX.0, 14.0, Anchor::Start, svg::TEXT, &format!("{shared}, both recordings overlaid"));
    svg.y_axis(&overlay, &svg::ticks(overlay.y.low, overlay.y.high, 3), unit);
    svg.x_axis(&overlay, &clock_labels(ride, from_s, from_s + OVERLAY_S, 3));
    svg.path(&svg::path(&overlay, &ours, GAP_S), svg::REFERENCE);
    svg.path(&svg::path(&overlay, &theirs, GAP_S), svg::UNIT_FINE);
    if !trace.clock.windows.is_empty() {
        offsets(&mut svg, trace, ride);
    }
    Some(svg.finish())
}

/// Where [`OVERLAY_S`] of a channel change most.
fn liveliest(points: &Points) -> Option<f64> {
    let changes: Vec<(f64, f64)> =
        points.windows(2).filter_map(|w| Some((w[1].0, (w[1].1? - w[0].1?).abs()))).collect();
    let (mut sum, mut first, mut best) = (0.0, 0, None);
    for &(at_s, change) in &changes {
        sum += change;
        while at_s - changes[first].0 > OVERLAY_S {
            sum -= changes[first].1;
            first += 1;
        }
        if best.is_none_or(|(most, _)| sum > most + 1e-9) {
            best = Some((sum, at_s - OVERLAY_S));
        }
    }
    best.map(|(_, from_s)| from_s.max(0.0).floor())
}

fn offsets(svg: &mut Svg, trace: &Trace, ride: &Ride) {
    let clock = &trace.clock;
    let off: Vec<(f64, f64, f64)> = clock
        .windows
        .iter()
        .map(|&(at_s, offset_s, u_s)| {
            let since_start_s = at_s - trace.time_s.first().copied().unwrap_or(0.0);
            (at_s, offset_s - clock.offset_s - clock.drift_ppm * 1e-6 * since_start_s, 2.0 * u_s)
        })
        .collect();
    let most = off.iter().map(|(_, off_s, u_s)| off_s.abs() + u_s).fold(0.5, f64::max);
    let frame = Frame {
        x: Scale { low: 0.0, high: ride.length_s.max(1) as f64, from_px: OFFSETS_PX.0, to_px: OFFSETS_PX.1 },
        y: Scale { low: -most, high: most, from_px: CLOCK_LANE_PX.1, to_px: CLOCK_LANE_PX.0 },
    };
    svg.text(OFFSETS_PX.0, 14.0, Anchor::Start, svg::TEXT, "offset in each window, less the line");
    svg.y_axis(&frame, &svg::ticks(-most, most, 4), "s");
    svg.x_axis(&frame, &clock_labels(ride, 0.0, ride.length_s as f64, 3));
    svg.level(&frame, 0.0, svg::LIMIT);
    for (at_s, off_s, u_s) in off {
        let x = frame.x.at(at_s);
        svg.segment((x, frame.y.at(off_s - u_s)), (x, frame.y.at(off_s + u_s)), svg::ERROR);
        svg.dot(x, frame.y.at(off_s), 3.0, svg::DOT);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn a_limit_in_per_cent_has_its_error_drawn_in_per_cent() {
        let judgement = example::judgement();
        let mut block = judgement.verdict.phases[1].clone();
        let check = &mut block.checks[0];
        (check.unit, check.value, check.expanded_uncertainty) = ("%".into(), Some(-4.3), Some(1.1));
        (check.limit_low, check.limit_high) = (Some(-2.5), Some(2.5));
        let chart = phase(&block, &judgement.ride).unwrap();
        assert!(chart.contains("c-limit") && chart.contains("5\u{a0}%"));
    }

    #[test]
    fn a_ride_without_a_sample_still_draws() {
        let mut judgement = example::judgement();
        judgement.ride.unit.power_w.fill(None);
        judgement.ride.references.clear();
        let v = &judgement.verdict;
        assert!(!timeline(v, &judgement.ride).contains("c-unit"));
        assert!(phase(&v.phases[1], &judgement.ride).is_some());
    }

    #[test]
    fn a_clock_shows_its_channel_and_a_dot_for_each_window() {
        let mut judgement = example::judgement();
        let ride = &mut judgement.ride;
        for trace in [&mut ride.unit, &mut ride.references[0].trace] {
            trace.heart_rate_bpm = trace.time_s.iter().map(|t| Some(120.0 + (t / 20.0).sin().round())).collect();
        }
        let chart = clock(&ride.unit, ride).unwrap();
        assert_eq!(chart.matches("<circle").count(), ride.unit.clock.windows.len());
        assert_eq!((chart.matches("c-ref").count(), chart.matches("c-unit").count()), (1, 1));
        assert_eq!(clock(&ride.references[0].trace, ride), None, "the session's own clock");
        ride.unit.heart_rate_bpm.fill(None);
        assert_eq!(clock(&ride.unit, ride), None, "nothing to show");
    }

    #[test]
    fn a_missing_repeat_has_no_chart_and_the_others_share_a_scale() {
        let judgement = example::judgement();
        let soft: Vec<_> = judgement.verdict.phases.iter().filter(|p| p.drill == "soft_pedal").collect();
        let charts = repeats(&soft, &judgement.ride);
        assert_eq!(charts.iter().map(Option::is_some).collect::<Vec<_>>(), [true, true, true, false]);
        let axis = |chart: &Option<String>| {
            let chart = chart.as_ref().unwrap();
            chart.split("c-text").take(6).map(|t| t.split('>').nth(1).unwrap_or("").to_owned()).collect::<Vec<_>>()
        };
        assert_eq!(axis(&charts[0]), axis(&charts[2]));
    }

    #[test]
    fn the_rings_are_drawn_with_the_limits_of_their_blocks() {
        let verdict = example::judgement().verdict;
        let chart = rings(&verdict).unwrap();
        assert_eq!(chart.matches("c-dot").count(), 8);
        assert_eq!(chart.matches("c-bracket").count(), 12);
        assert!(rings(&Verdict { rings: vec![], ..verdict }).is_none());
    }
}

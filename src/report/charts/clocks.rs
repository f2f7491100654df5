//! Why a clock can be trusted: what both recordings share, overlaid, and the offsets behind the line.

use super::labels::clock_labels;
use super::samples::GAP_S;
use crate::report::picture::{Key, Numbers, Picture};
use crate::report::svg::{self, Anchor, Frame, Points, Scale, Svg};
use crate::ride::{ClockWindow, Ride, ShownChannel, Trace};
use crate::words;

/// The clock chart's two panels: the shared channel overlaid, and the offset in each window about its line.
const CLOCK_SIZE: (f64, f64) = (640.0, 150.0);
const OVERLAY_PX: (f64, f64) = (66.0, 340.0);
const OFFSETS_PX: (f64, f64) = (400.0, 630.0);
const CLOCK_LANE_PX: (f64, f64) = (24.0, 122.0);
/// Long enough for some changes of heart rate, short enough to see a second.
const OVERLAY_S: f64 = 120.0;

/// What lets a person see that a clock is right: where both recordings change together after aligning, and how far each
/// window's offset lies from the line that was taken. `None` for a clock that was not found on a shared channel.
pub fn clock(trace: &Trace, ride: &Ride) -> Option<Picture> {
    let own = &ride.references.first()?.trace;
    let ShownChannel { name: shared, unit, values } = trace.clock.aligned_on.shown()?;
    let points = |t: &Trace| -> Points { t.time_s.iter().copied().zip(values(t).iter().copied()).collect() };
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
    let mut numbers = Numbers::new(["time, UTC", "offset less the line, s", "expanded uncertainty, s"]);
    if !trace.clock.windows.is_empty() {
        for (at_s, off_s, u_s) in offsets(&mut svg, trace, ride) {
            let at = ride.utc(at_s).format("%H:%M:%S").to_string();
            numbers.push([at, words::number(off_s, 2), words::number(u_s, 2)]);
        }
    }
    let keys = vec![
        Key::line(svg::REFERENCE, own.label.as_str()),
        Key::line(svg::UNIT_FINE, trace.label.as_str()),
        Key::dot(svg::DOT, "offset in each window, bar: expanded uncertainty"),
    ];
    Some(Picture { name: title, drawing: svg, keys, numbers })
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

fn offsets(svg: &mut Svg, trace: &Trace, ride: &Ride) -> Vec<(f64, f64, f64)> {
    let clock = &trace.clock;
    let start_s = trace.time_s.first().copied().unwrap_or(0.0);
    let of =
        |window: &ClockWindow| (window.at_s, clock.off_line_s(window, start_s), 2.0 * window.standard_uncertainty_s);
    let off: Vec<(f64, f64, f64)> = clock.windows.iter().map(of).collect();
    let most = off.iter().map(|(_, off_s, u_s)| off_s.abs() + u_s).fold(0.5, f64::max);
    let frame = Frame {
        x: Scale { low: 0.0, high: ride.length_s.max(1) as f64, from_px: OFFSETS_PX.0, to_px: OFFSETS_PX.1 },
        y: Scale { low: -most, high: most, from_px: CLOCK_LANE_PX.1, to_px: CLOCK_LANE_PX.0 },
    };
    svg.text(OFFSETS_PX.0, 14.0, Anchor::Start, svg::TEXT, "offset in each window, less the line");
    svg.y_axis(&frame, &svg::ticks(-most, most, 4), "s");
    svg.x_axis(&frame, &clock_labels(ride, 0.0, ride.length_s as f64, 3));
    svg.level(&frame, 0.0, svg::LIMIT);
    for &(at_s, off_s, u_s) in &off {
        let x = frame.x.at(at_s);
        svg.segment((x, frame.y.at(off_s - u_s)), (x, frame.y.at(off_s + u_s)), svg::ERROR);
        svg.dot(x, frame.y.at(off_s), 3.0, svg::DOT);
    }
    off
}

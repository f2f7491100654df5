//! Left and right side in a sprint.

use super::phase_ride::{PhaseRide, PictureSize};
use super::samples::{GAP_S, seconds};
use crate::protocol::DrillKind;
use crate::report::picture::{Numbers, cell};
use crate::report::svg::{self, Anchor, Frame, Points, Scale, Svg};
use crate::ride::{Ride, Trace};
use crate::words;

/// Power of the left and of the right side over a sprint.
pub(super) struct Sides {
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
    /// Both sides' power in a sprint, where the unit and a reference have them.
    pub fn of(ridden: &PhaseRide<'_>) -> Option<Sides> {
        let (from_s, to_s) = ridden.span_s();
        let reference = ridden.ride.references.iter().position(|r| has_sides(&r.trace, from_s, to_s));
        let (unit, sprint) = (&ridden.ride.unit, ridden.phase.kind().is_some_and(DrillKind::is_all_out));
        let sided = sprint && has_sides(unit, from_s, to_s);
        reference.filter(|_| sided).map(|reference| Sides { reference, from_s, to_s, window_s: ridden.window_s() })
    }

    /// Two small panels beneath the power, left at the left.
    pub fn draw(&self, svg: &mut Svg, ride: &Ride, size: PictureSize) {
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
                ticks.values.iter().for_each(|tick| svg.level(&frame, *tick, svg::GRID));
            }
            svg.text(from_px + 2.0, size.base + 36.0, Anchor::Start, svg::TEXT, name);
            for (points, look) in lines.iter().zip(looks) {
                svg.path(&svg::path(&frame, points, GAP_S), look);
            }
        }
    }

    pub fn numbers(&self, ridden: &PhaseRide<'_>) -> Numbers {
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

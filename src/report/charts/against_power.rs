//! The unit's error over the power that it was ridden at.

use super::labels::labelled;
use crate::protocol::Ring;
use crate::report::picture::{Key, Numbers, Picture};
use crate::report::svg::{self, Anchor, Frame, Look, Scale, Svg, Ticks};
use crate::scoring::{PictureMarks, SteadyLevel};
use crate::verdict::Verdict;
use crate::words;

/// The look of a ring: the big one filled, the small one hollow, an unknown one a dark dot.
fn ring_look(ring: Option<Ring>) -> Look {
    match ring {
        Some(Ring::Big) => svg::DOT,
        Some(Ring::Small) => svg::HOLLOW,
        None => svg::INK,
    }
}

fn ring_keys(rings: &[Option<Ring>]) -> Vec<Key> {
    let mut keys = vec![];
    for (ring, label) in [(Some(Ring::Big), "big ring"), (Some(Ring::Small), "small ring"), (None, "ring not known")] {
        if rings.contains(&ring) {
            keys.push(Key::dot(ring_look(ring), label));
        }
    }
    keys
}

/// Error of each steady block and each step of a ramp over the power it was ridden at: is it an offset, a gain, or neither?
/// `None` below two levels.
pub fn against_power(verdict: &Verdict, shown: &PictureMarks) -> Option<Picture> {
    const SIZE: (f64, f64) = (640.0, 300.0);
    let ring = |level: &SteadyLevel| verdict.phases.get(level.found)?.matched.as_ref()?.ring();
    let levels = &shown.levels;
    if levels.len() < 2 {
        return None;
    }
    let highest_w = levels.iter().map(|l| l.reference_w).fold(50.0, f64::max) * 1.08;
    let lowest_w = (levels.iter().map(|l| l.reference_w).fold(f64::INFINITY, f64::min) * 0.85).max(0.0);
    let reach = levels.iter().map(|l| l.error_w.abs() + l.expanded_uncertainty_w).fold(1.0, f64::max) * 1.1;
    let frame = Frame {
        x: Scale { low: lowest_w, high: highest_w, from_px: 56.0, to_px: SIZE.0 - 26.0 },
        y: Scale { low: -reach, high: reach, from_px: SIZE.1 - 44.0, to_px: 16.0 },
    };
    let says: Vec<String> = levels
        .iter()
        .map(|l| {
            let error = words::quantity(l.error_w, Some(l.expanded_uncertainty_w), "W");
            format!("{} W: {error}", words::number(l.reference_w, 0))
        })
        .collect();
    let desc = format!(
        "Mean error of each steady block and ramp step over its mean reference power, with its expanded uncertainty. A level \
         line is an offset, a slanted one through zero a gain. {}.",
        says.join("; ")
    );
    let mut svg = Svg::new(SIZE.0, SIZE.1, "Error against power", &desc);
    svg.y_axis(&frame, &svg::ticks(-reach, reach, 6), "W");
    svg.level(&frame, 0.0, svg::AXIS);
    let Ticks { values: powers, decimals } = svg::ticks(lowest_w, highest_w, 7);
    svg.x_axis(&frame, &labelled(&powers, decimals, "W").collect::<Vec<_>>());
    svg.text(frame.x.to_px, SIZE.1 - 6.0, Anchor::End, svg::TEXT, "mean power of the references");
    let mut numbers = Numbers::new(["phase", "reference, W", "error, W", "expanded uncertainty, W", "error, %"]);
    for level in levels {
        let x = frame.x.at(level.reference_w);
        let ends = [-1.0, 1.0].map(|sign| frame.y.at(level.error_w + sign * level.expanded_uncertainty_w));
        svg.segment((x, ends[0]), (x, ends[1]), svg::WHISKER);
        svg.dot(x, frame.y.at(level.error_w), 4.5, ring_look(ring(level)));
        let decimals = words::decimals_for(level.expanded_uncertainty_w);
        numbers.push([
            verdict.phases.get(level.found).map_or(String::new(), |p| words::capital(&words::phase(&p.phase))),
            words::number(level.reference_w, 1),
            words::number(level.error_w, decimals),
            words::number(level.expanded_uncertainty_w, decimals),
            words::number(level.error_pct, 2),
        ]);
    }
    let mut keys = ring_keys(&levels.iter().map(ring).collect::<Vec<_>>());
    keys.push(Key::line(svg::WHISKER, "expanded uncertainty"));
    Some(Picture { name: "error against power".to_owned(), drawing: svg, keys, numbers })
}

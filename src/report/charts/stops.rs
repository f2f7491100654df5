//! All stops of a phase over each other.

use super::labels::labelled;
use super::phase_ride::PhaseRide;
use super::samples::{GAP_S, power};
use crate::protocol::Measure;
use crate::report::picture::{Key, Numbers, Picture, cell};
use crate::report::svg::{self, Anchor, Frame, Points, Scale, Svg};
use crate::scoring::ReferenceEdges;
use crate::verdict::CheckVerdict;
use crate::words;

/// Around an edge on the picture of all stops: the levels on which lags rest lie within.
const AROUND_EDGE_S: (f64, f64) = (-6.0, 9.0);

/// All stops of a phase over each other: at the left aligned where the reference let go, at the right where it came back.
pub(super) fn stops(rides: &[&PhaseRide<'_>], means: &[CheckVerdict]) -> Option<Picture> {
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

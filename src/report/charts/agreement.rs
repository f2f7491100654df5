//! Limits of agreement.

use super::labels::labelled;
use crate::report::picture::{Key, Numbers, Picture};
use crate::report::svg::{self, Anchor, Frame, Scale, Svg, Ticks};
use crate::ride::Ride;
use crate::scoring::{PictureMarks, SteadyLevel};
use crate::stats;
use crate::verdict::Verdict;
use crate::words;

/// Error second by second over the mean of both, with each block's limits of agreement. `None` without steady riding.
///
/// Source: Bland and Altman (1986), Lancet 327:307-310.
pub fn agreement(verdict: &Verdict, ride: &Ride, shown: &PictureMarks) -> Option<Picture> {
    const SIZE: (f64, f64) = (640.0, 320.0);
    struct Block {
        label: String,
        dots: Vec<(f64, f64)>,
        limits: stats::LimitsOfAgreement,
    }
    let reference = &ride.references.first()?.trace;
    let block = |level: &SteadyLevel| {
        let limits = level.limits_w?;
        let dots = level.seconds.iter().map(|second| (second.mean_w, second.error_w)).collect();
        let label = words::capital(&words::phase(&verdict.phases.get(level.found)?.phase));
        Some(Block { label, dots, limits })
    };
    let blocks: Vec<Block> = shown.levels.iter().filter_map(block).collect();
    if blocks.is_empty() {
        return None;
    }
    let mut means: Vec<f64> = blocks.iter().flat_map(|b| &b.dots).map(|d| d.0).collect();
    let mut sizes: Vec<f64> = blocks.iter().flat_map(|b| &b.dots).map(|d| d.1.abs()).collect();
    [&mut means, &mut sizes].into_iter().for_each(|v| v.sort_by(f64::total_cmp));
    // A few single seconds may leave the frame.
    let share = |sorted: &[f64], p: f64| sorted[((sorted.len() - 1) as f64 * p) as usize];
    let limit = blocks.iter().flat_map(|b| [b.limits.low.abs(), b.limits.high.abs()]).fold(1.0, f64::max);
    let reach = share(&sizes, 0.995).max(limit) * 1.1;
    let (low_w, high_w) = (share(&means, 0.002) * 0.9, share(&means, 0.998) * 1.05);
    let frame = Frame {
        x: Scale { low: low_w, high: high_w.max(low_w + 1.0), from_px: 56.0, to_px: SIZE.0 - 26.0 },
        y: Scale { low: -reach, high: reach, from_px: SIZE.1 - 44.0, to_px: 16.0 },
    };
    let title = "Limits of agreement against power";
    let desc = format!(
        "Unit less {}, second by second, over the mean of both, in the scored windows of steady riding. Each block has its \
         mean and, dashed, the limits between which 95 % of its seconds lie.",
        reference.label
    );
    let mut svg = Svg::new(SIZE.0, SIZE.1, title, &desc);
    svg.y_axis(&frame, &svg::ticks(-reach, reach, 6), "W");
    svg.level(&frame, 0.0, svg::AXIS);
    let Ticks { values: powers, decimals } = svg::ticks(frame.x.low, frame.x.high, 7);
    svg.x_axis(&frame, &labelled(&powers, decimals, "W").collect::<Vec<_>>());
    svg.text(frame.x.to_px, SIZE.1 - 6.0, Anchor::End, svg::TEXT, "mean of unit and reference");
    let inside =
        |d: &&(f64, f64)| (frame.x.low..=frame.x.high).contains(&d.0) && (frame.y.low..=frame.y.high).contains(&d.1);
    let dots = blocks.iter().flat_map(|b| &b.dots).filter(inside).map(|d| (frame.x.at(d.0), frame.y.at(d.1)));
    svg.path(&svg::specks(&dots.collect::<Vec<_>>()), svg::SPECKS);
    let columns = ["phase", "seconds", "mean error, W", "standard deviation, W", "lower limit, W", "upper limit, W"];
    let mut numbers = Numbers::new(columns);
    for Block { label, dots, limits } in &blocks {
        let mut x: Vec<f64> = dots.iter().map(|d| d.0).collect();
        x.sort_by(f64::total_cmp);
        let ends = (frame.x.at(share(&x, 0.05)), frame.x.at(share(&x, 0.95)));
        for (level, look) in [(limits.mean, svg::MEAN), (limits.low, svg::LIMIT), (limits.high, svg::LIMIT)] {
            svg.segment((ends.0, frame.y.at(level)), (ends.1, frame.y.at(level)), look);
        }
        let [mean, sd, low, high] = [limits.mean, limits.sd, limits.low, limits.high].map(|w| words::number(w, 1));
        numbers.push([label.clone(), limits.n.to_string(), mean, sd, low, high]);
    }
    let keys = vec![
        Key::dot(svg::OPEN, "one second"),
        Key::line(svg::MEAN, "mean of a block"),
        Key::line(svg::LIMIT, "its limits of agreement (95 %)"),
    ];
    Some(Picture { name: title.to_lowercase(), drawing: svg, keys, numbers })
}

//! References against each other.

use super::labels::labelled;
use crate::report::picture::{Key, Numbers, Picture, cell};
use crate::report::svg::{self, Anchor, Frame, Scale, Svg, Ticks};
use crate::ride::{Ride, Trace};
use crate::scoring::PictureMarks;
use crate::verdict::Verdict;
use crate::words;

/// How far each other reference stands from the first, block by block: does one of them change with power or with time?
/// `None` with fewer than two references or without steady riding.
pub fn references(verdict: &Verdict, ride: &Ride, shown: &PictureMarks) -> Option<Picture> {
    const ROW_PX: f64 = 20.0;
    let first = &ride.references.first()?.trace;
    let others: Vec<&Trace> = ride.references.iter().skip(1).map(|r| &r.trace).collect();
    let rows: Vec<(String, Vec<Option<f64>>)> = shown
        .levels
        .iter()
        .filter_map(|level| {
            let label = words::capital(&words::phase(&verdict.phases.get(level.found)?.phase));
            Some((label, level.against_first_pct.clone()))
        })
        .collect();
    if others.is_empty() || rows.is_empty() {
        return None;
    }
    let pooled: Vec<_> = verdict.reference_comparison.iter().filter(|c| c.first == first.label).collect();
    let known = rows.iter().flat_map(|r| &r.1).flatten().copied();
    let reach = known
        .chain(pooled.iter().map(|c| c.difference_pct.abs() + c.expanded_uncertainty_pct))
        .map(f64::abs)
        .fold(0.5, f64::max)
        * 1.1;
    let height = rows.len() as f64 * ROW_PX + 44.0;
    let frame = Frame {
        x: Scale { low: -reach, high: reach, from_px: 200.0, to_px: 616.0 },
        y: Scale { low: 0.0, high: 1.0, from_px: height - 28.0, to_px: 6.0 },
    };
    let title = format!("References less {}", first.label);
    let says = pooled.iter().map(|c| {
        let size = words::quantity(c.difference_pct, Some(c.expanded_uncertainty_pct), "%");
        format!("{} over the session {size}", c.second)
    });
    let desc = format!(
        "Mean power of each other reference over each steady block, less that of {}, in per cent. {}.",
        first.label,
        says.collect::<Vec<_>>().join("; ")
    );
    let mut svg = Svg::new(640.0, height, &title, &desc);
    for comparison in &pooled {
        let ends = [-1.0, 1.0].map(|sign| comparison.difference_pct + sign * comparison.expanded_uncertainty_pct);
        let tip = format!("{}: expanded uncertainty of the difference", comparison.second);
        svg.window(&frame, ends[0].max(-reach), ends[1].min(reach), svg::BAND, Some(&tip));
    }
    let Ticks { values, decimals } = svg::ticks(-reach, reach, 7);
    for value in &values {
        svg.upright(&frame, *value, if *value == 0.0 { svg::AXIS } else { svg::GRID });
    }
    svg.x_axis(&frame, &labelled(&values, decimals, "%").collect::<Vec<_>>());
    let mut columns = vec!["phase".to_owned()];
    columns.extend(others.iter().map(|o| format!("difference of {}, %", o.label)));
    let mut numbers = Numbers { columns, rows: vec![] };
    for (i, (label, differences)) in rows.iter().enumerate() {
        let y = 6.0 + (i as f64 + 0.5) * ROW_PX;
        svg.text(192.0, y + 4.0, Anchor::End, svg::TEXT, &svg::fitted(label, svg::LETTER_PX, 188.0));
        for (other, difference) in differences.iter().enumerate() {
            if let Some(difference) = difference {
                svg.dot(frame.x.at(*difference), y, 4.0, svg::reference_dot(other + 1));
            }
        }
        let cells = differences.iter().map(|d| cell(*d, 2));
        numbers.rows.push(std::iter::once(label.clone()).chain(cells).collect());
    }
    let dots = others.iter().enumerate();
    let mut keys: Vec<Key> = dots.map(|(i, o)| Key::dot(svg::reference_dot(i + 1), o.label.as_str())).collect();
    keys.push(Key::area(svg::BAND, "over the session, expanded uncertainty"));
    Some(Picture { name: "references against each other".to_owned(), drawing: svg, keys, numbers })
}

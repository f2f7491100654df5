//! The unit's error on each ring.

use super::labels::labelled;
use crate::protocol::{DrillKind, Measure};
use crate::quantity::Unit;
use crate::report::picture::{Key, Numbers, Picture};
use crate::report::svg::{self, Anchor, Frame, Scale, Svg, Ticks};
use crate::verdict::{CheckVerdict, PhaseVerdict, Verdict};
use crate::words;

/// A ring's pooled error, or that of one of its blocks.
struct RingRow<'a> {
    label: String,
    value: f64,
    uncertainty: f64,
    check: Option<&'a CheckVerdict>,
}

/// Each ring before its blocks, and the unit of all.
fn ring_rows(verdict: &Verdict) -> (Vec<RingRow<'_>>, &'static str) {
    let blocks: Vec<(&PhaseVerdict, &CheckVerdict)> = verdict
        .phases
        .iter()
        .filter(|p| p.kind().is_some_and(DrillKind::is_block))
        .filter_map(|p| Some((p, p.valued(Measure::MeanError)?)))
        .collect();
    // Blocks and pooled errors share an axis only where they share a unit.
    let in_pct = blocks.first().is_some_and(|(_, check)| check.is_in(Unit::Percent));
    let drawn_in = if in_pct { Unit::Percent } else { Unit::Watt };
    let mut rows = vec![];
    for ring in &verdict.rings {
        let (value, uncertainty) = if in_pct {
            (ring.error_pct, ring.expanded_uncertainty_pct)
        } else {
            (ring.error_w, ring.expanded_uncertainty_w)
        };
        rows.push(RingRow { label: format!("{} ring, pooled", ring.ring), value, uncertainty, check: None });
        for (phase, check) in &blocks {
            let ring_of = phase.matched.as_ref().and_then(|m| m.ring.as_deref());
            if ring_of == Some(ring.ring.as_str()) && check.is_in(drawn_in) {
                let (name, keys) = words::phase_parts(&phase.phase);
                let mut label = keys.replace(&format!("{} ring, ", ring.ring), "");
                if label.is_empty() {
                    label = name;
                }
                if phase.surplus {
                    label += ", surplus";
                }
                let Some(value) = check.value else { continue };
                let uncertainty = check.expanded_uncertainty.unwrap_or(0.0);
                rows.push(RingRow { label, value, uncertainty, check: Some(check) });
            }
        }
    }
    (rows, drawn_in.symbol())
}

/// Each ring's pooled error with its expanded uncertainty, and the blocks behind it with their limits.
pub fn rings(verdict: &Verdict) -> Option<Picture> {
    const ROW_PX: f64 = 19.0;
    if verdict.rings.is_empty() {
        return None;
    }
    let (rows, unit) = ring_rows(verdict);
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
    let mut numbers = Numbers::new(["blocks", &format!("error, {unit}"), &format!("expanded uncertainty, {unit}")]);
    for row in &rows {
        let decimals = words::decimals_for(row.uncertainty);
        numbers.push([
            words::capital(&row.label),
            words::number(row.value, decimals),
            words::number(row.uncertainty, decimals),
        ]);
    }
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
    let Ticks { values, decimals } = svg::ticks(-reach, reach, 7);
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
    let keys = vec![
        Key::dot(svg::DOT, "mean error, bar: expanded uncertainty"),
        Key::line(svg::BRACKET, "brackets: limits of a block"),
    ];
    Some(Picture { name: "error on each ring".to_owned(), drawing: svg, keys, numbers })
}

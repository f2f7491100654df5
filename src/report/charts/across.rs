//! What several phases say together: contrasts, the error against power, limits of agreement, references against each other.

use super::*;
use crate::protocol::{Contrast, Protocol, Ring};
use crate::scoring::{PictureMarks, SteadyLevel};
use crate::stats;

/// A mean error beside its expanded uncertainty.
#[derive(Clone, Copy)]
struct MeanError {
    value: f64,
    uncertainty: f64,
}

/// A pair of phases alike in all but the contrasted key.
struct ContrastPair {
    label: String,
    of: MeanError,
    against: MeanError,
}

/// Both errors of each pair with their intervals, and beside them the difference against its limit. `None` without a pair.
pub fn contrast(contrast: &Contrast, check: &CheckVerdict, verdict: &Verdict, protocol: &Protocol) -> Option<Picture> {
    const ROW_PX: f64 = 34.0;
    const PANELS_PX: [(f64, f64); 2] = [(110.0, 400.0), (450.0, 700.0)];
    let pairs = pairs(contrast, check, verdict, protocol);
    if pairs.is_empty() {
        return None;
    }
    let words_of = |selector: &crate::protocol::Selector| words::phase(&selector.to_string());
    let (of, against) = (words_of(&contrast.of), words_of(&contrast.against));
    // The small ring is hollow in every picture.
    let small = contrast.of.keys.iter().any(|(key, value)| key == "ring" && value == "small");
    let looks = if small { [svg::HOLLOW, svg::DOT] } else { [svg::DOT, svg::HOLLOW] };
    let title = format!("{}: {of} against {against}", words::capital(&words::phase(&contrast.name)));
    let says = pairs.iter().map(|p| {
        let [first, second] = [p.of, p.against].map(|e| words::quantity(e.value, Some(e.uncertainty), &check.unit));
        format!("{}: {first} and {second}", p.label)
    });
    let desc = format!(
        "{} of each pair with its expanded uncertainty, and the difference of each pair with the mean of all. {}. {}",
        words::capital(&words::plain(&check.measure)),
        says.collect::<Vec<_>>().join("; "),
        check_in_words(check).unwrap_or_default()
    );
    let height = (pairs.len() + 1) as f64 * ROW_PX + 62.0;
    let lane = |i: usize| 30.0 + (i as f64 + 0.5) * ROW_PX;
    let reach_of = |values: Vec<f64>| values.into_iter().map(f64::abs).fold(0.1, f64::max) * 1.1;
    let both = |e: &MeanError| [e.value - e.uncertainty, e.value + e.uncertainty];
    let errors = reach_of(pairs.iter().flat_map(|p| [both(&p.of), both(&p.against)]).flatten().collect());
    let mean = check.value.map(|value| MeanError { value, uncertainty: check.expanded_uncertainty.unwrap_or(0.0) });
    let limits = [check.limit_low, check.limit_high];
    let mut reached: Vec<f64> = pairs.iter().map(|p| p.of.value - p.against.value).collect();
    reached.extend(mean.iter().flat_map(both).chain(limits.into_iter().flatten()));
    let differences = reach_of(reached);
    let frames = [(PANELS_PX[0], errors), (PANELS_PX[1], differences)].map(|((from_px, to_px), reach)| Frame {
        x: Scale { low: -reach, high: reach, from_px, to_px },
        y: Scale { low: 0.0, high: 1.0, from_px: height - 32.0, to_px: 26.0 },
    });
    let mut svg = Svg::new(720.0, height, &title, &desc);
    for (frame, heading) in frames.iter().zip([words::plain(&check.measure), "difference".to_owned()]) {
        let (values, decimals) = svg::ticks(frame.x.low, frame.x.high, 5);
        for value in &values {
            svg.upright(frame, *value, if *value == 0.0 { svg::AXIS } else { svg::GRID });
        }
        svg.x_axis(frame, &labelled(&values, decimals, &check.unit).collect::<Vec<_>>());
        svg.text(frame.x.from_px, 16.0, Anchor::Start, svg::TEXT, &heading);
    }
    let columns = ["pair".to_owned(), of.clone(), against.clone(), "difference".to_owned()];
    let mut numbers = Numbers { columns: columns.to_vec(), rows: vec![] };
    for (i, pair) in pairs.iter().enumerate() {
        let (frame, y) = (&frames[0], lane(i));
        svg.text(102.0, y + 4.0, Anchor::End, svg::TEXT, &svg::fitted(&pair.label, svg::LETTER_PX, 96.0));
        for (error, up, look) in [(pair.of, -6.0, looks[0]), (pair.against, 6.0, looks[1])] {
            let [low, high] = both(&error).map(|v| frame.x.at(v));
            svg.segment((low, y + up), (high, y + up), svg::MEAN);
            svg.dot(frame.x.at(error.value), y + up, 4.0, look);
        }
        let difference = pair.of.value - pair.against.value;
        svg.dot(frames[1].x.at(difference), y, 3.4, svg::INK);
        let [first, second] =
            [pair.of, pair.against].map(|e| words::quantity(e.value, Some(e.uncertainty), &check.unit));
        numbers.push([pair.label.clone(), first, second, words::quantity(difference, None, &check.unit)]);
    }
    if let Some(mean) = mean {
        let (frame, y) = (&frames[1], lane(pairs.len()));
        let [low, high] = both(&mean).map(|v| frame.x.at(v));
        svg.text(442.0, y + 4.0, Anchor::End, svg::STRONG, "mean");
        svg.segment((low, y), (high, y), svg::MEAN);
        svg.dot(frame.x.at(mean.value), y, 5.0, svg::DOT);
        let shown = words::value_of(check).unwrap_or_default();
        numbers.push(["mean".to_owned(), "–".to_owned(), "–".to_owned(), shown]);
    }
    for limit in limits.into_iter().flatten() {
        svg.upright(&frames[1], limit, svg::LIMIT);
    }
    let mut keys = vec![Key::dot(looks[0], of), Key::dot(looks[1], against)];
    keys.push(Key::line(svg::MEAN, "expanded uncertainty"));
    keys.push(Key::dot(svg::INK, "difference of a pair"));
    if limits.iter().any(Option::is_some) {
        keys.push(Key::line(svg::LIMIT, "limit of the difference"));
    }
    Some(Picture { name: title, drawing: svg, keys, numbers })
}

/// Pairs whose measures are both there, in the unit of the contrast.
fn pairs(contrast: &Contrast, check: &CheckVerdict, verdict: &Verdict, protocol: &Protocol) -> Vec<ContrastPair> {
    let error = |phase: usize| {
        let name = protocol.phases[phase].id.to_string();
        let ridden = verdict.phases.iter().find(|p| p.phase == name && p.matched.is_some())?;
        let own = ridden.checks.iter().find(|c| c.measure == check.measure && c.value.is_some())?;
        let also = own.also.as_ref().filter(|also| also.unit == check.unit);
        match also {
            Some(also) => Some(MeanError { value: also.value, uncertainty: also.expanded_uncertainty.unwrap_or(0.0) }),
            None if own.unit == check.unit => {
                Some(MeanError { value: own.value?, uncertainty: own.expanded_uncertainty.unwrap_or(0.0) })
            }
            None => None,
        }
    };
    let selected = |selector: &crate::protocol::Selector| -> Vec<usize> {
        (0..protocol.phases.len()).filter(|&i| selector.selects(&protocol.phases[i].id)).collect()
    };
    // What is left of the keys when those that the contrast names are gone.
    let rest = |phase: usize, selector: &crate::protocol::Selector| -> Vec<(String, String)> {
        let keys = protocol.phases[phase].id.keys.iter();
        keys.filter(|key| !selector.keys.iter().any(|named| named.0 == key.0)).cloned().collect()
    };
    let against = selected(&contrast.against);
    let pair = |of: usize| {
        let alike = rest(of, &contrast.of);
        let other = *against.iter().find(|&&a| rest(a, &contrast.against) == alike)?;
        let label = alike.iter().map(|(_, value)| value.as_str()).collect::<Vec<_>>().join(", ");
        let label = if label.is_empty() { words::plain(&contrast.of.name) } else { label };
        Some(ContrastPair { label, of: error(of)?, against: error(other)? })
    };
    selected(&contrast.of).into_iter().filter_map(pair).collect()
}

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
    let (powers, decimals) = svg::ticks(lowest_w, highest_w, 7);
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
            words::number(100.0 * level.error_w / level.reference_w, 2),
        ]);
    }
    let mut keys = ring_keys(&levels.iter().map(ring).collect::<Vec<_>>());
    keys.push(Key::line(svg::WHISKER, "expanded uncertainty"));
    Some(Picture { name: "error against power".to_owned(), drawing: svg, keys, numbers })
}

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
    let lost = |k: usize| {
        let within = |w: &crate::ride::Window| w.seconds().contains(&k);
        shown.dropouts.iter().chain(&shown.set_aside).any(within)
    };
    let block = |level: &SteadyLevel| {
        let both = |k: usize| Some((ride.unit.power_at(k)?, reference.power_at(k)?));
        let seconds = level.window.seconds().filter(|&k| !lost(k)).filter_map(both);
        let dots: Vec<(f64, f64)> = seconds.map(|(u, r)| ((u + r) / 2.0, u - r)).collect();
        let limits = stats::limits_of_agreement(&dots.iter().map(|d| d.1).collect::<Vec<_>>())?;
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
    let (powers, decimals) = svg::ticks(frame.x.low, frame.x.high, 7);
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

/// How far each other reference stands from the first, block by block: does one of them change with power or with time?
/// `None` with fewer than two references or without steady riding.
pub fn references(verdict: &Verdict, ride: &Ride, shown: &PictureMarks) -> Option<Picture> {
    const ROW_PX: f64 = 20.0;
    let first = &ride.references.first()?.trace;
    let others: Vec<&Trace> = ride.references.iter().skip(1).map(|r| &r.trace).collect();
    let difference = |level: &SteadyLevel, other: &Trace| {
        let span = (level.window.start_s, level.window.end_s);
        Some(100.0 * (mean_power(other, span)? / mean_power(first, span)? - 1.0))
    };
    let rows: Vec<(String, Vec<Option<f64>>)> = shown
        .levels
        .iter()
        .filter_map(|level| {
            let label = words::capital(&words::phase(&verdict.phases.get(level.found)?.phase));
            Some((label, others.iter().map(|other| difference(level, other)).collect()))
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
    let (values, decimals) = svg::ticks(-reach, reach, 7);
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

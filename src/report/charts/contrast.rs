//! A contrast: pairs of phases alike in all but its key.

use super::labels::{check_in_words, labelled};
use crate::protocol::{self, Contrast, Protocol, Selector};
use crate::report::picture::{Key, Numbers, Picture};
use crate::report::svg::{self, Anchor, Frame, Look, Scale, Svg, Ticks};
use crate::verdict::{CheckVerdict, Verdict};
use crate::words;

/// A mean error beside its expanded uncertainty.
#[derive(Clone, Copy)]
struct MeanError {
    value: f64,
    uncertainty: f64,
}

impl MeanError {
    /// `None` for a check without a value.
    fn of(check: &CheckVerdict) -> Option<Self> {
        check.value.map(|value| Self { value, uncertainty: check.expanded_uncertainty.unwrap_or(0.0) })
    }

    fn ends(&self) -> [f64; 2] {
        [self.value - self.uncertainty, self.value + self.uncertainty]
    }
}

/// A pair of phases alike in all but the contrasted key.
struct ContrastPair {
    label: String,
    of: MeanError,
    against: MeanError,
}

impl ContrastPair {
    fn difference(&self) -> f64 {
        self.of.value - self.against.value
    }

    fn in_words(&self, unit: &str) -> [String; 2] {
        [self.of, self.against].map(|error| words::quantity(error.value, Some(error.uncertainty), unit))
    }
}

/// Where the picture's panels stand: both errors of a pair at the left, their difference at the right.
const PANELS_PX: [(f64, f64); 2] = [(110.0, 400.0), (450.0, 700.0)];
const ROW_PX: f64 = 34.0;

/// Both errors of each pair with their intervals, and beside them the difference against its limit. `None` without a pair.
pub fn contrast(contrast: &Contrast, check: &CheckVerdict, verdict: &Verdict, protocol: &Protocol) -> Option<Picture> {
    let pairs = pairs(contrast, check, verdict, protocol);
    if pairs.is_empty() {
        return None;
    }
    let words_of = |selector: &Selector| words::phase(&selector.to_string());
    let (of, against) = (words_of(&contrast.of), words_of(&contrast.against));
    // The small ring is hollow in every picture.
    let small = contrast.of.keys.iter().any(|(key, value)| key == "ring" && value == "small");
    let looks = if small { [svg::HOLLOW, svg::DOT] } else { [svg::DOT, svg::HOLLOW] };
    let title = format!("{}: {of} against {against}", words::capital(&words::phase(&contrast.name)));
    let height = (pairs.len() + 1) as f64 * ROW_PX + 62.0;
    let mut svg = Svg::new(720.0, height, &title, &description(&pairs, check));
    let frames = frames(&pairs, check, height);
    for (frame, heading) in frames.iter().zip([words::plain(&check.measure), "difference".to_owned()]) {
        let Ticks { values, decimals } = svg::ticks(frame.x.low, frame.x.high, 5);
        for value in &values {
            svg.upright(frame, *value, if *value == 0.0 { svg::AXIS } else { svg::GRID });
        }
        svg.x_axis(frame, &labelled(&values, decimals, &check.unit).collect::<Vec<_>>());
        svg.text(frame.x.from_px, 16.0, Anchor::Start, svg::TEXT, &heading);
    }
    let columns = ["pair".to_owned(), of.clone(), against.clone(), "difference".to_owned()];
    let mut numbers = Numbers { columns: columns.to_vec(), rows: vec![] };
    for (i, pair) in pairs.iter().enumerate() {
        draw_pair(&mut svg, &frames, lane_px(i), pair, looks);
        let [first, second] = pair.in_words(&check.unit);
        numbers.push([pair.label.clone(), first, second, words::quantity(pair.difference(), None, &check.unit)]);
    }
    if let Some(mean) = MeanError::of(check) {
        let (frame, y) = (&frames[1], lane_px(pairs.len()));
        let [low, high] = mean.ends().map(|v| frame.x.at(v));
        svg.text(442.0, y + 4.0, Anchor::End, svg::STRONG, "mean");
        svg.segment((low, y), (high, y), svg::MEAN);
        svg.dot(frame.x.at(mean.value), y, 5.0, svg::DOT);
        let shown = words::value_of(check).unwrap_or_default();
        numbers.push(["mean".to_owned(), "–".to_owned(), "–".to_owned(), shown]);
    }
    let limits = [check.limit_low, check.limit_high];
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

/// For those who can't see it.
fn description(pairs: &[ContrastPair], check: &CheckVerdict) -> String {
    let says = pairs.iter().map(|pair| {
        let [first, second] = pair.in_words(&check.unit);
        format!("{}: {first} and {second}", pair.label)
    });
    format!(
        "{} of each pair with its expanded uncertainty, and the difference of each pair with the mean of all. {}. {}",
        words::capital(&words::plain(&check.measure)),
        says.collect::<Vec<_>>().join("; "),
        check_in_words(check).unwrap_or_default()
    )
}

/// Both panels, each as wide as what it shows, with zero in its middle.
fn frames(pairs: &[ContrastPair], check: &CheckVerdict, height: f64) -> [Frame; 2] {
    let reach_of = |values: Vec<f64>| values.into_iter().map(f64::abs).fold(0.1, f64::max) * 1.1;
    let errors = pairs.iter().flat_map(|pair| [pair.of.ends(), pair.against.ends()]).flatten().collect();
    let mut differences: Vec<f64> = pairs.iter().map(ContrastPair::difference).collect();
    differences.extend(MeanError::of(check).iter().flat_map(MeanError::ends));
    differences.extend([check.limit_low, check.limit_high].into_iter().flatten());
    [(PANELS_PX[0], reach_of(errors)), (PANELS_PX[1], reach_of(differences))].map(|((from_px, to_px), reach)| Frame {
        x: Scale { low: -reach, high: reach, from_px, to_px },
        y: Scale { low: 0.0, high: 1.0, from_px: height - 32.0, to_px: 26.0 },
    })
}

/// Middle of a row.
fn lane_px(row: usize) -> f64 {
    30.0 + (row as f64 + 0.5) * ROW_PX
}

fn draw_pair(svg: &mut Svg, frames: &[Frame; 2], y: f64, pair: &ContrastPair, looks: [Look; 2]) {
    let frame = &frames[0];
    svg.text(102.0, y + 4.0, Anchor::End, svg::TEXT, &svg::fitted(&pair.label, svg::LETTER_PX, 96.0));
    for (error, up, look) in [(pair.of, -6.0, looks[0]), (pair.against, 6.0, looks[1])] {
        let [low, high] = error.ends().map(|v| frame.x.at(v));
        svg.segment((low, y + up), (high, y + up), svg::MEAN);
        svg.dot(frame.x.at(error.value), y + up, 4.0, look);
    }
    svg.dot(frames[1].x.at(pair.difference()), y, 3.4, svg::INK);
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
            None if own.unit == check.unit => MeanError::of(own),
            None => None,
        }
    };
    let pair = |pair: protocol::ComparedPhases| {
        let alike = contrast.alike(&protocol.phases[pair.of]);
        let label = alike.iter().map(|(_, value)| value.as_str()).collect::<Vec<_>>().join(", ");
        let label = if label.is_empty() { words::plain(&contrast.of.name) } else { label };
        Some(ContrastPair { label, of: error(pair.of)?, against: error(pair.against)? })
    };
    contrast.pairs(&protocol.phases).into_iter().filter_map(pair).collect()
}

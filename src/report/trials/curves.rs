//! How often a fault of each size is found: a picture for each ladder.

use super::wording::{Sizes, size};
use crate::protocol::trim;
use crate::report::svg::{self, Anchor, Frame, Look, Scale, Svg, Ticks};
use crate::trials::{FoundSize, Ladder, Sound, TrialCounts, TrialShare, WANTED};

const WIDTH: f64 = 340.0;
const HEIGHT: f64 = 246.0;
/// From the top: the label of the crossing, its interval, the frame.
const LABEL_PX: f64 = 14.0;
const INTERVAL_PX: f64 = 23.0;
const FRAME_PX: (f64, f64) = (34.0, 200.0);
/// Half the side of a square that stands for `named`; larger than a dot, which may lie on it.
const SQUARE_PX: f64 = 5.0;

/// Shares of sessions over the size of one fault, a sound unit's at size 0.
pub fn curve(ladder: &Ladder, sound: Option<&Sound>, name: &str) -> String {
    let sizes = Sizes::of(ladder);
    let most = ladder.rungs.iter().map(TrialCounts::size).fold(0.0, f64::max);
    let frame = Frame {
        // What has no size stands in the middle.
        x: Scale {
            low: -0.03 * most,
            high: most * if sizes.any { 1.04 } else { 2.0 },
            from_px: 50.0,
            to_px: WIDTH - 12.0,
        },
        y: Scale { low: -2.0, high: 102.0, from_px: FRAME_PX.1, to_px: FRAME_PX.0 },
    };
    let mut svg = Svg::new(WIDTH, HEIGHT, name, &described(ladder, &sizes));
    not_passing(&mut svg, &frame, ladder);
    svg.y_axis(&frame, &Ticks { values: vec![0.0, 25.0, 50.0, 75.0, 100.0 * WANTED, 100.0], decimals: 0 }, "%");
    svg.level(&frame, 100.0 * WANTED, svg::LIMIT);
    x_axis(&mut svg, &frame, ladder, &sizes);
    crossing(&mut svg, &frame, ladder, &sizes);
    line(&mut svg, &frame, ladder, &ladder.naming, svg::NAMED);
    line(&mut svg, &frame, ladder, &ladder.failing, svg::UNIT);
    for rung in &ladder.rungs {
        if let Some(y) = rung.named.and_then(|share| pixel(&frame, share)) {
            let x = frame.x.at(rung.size());
            svg.rect((x - SQUARE_PX, x + SQUARE_PX), (y - SQUARE_PX, y + SQUARE_PX), svg::SQUARE, None);
        }
        failed(&mut svg, &frame, rung.size(), rung.failed, svg::DOT);
    }
    if let Some(sound) = sound.filter(|_| sizes.any) {
        failed(&mut svg, &frame, 0.0, sound.counts.failed, svg::HOLLOW);
    }
    svg.finish()
}

fn described(ladder: &Ladder, sizes: &Sizes) -> String {
    let rung = |rung: &TrialCounts| {
        let named = rung.named.map(|share| format!(", named in {}", share.hits)).unwrap_or_default();
        let at = if sizes.any { format!("{}: ", sizes.with_unit(rung.size())) } else { String::new() };
        let (failed, undecided) = (rung.failed, rung.undecided);
        format!("{at}of {} sessions {} fail, {} stay undecided{named}", failed.n, failed.hits, undecided.hits)
    };
    let rungs: Vec<String> = ladder.rungs.iter().map(rung).collect();
    let label = label(ladder, sizes).map(|label| format!(" {label}.")).unwrap_or_default();
    format!("Share of sessions over the size of the fault. {}.{label}", rungs.join("; "))
}

fn pixel(frame: &Frame, share: TrialShare) -> Option<f64> {
    (share.n > 0).then(|| frame.y.at(100.0 * share.value()))
}

/// A share with its limits as a whisker.
fn failed(svg: &mut Svg, frame: &Frame, size: f64, share: TrialShare, look: Look) {
    let Some(y) = pixel(frame, share) else { return };
    let (x, (low, high)) = (frame.x.at(size), share.interval());
    svg.segment((x, frame.y.at(100.0 * low)), (x, frame.y.at(100.0 * high)), svg::WHISKER);
    svg.dot(x, y, 3.4, look);
}

fn line(svg: &mut Svg, frame: &Frame, ladder: &Ladder, rising: &[f64], look: Look) {
    let points: svg::Points =
        ladder.rungs.iter().zip(rising).map(|(rung, share)| (rung.size(), Some(100.0 * share))).collect();
    if points.len() > 1 {
        svg.path(&svg::path(frame, &points, f64::INFINITY), look);
    }
}

/// The area between what fails and what does not pass.
fn not_passing(svg: &mut Svg, frame: &Frame, ladder: &Ladder) {
    let at = |rising: &[f64]| -> Vec<(f64, f64)> {
        let place = |(rung, share): (&TrialCounts, &f64)| (frame.x.at(rung.size()), frame.y.at(100.0 * share));
        ladder.rungs.iter().zip(rising).map(place).collect()
    };
    let outline = at(&ladder.not_passing).into_iter().chain(at(&ladder.failing).into_iter().rev());
    let d: Vec<String> = outline.map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    if d.len() > 2 {
        svg.path(&format!("M{}Z", d.join("L")), svg::OPEN);
    }
}

/// Sizes as ridden; a label that would touch the one before is left out.
fn x_axis(svg: &mut Svg, frame: &Frame, ladder: &Ladder, sizes: &Sizes) {
    if !sizes.any {
        let named = |rung: &TrialCounts| Some((rung.size(), rung.fault.as_ref()?.to_string()));
        return svg.x_axis(frame, &ladder.rungs.iter().filter_map(named).collect::<Vec<_>>());
    }
    let mut free_px = f64::NEG_INFINITY;
    let mut labels = vec![];
    for size in std::iter::once(0.0).chain(ladder.rungs.iter().map(TrialCounts::size)) {
        let text = if size == 0.0 { "0".to_owned() } else { sizes.number(&trim(size)) };
        let half = svg::text_width(&text, svg::LETTER_PX) / 2.0;
        let shown = frame.x.at(size) - half >= free_px;
        if shown {
            free_px = frame.x.at(size) + half + 4.0;
        }
        labels.push((size, if shown { text } else { String::new() }));
    }
    svg.x_axis(frame, &labels);
    let unit = if sizes.unit == "share" { "as a share".to_owned() } else { format!("in {}", sizes.unit) };
    let middle = (frame.x.from_px + frame.x.to_px) / 2.0;
    svg.text(middle, HEIGHT - 8.0, Anchor::Middle, svg::TEXT, &format!("size of the fault, {unit}"));
}

fn label(ladder: &Ladder, sizes: &Sizes) -> Option<String> {
    let found = ladder.fails.filter(|_| sizes.any)?;
    let text = size(found, ladder).text;
    Some(match found {
        FoundSize::Above(most) => format!("9 of 10 fail at no size up to {}", sizes.with_unit(most)),
        _ => format!("9 of 10 fail from {text} on"),
    })
}

/// The size of which nine of ten fail, with its limits above; an end that lies beyond the sizes ridden stays open.
fn crossing(svg: &mut Svg, frame: &Frame, ladder: &Ladder, sizes: &Sizes) {
    let Some(label) = label(ladder, sizes) else { return };
    let half = svg::text_width(&label, svg::STRONG_PX) / 2.0;
    let at = match ladder.fails {
        Some(FoundSize::At { size, low, high }) => {
            let x = frame.x.at(size);
            svg.segment((x, INTERVAL_PX), (x, FRAME_PX.1), svg::EDGE);
            let ends = (low.map(|low| frame.x.at(low)), high.map(|high| frame.x.at(high)));
            let (from, to) = (ends.0.unwrap_or(frame.x.from_px), ends.1.unwrap_or(frame.x.to_px));
            svg.segment((from, INTERVAL_PX), (to, INTERVAL_PX), svg::BRACKET);
            for end in [ends.0, ends.1].into_iter().flatten() {
                svg.segment((end, INTERVAL_PX - 3.0), (end, INTERVAL_PX + 3.0), svg::BRACKET);
            }
            svg.dot(x, INTERVAL_PX, 2.6, svg::INK);
            x
        }
        _ => (frame.x.from_px + frame.x.to_px) / 2.0,
    };
    let middle = at.min(WIDTH - 4.0 - half).max(half + 4.0);
    svg.text(middle, LABEL_PX, Anchor::Middle, svg::STRONG, &label);
}

/// The samples of a key, as the curves draw them.
pub fn keys() -> [(String, &'static str); 4] {
    let sample = |title: &str, draw: &dyn Fn(&mut Svg)| {
        let mut svg = Svg::new(40.0, 18.0, title, "as drawn below");
        draw(&mut svg);
        svg.finish()
    };
    [
        (
            sample("fails", &|svg| {
                svg.path("M2 9h36", svg::UNIT);
                svg.segment((20.0, 1.0), (20.0, 17.0), svg::WHISKER);
                svg.dot(20.0, 9.0, 3.4, svg::DOT);
            }),
            "fails, with the exact 95 % interval",
        ),
        (
            sample("named", &|svg| {
                svg.path("M2 9h36", svg::NAMED);
                svg.rect((15.0, 25.0), (4.0, 14.0), svg::SQUARE, None);
            }),
            "named as what it is",
        ),
        (
            sample("undecided", &|svg| svg.rect((2.0, 38.0), (3.0, 15.0), svg::OPEN, None)),
            "undecided, above those that fail",
        ),
        (
            sample("sound", &|svg| {
                svg.segment((20.0, 1.0), (20.0, 17.0), svg::WHISKER);
                svg.dot(20.0, 9.0, 3.4, svg::HOLLOW);
            }),
            "a sound unit fails, at size 0",
        ),
    ]
}

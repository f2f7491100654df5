//! Small charts as SVG text: a frame from data to pixels, lines with gaps, bands, axes.
//!
//! Colours are literals on each element, so that a chart stands alone; the page's style sheet repaints them by
//! class for dark mode. Coordinates are whole tenths of a pixel.

use std::fmt::Write;

/// A straight map from data to pixels.
#[derive(Debug, Clone, Copy)]
pub struct Scale {
    pub low: f64,
    pub high: f64,
    pub from_px: f64,
    pub to_px: f64,
}

impl Scale {
    /// Pixel of a value, held within the frame.
    pub fn at(&self, value: f64) -> f64 {
        let share = if self.high > self.low { (value - self.low) / (self.high - self.low) } else { 0.5 };
        self.from_px + share.clamp(0.0, 1.0) * (self.to_px - self.from_px)
    }
}

/// (x, y) in data, in order of x; `None` is a missing value.
pub type Points = Vec<(f64, Option<f64>)>;

#[derive(Debug, Clone, Copy)]
pub struct Frame {
    pub x: Scale,
    /// Upwards: `from_px` is the bottom.
    pub y: Scale,
}

impl Frame {
    fn top(&self) -> f64 {
        self.y.to_px
    }

    fn bottom(&self) -> f64 {
        self.y.from_px
    }
}

/// Round values of an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Ticks {
    pub values: Vec<f64>,
    /// As many as all of them need.
    pub decimals: i32,
}

/// Round values within `low..=high`, at most about `most` of them, with the decimals that they need.
pub fn ticks(low: f64, high: f64, most: usize) -> Ticks {
    let rough = (high - low) / most.max(1) as f64;
    if !rough.is_finite() || rough <= 0.0 {
        return Ticks { values: vec![low], decimals: 0 };
    }
    let power = 10f64.powi(rough.log10().floor() as i32);
    let step = [1.0, 2.0, 5.0].map(|m| m * power).into_iter().find(|s| *s >= rough * 0.999).unwrap_or(10.0 * power);
    let decimals = (-(step * 1.001).log10().floor() as i32).max(0);
    Ticks { values: multiples(low, high, step), decimals }
}

/// Round times in seconds within `low..=high`.
pub fn time_ticks(low: f64, high: f64, most: usize) -> Vec<f64> {
    const STEPS_S: [f64; 14] =
        [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0];
    let rough = (high - low) / most.max(1) as f64;
    let step = STEPS_S.into_iter().find(|s| *s >= rough).unwrap_or((rough / 7200.0).ceil() * 7200.0);
    multiples(low, high, step)
}

fn multiples(low: f64, high: f64, step: f64) -> Vec<f64> {
    let (first, last) = ((low / step - 1e-9).ceil() as i64, (high / step + 1e-9).floor() as i64);
    (first..=last).map(|i| i as f64 * step).collect()
}

/// Width in pixels of a text in a usual sans-serif face: an estimate that rather errs wide.
pub fn text_width(text: &str, size_px: f64) -> f64 {
    let em = |c: char| match c {
        'i' | 'j' | 'l' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | ' ' | '\u{a0}' => 0.35,
        'f' | 't' | 'r' | '(' | ')' | '[' | ']' | '/' | '-' => 0.42,
        'm' | 'w' | 'M' | 'W' | '%' | '@' => 0.95,
        '<' | '>' | '=' | '+' | '~' | '^' | '#' => 0.86,
        c if c.is_uppercase() => 0.73,
        c if c.is_ascii() => 0.63,
        // Unknown scripts can be as wide as they are high.
        c if (c as u32) < 0x2e80 => 0.65,
        _ => 1.0,
    };
    text.chars().map(em).sum::<f64>() * size_px
}

/// Text made safe in markup, between tags and within quoted attributes.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // XML has no place for other control characters, however written.
            c if c.is_control() && c != '\n' && c != '\t' => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

/// `text`, cut with an ellipsis to fit; empty where not even three letters would.
pub fn fitted(text: &str, size_px: f64, room_px: f64) -> String {
    if text_width(text, size_px) <= room_px {
        return text.to_owned();
    }
    let mut cut: Vec<char> = text.chars().collect();
    while cut.len() > 3 {
        cut.pop();
        let short = format!("{}…", cut.iter().collect::<String>().trim_end());
        if text_width(&short, size_px) <= room_px {
            return short;
        }
    }
    String::new()
}

fn tenths(px: f64) -> i64 {
    (px * 10.0).round() as i64
}

/// A coordinate as text, in whole tenths.
fn px(value: f64) -> String {
    tenth_text(tenths(value))
}

fn tenth_text(tenths: i64) -> String {
    if tenths % 10 == 0 { (tenths / 10).to_string() } else { format!("{:.1}", tenths as f64 / 10.0) }
}

/// The path of a line through `points` (data; in order of x), open where a value is missing or where two
/// neighbours lie further apart than `gap`. A pixel column with many points keeps its first, lowest, highest
/// and last.
pub fn path(frame: &Frame, points: &[(f64, Option<f64>)], gap: f64) -> String {
    let mut d = String::new();
    let mut run: Vec<(f64, f64)> = vec![];
    let mut last_x = f64::NEG_INFINITY;
    for &(x, y) in points {
        if y.is_none() || x - last_x > gap {
            draw(&mut d, &thin(&run));
            run.clear();
        }
        if let Some(y) = y {
            run.push((frame.x.at(x), frame.y.at(y)));
            last_x = x;
        }
    }
    draw(&mut d, &thin(&run));
    d
}

/// First, lowest, highest and last point of each pixel column.
fn thin(run: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut kept = vec![];
    for column in run.chunk_by(|a, b| a.0.floor() == b.0.floor()) {
        if column.len() <= 4 {
            kept.extend_from_slice(column);
            continue;
        }
        let by_y = |a: &usize, b: &usize| column[*a].1.total_cmp(&column[*b].1);
        let inner = 0..column.len();
        let mut picks = [0, inner.clone().min_by(by_y).unwrap_or(0), inner.max_by(by_y).unwrap_or(0), column.len() - 1];
        picks.sort_unstable();
        kept.extend(picks.into_iter().map(|i| column[i]));
    }
    kept
}

/// Each point is rounded before the differences are taken, so that rounding does not add up.
fn draw(d: &mut String, run: &[(f64, f64)]) {
    let mut pen: Option<(i64, i64)> = None;
    for &(x, y) in run {
        let now = (tenths(x), tenths(y));
        let _ = match pen {
            None => write!(d, "M{} {}", tenth_text(now.0), tenth_text(now.1)),
            Some(p) if p == now => Ok(()),
            Some(p) => write!(d, "l{} {}", tenth_text(now.0 - p.0), tenth_text(now.1 - p.1)),
        };
        pen = Some(now);
    }
    if run.len() == 1 {
        d.push_str("h0"); // with round ends, a dot
    }
}

/// How an element looks: its class in the page, and the literal colours it has without one.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    pub class: &'static str,
    pub paint: &'static str,
}

macro_rules! looks {
    ($($name:ident = $class:literal, $paint:literal;)+) => {
        $(pub const $name: Look = Look { class: $class, paint: $paint };)+
    };
}

looks! {
    GRID = "c-grid", r##"stroke="#dfe3e8" stroke-width="1""##;
    AXIS = "c-axis", r##"stroke="#8a94a2" stroke-width="1""##;
    TEXT = "c-text", r##"fill="#4d5866""##;
    STRONG = "c-strong", r##"fill="#1a2230" font-weight="600""##;
    UNIT = "c-unit", r##"fill="none" stroke="#a33b0c" stroke-width="1.9" stroke-linejoin="round" stroke-linecap="round""##;
    UNIT_FINE = "c-unit", r##"fill="none" stroke="#a33b0c" stroke-width="1" stroke-linejoin="round" stroke-linecap="round""##;
    REFERENCE = "c-ref", r##"fill="none" stroke="#4480c4" stroke-width="1.2" stroke-linejoin="round" stroke-linecap="round""##;
    REFERENCE_2 = "c-ref2", r##"fill="none" stroke="#5f7f3a" stroke-width="1.2" stroke-dasharray="4 2.5" stroke-linejoin="round""##;
    REFERENCE_3 = "c-ref3", r##"fill="none" stroke="#7a5aa0" stroke-width="1.2" stroke-dasharray="1.5 2.5" stroke-linejoin="round""##;
    WINDOW = "c-window", r##"fill="#e6edf6""##;
    BAND = "c-band", r##"fill="#eceae2""##;
    EDGE = "c-edge", r##"stroke="#6f7a88" stroke-width="1" stroke-dasharray="2 3""##;
    LIMIT = "c-limit", r##"stroke="#1a2230" stroke-width="1.3" stroke-dasharray="6 3""##;
    BRACKET = "c-bracket", r##"fill="none" stroke="#6f7a88" stroke-width="1.2""##;
    MEAN = "c-mean", r##"fill="none" stroke="#a33b0c" stroke-width="2""##;
    DOT = "c-dot", r##"fill="#a33b0c" stroke="none""##;
    HALO = "c-halo", r##"fill="#a33b0c" fill-opacity="0.18""##;
    NAMED = "c-ref", r##"fill="none" stroke="#4480c4" stroke-width="1.5" stroke-dasharray="5 3" stroke-linejoin="round""##;
    SQUARE = "c-square", r##"fill="#fff" stroke="#4480c4" stroke-width="1.5""##;
    HOLLOW = "c-hollow", r##"fill="#fff" stroke="#a33b0c" stroke-width="1.6""##;
    WHISKER = "c-unit", r##"fill="none" stroke="#a33b0c" stroke-width="1.1""##;
    INK = "c-strong", r##"fill="#1a2230""##;
    OPEN = "c-open", r##"fill="#d3d8df""##;
    REFERENCE_FINE = "c-ref", r##"fill="none" stroke="#4480c4" stroke-width="1""##;
    LOST = "c-lost", r##"fill="#a1182b" fill-opacity="0.22" stroke="#a1182b" stroke-width="1" stroke-dasharray="2 2""##;
    SPECKS = "c-specks", r##"fill="none" stroke="#5b6470" stroke-opacity="0.55" stroke-width="2.2" stroke-linecap="round""##;
    REFERENCE_DOT = "c-ref2-dot", r##"fill="#5f7f3a""##;
    REFERENCE_DOT_3 = "c-ref3-dot", r##"fill="#fff" stroke="#7a5aa0" stroke-width="1.6""##;
    ERROR = "c-error", r##"fill="none" stroke="#8a94a2" stroke-width="1""##;
}

/// References in order; a fourth looks like the third.
pub fn reference_look(index: usize) -> Look {
    [REFERENCE, REFERENCE_2, REFERENCE_3][index.min(2)]
}

/// The dot of a reference other than the first, by its place among all.
pub fn reference_dot(index: usize) -> Look {
    if index <= 1 { REFERENCE_DOT } else { REFERENCE_DOT_3 }
}

/// Many small dots as one path (in pixels), for a look with round ends.
pub fn specks(at: &[(f64, f64)]) -> String {
    let mut d = String::new();
    let mut pen = (0, 0);
    for &(x, y) in at {
        let now = (tenths(x), tenths(y));
        let _ = write!(d, "m{} {}h0", tenth_text(now.0 - pen.0), tenth_text(now.1 - pen.1));
        pen = now;
    }
    d
}

#[derive(Debug, Clone, Copy)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// Size in pixels of a chart's letters.
pub const LETTER_PX: f64 = 12.0;
/// What [`STRONG`] letters take up as if they were larger ones.
pub const STRONG_PX: f64 = 13.0;

/// One picture, with its name and what it shows for those who can't see it.
#[derive(Debug, Clone)]
pub struct Svg {
    width: f64,
    height: f64,
    title: String,
    desc: String,
    body: String,
}

impl Svg {
    pub fn new(width: f64, height: f64, title: &str, desc: &str) -> Self {
        Self { width, height, title: title.to_owned(), desc: desc.to_owned(), body: String::new() }
    }

    pub fn title(&self) -> &str {
        &self.title
    }

    pub fn desc(&self) -> &str {
        &self.desc
    }

    pub fn size(&self) -> (f64, f64) {
        (self.width, self.height)
    }

    fn push(&mut self, element: std::fmt::Arguments<'_>) {
        let _ = self.body.write_fmt(element);
    }

    pub fn rect(&mut self, x: (f64, f64), y: (f64, f64), look: Look, tip: Option<&str>) {
        let tip = tip.map(|t| format!("<title>{}</title>", escape(t))).unwrap_or_default();
        self.push(format_args!(
            r#"<rect class="{}" {} x="{}" y="{}" width="{}" height="{}">{tip}</rect>"#,
            look.class,
            look.paint,
            px(x.0),
            px(y.0),
            px(x.1 - x.0),
            px(y.1 - y.0),
        ));
    }

    /// A path from its `d`; nothing for an empty one.
    pub fn path(&mut self, d: &str, look: Look) {
        if !d.is_empty() {
            self.push(format_args!(r#"<path class="{}" {} d="{d}"/>"#, look.class, look.paint));
        }
    }

    pub fn segment(&mut self, from: (f64, f64), to: (f64, f64), look: Look) {
        let d = format!("M{} {}L{} {}", px(from.0), px(from.1), px(to.0), px(to.1));
        self.path(&d, look);
    }

    /// A line over the full width at a value.
    pub fn level(&mut self, frame: &Frame, value: f64, look: Look) {
        let y = frame.y.at(value);
        self.segment((frame.x.from_px, y), (frame.x.to_px, y), look);
    }

    /// A line over the full height at a value.
    pub fn upright(&mut self, frame: &Frame, value: f64, look: Look) {
        let x = frame.x.at(value);
        self.segment((x, frame.top()), (x, frame.bottom()), look);
    }

    /// The full height between two values.
    pub fn window(&mut self, frame: &Frame, from: f64, to: f64, look: Look, tip: Option<&str>) {
        self.rect((frame.x.at(from), frame.x.at(to)), (frame.top(), frame.bottom()), look, tip);
    }

    pub fn text(&mut self, x: f64, y: f64, anchor: Anchor, look: Look, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        self.push(format_args!(
            r#"<text class="{}" {} x="{}" y="{}" text-anchor="{anchor}">{}</text>"#,
            look.class,
            look.paint,
            px(x),
            px(y),
            escape(text)
        ));
    }

    pub fn dot(&mut self, x: f64, y: f64, radius: f64, look: Look) {
        let (class, paint) = (look.class, look.paint);
        self.push(format_args!(
            r#"<circle class="{class}" {paint} cx="{}" cy="{}" r="{}"/>"#,
            px(x),
            px(y),
            px(radius)
        ));
    }

    /// Grid lines with their values at the left, the unit behind the topmost.
    pub fn y_axis(&mut self, frame: &Frame, Ticks { values, decimals }: &Ticks, unit: &str) {
        for (i, value) in values.iter().enumerate() {
            self.level(frame, *value, GRID);
            let number = crate::words::number(*value, *decimals);
            let label = if i + 1 == values.len() { format!("{number}\u{a0}{unit}") } else { number };
            self.text(frame.x.from_px - 6.0, frame.y.at(*value) + 4.0, Anchor::End, TEXT, &label);
        }
    }

    /// The base line with ticks and labels beneath.
    pub fn x_axis(&mut self, frame: &Frame, labels: &[(f64, String)]) {
        let y = frame.bottom();
        self.segment((frame.x.from_px, y), (frame.x.to_px, y), AXIS);
        for (value, label) in labels {
            let x = frame.x.at(*value);
            self.segment((x, y), (x, y + 4.0), AXIS);
            self.text(x, y + 17.0, Anchor::Middle, TEXT, label);
        }
    }

    /// Letters of another size than the rest.
    pub fn text_sized(&mut self, x: f64, y: f64, look: Look, size_px: f64, text: &str) {
        self.push(format_args!(
            r#"<text class="{}" {} font-size="{}" x="{}" y="{}">{}</text>"#,
            look.class,
            look.paint,
            px(size_px),
            px(x),
            px(y),
            escape(text)
        ));
    }

    /// A line so many times as thick as its look says, dashes and all.
    pub fn thick(&mut self, from: (f64, f64), to: (f64, f64), look: Look, times: f64) {
        let at = |v: f64| px(v / times);
        self.push(format_args!(
            r#"<path class="{}" {} transform="scale({times:.2})" d="M{} {}L{} {}"/>"#,
            look.class,
            look.paint,
            at(from.0),
            at(from.1),
            at(to.0),
            at(to.1)
        ));
    }

    /// Another drawing, enlarged, with its upper left corner at a place.
    pub fn inset(&mut self, other: &Svg, x: f64, y: f64, scale: f64) {
        self.push(format_args!(
            r#"<g transform="translate({} {}) scale({scale:.4})">{}</g>"#,
            px(x),
            px(y),
            other.body
        ));
    }

    fn head(&self) -> String {
        format!("<title>{}</title><desc>{}</desc>", escape(&self.title), escape(&self.desc))
    }

    /// As markup within a page.
    pub fn finish(&self) -> String {
        format!(
            r#"<svg role="img" viewBox="0 0 {} {}" font-size="{LETTER_PX}" font-family="system-ui, sans-serif">{}{}</svg>"#,
            px(self.width),
            px(self.height),
            self.head(),
            self.body
        )
    }

    /// As markup beside a word that says the same: nothing for a screen reader.
    pub fn ornament(&self) -> String {
        let (width, height) = (px(self.width), px(self.height));
        format!(
            r#"<svg aria-hidden="true" width="{width}" height="{height}" viewBox="0 0 {width} {height}">{}</svg>"#,
            self.body
        )
    }

    /// As a file of its own, on white, `height` high.
    pub fn alone(&self, height: f64) -> String {
        let (width, height) = (px(self.width), px(height));
        format!(
            r##"<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{width}" height="{height}" viewBox="0 0 {width} {height}" font-size="{LETTER_PX}" font-family="system-ui, sans-serif">{}<rect width="{width}" height="{height}" fill="#fff"/>{}</svg>"##,
            self.head(),
            self.body
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(high: f64) -> Frame {
        Frame {
            x: Scale { low: 0.0, high, from_px: 0.0, to_px: 100.0 },
            y: Scale { low: 0.0, high: 10.0, from_px: 50.0, to_px: 0.0 },
        }
    }

    #[test]
    fn ticks_are_round_and_within_the_range() {
        assert_eq!(ticks(0.0, 940.0, 5), Ticks { values: vec![0.0, 200.0, 400.0, 600.0, 800.0], decimals: 0 });
        assert_eq!(ticks(-0.7, 0.9, 4), Ticks { values: vec![-0.5, 0.0, 0.5], decimals: 1 });
        assert_eq!(ticks(3.0, 3.0, 4).values, vec![3.0]);
        assert_eq!(time_ticks(0.0, 4500.0, 8), vec![0.0, 600.0, 1200.0, 1800.0, 2400.0, 3000.0, 3600.0, 4200.0]);
    }

    #[test]
    fn a_scale_maps_the_ends_to_the_ends_and_holds_what_lies_outside() {
        let y = frame(1.0).y;
        assert_eq!((y.at(0.0), y.at(10.0), y.at(5.0), y.at(99.0)), (50.0, 0.0, 25.0, 0.0));
    }

    #[test]
    fn a_missing_sample_and_a_late_neighbour_open_the_line() {
        let points = [(0.0, Some(0.0)), (1.0, Some(10.0)), (2.0, None), (3.0, Some(0.0)), (9.0, Some(0.0))];
        assert_eq!(path(&frame(10.0), &points, 2.5), "M0 50l10 -50M30 50h0M90 50h0");
    }

    #[test]
    fn a_crowded_pixel_column_keeps_its_extremes() {
        let points: Vec<_> = (0..10_000).map(|i| (f64::from(i), Some(if i == 5_555 { 10.0 } else { 1.0 }))).collect();
        let d = path(&frame(10_000.0), &points, 2.5);
        assert!(d.contains("-45") && d.len() < 5_000, "{} bytes", d.len());
    }

    #[test]
    fn rounding_does_not_add_up_along_a_line() {
        let points: Vec<_> = (0..=300).map(|i| (f64::from(i), Some(0.0))).collect();
        let d = path(&frame(300.0), &points, 2.5);
        let steps = d.split('l').skip(1).map(|s| s.split(' ').next().unwrap().parse::<f64>().unwrap());
        assert!((steps.sum::<f64>() - 100.0).abs() < 0.051);
    }

    #[test]
    fn text_is_estimated_wide_enough_and_cut_to_its_room() {
        assert!(text_width("WWW", 10.0) > text_width("iii", 10.0) * 2.0);
        assert_eq!(fitted("standing sprints", 12.0, 400.0), "standing sprints");
        let short = fitted("standing sprints", 12.0, 50.0);
        assert!(short.ends_with('…') && text_width(&short, 12.0) <= 50.0);
        assert_eq!(fitted("standing", 12.0, 5.0), "");
    }

    #[test]
    fn hostile_text_is_escaped() {
        let mut svg = Svg::new(10.0, 10.0, "<script>", "\"'&\u{1b}");
        svg.text(0.0, 0.0, Anchor::Start, TEXT, "</text><script>");
        let text = svg.finish();
        assert!(!text.contains("<script") && !text.contains('\u{1b}') && text.contains("&lt;script&gt;"));
    }

    #[test]
    fn a_small_chart_reads_like_this() {
        let frame = Frame {
            x: Scale { low: 0.0, high: 4.0, from_px: 40.0, to_px: 100.0 },
            y: Scale { low: 0.0, high: 200.0, from_px: 80.0, to_px: 10.0 },
        };
        let mut svg = Svg::new(110.0, 100.0, "power", "two lines");
        svg.window(&frame, 1.0, 3.0, WINDOW, Some("scored"));
        svg.y_axis(&frame, &ticks(0.0, 200.0, 2), "W");
        svg.x_axis(&frame, &[(0.0, "0".into()), (4.0, "4 s".into())]);
        svg.path(&path(&frame, &[(0.0, Some(100.0)), (1.0, Some(110.0)), (2.0, None), (4.0, Some(90.0))], 1.5), UNIT);
        svg.level(&frame, 150.0, LIMIT);
        insta::assert_snapshot!(svg.finish().replace("><", ">\n<"));
    }
}

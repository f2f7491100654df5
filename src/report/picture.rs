//! A picture with all that stands beside it: its keys and the numbers behind it. On a page it is the bare drawing; alone
//! it is a frame for an article or a screen, with the same words.

use serde::Serialize;

use super::svg::{self, Look, Svg};

/// What one line, area or sign of a picture stands for.
#[derive(Debug, Clone)]
pub struct Key {
    pub sign: Sign,
    pub look: Look,
    pub label: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    Line,
    Area,
    Dot,
}

impl Key {
    pub fn line(look: Look, label: impl Into<String>) -> Self {
        Self { sign: Sign::Line, look, label: label.into() }
    }

    pub fn area(look: Look, label: impl Into<String>) -> Self {
        Self { sign: Sign::Area, look, label: label.into() }
    }

    pub fn dot(look: Look, label: impl Into<String>) -> Self {
        Self { sign: Sign::Dot, look, label: label.into() }
    }
}

/// The numbers behind a picture: a table with as many cells in each row as there are columns.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Numbers {
    pub columns: Vec<String>,
    pub rows: Vec<Vec<String>>,
}

impl Numbers {
    pub fn new<const N: usize>(columns: [&str; N]) -> Self {
        Self { columns: columns.map(str::to_owned).to_vec(), rows: vec![] }
    }

    pub fn push<const N: usize>(&mut self, row: [String; N]) {
        self.rows.push(row.to_vec());
    }
}

/// One picture of a sheet.
#[derive(Debug, Clone)]
pub struct Picture {
    /// What it shows, in words for a file's name: `steady small ring 120 W`.
    pub name: String,
    pub drawing: Svg,
    pub keys: Vec<Key>,
    pub numbers: Numbers,
}

/// A frame to draw a picture in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Format {
    /// Part of a file's name.
    pub word: &'static str,
    pub width_px: f64,
    /// `None`: as high as the picture needs at this width.
    pub height_px: Option<f64>,
    /// Of title and keys.
    pub letter_px: f64,
}

/// Twice the width of a column of text, and a screen.
pub const FORMATS: [Format; 2] = [
    Format { word: "article", width_px: 1600.0, height_px: None, letter_px: 30.0 },
    Format { word: "16x9", width_px: 1920.0, height_px: Some(1080.0), letter_px: 36.0 },
];

impl Picture {
    /// Its keys for a page: a small drawing, which a screen reader passes over, and the label.
    pub fn legend(&self) -> Vec<(String, String)> {
        let drawn = |key: &Key| {
            let mut svg = Svg::new(30.0, 14.0, "", "");
            sign(&mut svg, key, (2.0, 7.0), 17.0);
            (svg.ornament(), key.label.clone())
        };
        self.keys.iter().map(drawn).collect()
    }

    /// A whole SVG file: title, keys, the drawing as large as it fits, and `footer` beneath.
    pub fn alone(&self, format: Format, footer: &str) -> String {
        let letter = format.letter_px;
        let margin = letter * 1.5;
        let room = format.width_px - 2.0 * margin;
        let mut frame = Svg::new(format.width_px, 0.0, self.drawing.title(), self.drawing.desc());
        let title_px = letter * 1.25;
        let mut y = margin + title_px * 0.8;
        for line in lines(self.drawing.title(), title_px, room, 2) {
            frame.text_sized(margin, y, svg::STRONG, title_px, &line);
            y += title_px * 1.25;
        }
        y += letter * 0.2;
        let mut x = margin;
        for key in &self.keys {
            let label = svg::fitted(&key.label, letter, room - letter * 2.4);
            let width = letter * 2.4 + svg::text_width(&label, letter);
            if x > margin && x + width > margin + room {
                (x, y) = (margin, y + letter * 1.5);
            }
            sign(&mut frame, key, (x, y - letter * 0.32), letter);
            frame.text_sized(x + letter * 1.9, y, svg::TEXT, letter, &label);
            x += width + letter;
        }
        y += letter * if self.keys.is_empty() { 0.0 } else { 0.9 };
        let (width, height) = self.drawing.size();
        let beneath = letter * 2.6;
        let scale = match format.height_px {
            None => room / width,
            Some(high) => (room / width).min((high - y - beneath) / height),
        };
        let total = format.height_px.unwrap_or(y + height * scale + beneath);
        let spare = (total - beneath - y - height * scale).max(0.0);
        frame.inset(&self.drawing, (format.width_px - width * scale) / 2.0, y + spare / 2.0, scale);
        let small = letter * 0.65;
        frame.text_sized(margin, total - letter, svg::TEXT, small, &svg::fitted(footer, small, room));
        frame.alone(total)
    }

    /// The numbers behind it, as a table of a spreadsheet.
    pub fn csv(&self) -> String {
        let mut writer = csv::Writer::from_writer(vec![]);
        let rows = std::iter::once(&self.numbers.columns).chain(&self.numbers.rows);
        // Signs first: a number is told from a formula by them.
        let cell = |text: &String| crate::text::cell(&text.replace('\u{a0}', " ").replace('−', "-"));
        // Into memory, and of equal length: nothing here can fail.
        rows.for_each(|row| drop(writer.write_record(row.iter().map(cell))));
        let bytes = writer.into_inner().unwrap_or_default();
        String::from_utf8_lossy(&bytes).into_owned()
    }

    /// `name` in letters, digits and dashes.
    pub fn file_name(&self) -> String {
        let mut name = String::new();
        for c in self.name.chars().flat_map(char::to_lowercase) {
            match c {
                c if c.is_alphanumeric() => name.push(c),
                _ if !name.is_empty() && !name.ends_with('-') => name.push('-'),
                _ => {}
            }
        }
        name.trim_end_matches('-').chars().take(80).collect()
    }
}

/// The sign of a key, its left end in the middle of its height at `at`.
fn sign(svg: &mut Svg, key: &Key, (x, y): (f64, f64), letter: f64) {
    let (width, half) = (letter * 1.5, letter * 0.32);
    match key.sign {
        Sign::Line => svg.thick((x, y), (x + width, y), key.look, letter / svg::LETTER_PX),
        Sign::Area => svg.rect((x, x + width), (y - half, y + half), key.look, None),
        Sign::Dot => svg.dot(x + width / 2.0, y, half, key.look),
    }
}

/// `text` broken at spaces to fit, the last of `most` lines cut.
fn lines(text: &str, size_px: f64, room_px: f64, most: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.last_mut().expect("never empty");
        let longer = if last.is_empty() { word.to_owned() } else { format!("{last} {word}") };
        if last.is_empty() || svg::text_width(&longer, size_px) <= room_px {
            *last = longer;
        } else {
            lines.push(word.to_owned());
        }
    }
    let rest = lines.split_off(lines.len().min(most - 1)).join(" ");
    if !rest.is_empty() {
        lines.push(svg::fitted(&rest, size_px, room_px));
    }
    lines
}

/// A number in the middle of a file's cell or a table's: `–` where there is none.
pub fn cell(value: Option<f64>, decimals: i32) -> String {
    value.map_or("–".to_owned(), |value| crate::words::number(value, decimals))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::svg::Anchor;

    fn picture() -> Picture {
        let mut drawing = Svg::new(320.0, 200.0, "Standing sprints, repeat 2", "Power over time.");
        drawing.text(10.0, 10.0, Anchor::Start, svg::TEXT, "<5 W>");
        let mut numbers = Numbers::new(["second", "unit, W"]);
        numbers.push(["1".into(), "−4".into()]);
        let keys = vec![Key::line(svg::UNIT, "unit 017"), Key::area(svg::WINDOW, "scored window")];
        Picture { name: "standing sprints, repeat 2: 600 W".into(), drawing, keys, numbers }
    }

    #[test]
    fn a_frame_alone_has_the_size_asked_for_and_all_words_of_the_page() {
        let [article, screen] = FORMATS.map(|format| picture().alone(format, "sheet A-1"));
        assert!(screen.contains(r#"width="1920" height="1080""#) && article.contains(r#"width="1600""#));
        for svg in [article, screen] {
            assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\""));
            for word in [
                "Standing sprints, repeat 2",
                "Power over time.",
                "unit 017",
                "scored window",
                "&lt;5 W&gt;",
                "sheet A-1",
            ] {
                assert!(svg.contains(word), "{word}");
            }
        }
    }

    #[test]
    fn a_file_name_is_plain() {
        assert_eq!(picture().file_name(), "standing-sprints-repeat-2-600-w");
    }

    #[test]
    fn numbers_are_those_of_the_page_with_a_minus_that_programs_read() {
        assert_eq!(picture().csv(), "second,\"unit, W\"\n1,-4\n");
    }

    #[test]
    fn a_long_title_takes_two_lines_and_no_more() {
        let text = "steady riding on the small ring at 120 W ".repeat(9);
        let found = lines(text.trim(), 36.0, 1800.0, 2);
        assert_eq!(found.len(), 2);
        assert!(found[1].ends_with('…') && found.iter().all(|line| svg::text_width(line, 36.0) <= 1800.0));
    }
}

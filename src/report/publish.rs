//! Pictures as files of their own: each as SVG and PNG, for an article and for a screen, with its numbers as CSV.

use std::sync::{Arc, OnceLock};

use rayon::prelude::*;
use resvg::{tiny_skia, usvg};

use super::charts::Album;
use super::groups::{self, Group};
use super::picture::{FORMATS, Picture};
use crate::judge::Judgement;
use crate::verdict::Verdict;

/// Letters for what becomes pixels: the same on every machine (shared/fonts/LICENSE says whose they are).
const FONTS: [&[u8]; 2] =
    [include_bytes!("../../shared/fonts/DejaVuSans.ttf"), include_bytes!("../../shared/fonts/DejaVuSans-Bold.ttf")];
const FAMILY: &str = "DejaVu Sans";

/// A file to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct File {
    pub name: String,
    pub bytes: Vec<u8>,
}

#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    #[error("the picture {name} can't be drawn as pixels: {reason}; its SVG was left out too")]
    Pixels { name: String, reason: String },
}

/// All pictures of a sheet as files, in the sheet's order: `04-standing-sprints-article.svg` and so on. The same judgement
/// gives the same bytes, unless a label has letters of a script that only the system's own fonts can draw.
///
/// # Errors
/// [`PublishError::Pixels`] if a picture can't be drawn, which is a mistake in the program.
pub fn files(judgement: &Judgement) -> Result<Vec<File>, PublishError> {
    let groups = groups::groups(&judgement.verdict);
    let scored: Vec<&Group<'_>> = groups.iter().filter(|g| g.is_scored()).collect();
    let pictures = Album::of(judgement, &scored).into_pictures();
    let footer = footer(&judgement.verdict);
    let files = pictures.par_iter().enumerate().map(|(at, picture)| one(at + 1, picture, &footer));
    Ok(files.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
}

fn one(number: usize, picture: &Picture, footer: &str) -> Result<Vec<File>, PublishError> {
    let name = format!("{number:02}-{}", picture.file_name());
    let mut files = vec![File { name: format!("{name}.csv"), bytes: picture.csv().into_bytes() }];
    for format in FORMATS {
        let svg = picture.alone(format, footer);
        let name = format!("{name}-{}", format.word);
        let pixels = png(&svg).map_err(|reason| PublishError::Pixels { name: name.clone(), reason })?;
        files.push(File { name: format!("{name}.svg"), bytes: svg.into_bytes() });
        files.push(File { name: format!("{name}.png"), bytes: pixels });
    }
    Ok(files)
}

/// Whose numbers these are, for whoever finds the picture alone.
fn footer(verdict: &Verdict) -> String {
    let protocol = verdict.protocol.as_ref().map(|p| format!("{}, revision {}", p.title, p.revision));
    let parts = [
        Some(verdict.unit.label.clone()),
        protocol,
        Some(format!("ridden {}", verdict.session.start.format("%Y-%m-%d"))),
        Some(format!("sheet {}", verdict.sheet_number)),
        Some(format!("assize {}", verdict.assize)),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

fn png(svg: &str) -> Result<Vec<u8>, String> {
    let options = usvg::Options { fontdb: fonts(svg), font_family: FAMILY.to_owned(), ..usvg::Options::default() };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|error| error.to_string())?;
    let size = tree.size().to_int_size();
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height()).ok_or("it has no size")?;
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    pixels.encode_png().map_err(|error| error.to_string())
}

/// The project's own fonts; with those of the system where a text needs another script.
fn fonts(svg: &str) -> Arc<usvg::fontdb::Database> {
    static OWN: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    static ALL: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    let own = || {
        let mut fonts = usvg::fontdb::Database::new();
        FONTS.iter().for_each(|font| fonts.load_font_data(font.to_vec()));
        fonts.set_sans_serif_family(FAMILY);
        fonts
    };
    let known = |c: char| matches!(c as u32, 0..0x530 | 0x2000..0x2300 | 0xfffd);
    if svg.chars().all(known) {
        return OWN.get_or_init(|| Arc::new(own())).clone();
    }
    let all = || {
        let mut fonts = own();
        fonts.load_system_fonts();
        fonts.set_sans_serif_family(FAMILY);
        Arc::new(fonts)
    };
    ALL.get_or_init(all).clone()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    fn decoded(png: &[u8]) -> tiny_skia::Pixmap {
        tiny_skia::Pixmap::decode_png(png).expect("a PNG")
    }

    #[test]
    fn every_picture_comes_as_csv_and_in_each_format_as_svg_and_png() {
        let mut judgement = example::judgement();
        // One phase is enough to draw.
        judgement.verdict.phases.truncate(2);
        judgement.matches.found.truncate(2);
        judgement.verdict.repeats.clear();
        let files = files(&judgement).unwrap();
        assert_eq!(files.len() % 5, 0);
        let names: Vec<&str> = files.iter().map(|f| f.name.as_str()).collect();
        for name in ["01-error-on-each-ring-article.png", "02-whole-session-16x9.svg", "03-steady-big-ring-120-w.csv"] {
            assert!(names.contains(&name), "{names:?}");
        }
        for file in &files {
            if file.name.ends_with("-16x9.png") {
                let pixels = decoded(&file.bytes);
                assert_eq!((pixels.width(), pixels.height()), (1920, 1080));
            }
        }
    }

    /// The letters are there: a title leaves dark pixels where it stands, and none without fonts.
    #[test]
    fn words_become_pixels() {
        let svg = |text: &str| {
            format!(
                r##"<svg xmlns="http://www.w3.org/2000/svg" width="200" height="40" font-family="system-ui, sans-serif"><rect width="200" height="40" fill="#fff"/><text x="5" y="28" font-size="24" font-weight="600">{text}</text></svg>"##
            )
        };
        let dark = |text: &str| {
            let pixels = decoded(&png(&svg(text)).unwrap());
            pixels.pixels().iter().filter(|p| p.red() < 100).count()
        };
        assert_eq!(dark(""), 0);
        assert!(dark("±1,5 % Ω ≤") > 200, "{}", dark("±1,5 % Ω ≤"));
    }
}

//! Pictures as files of their own: each as SVG and, by a build with the feature `png`, PNG, for an article and for a screen, with
//! its numbers as CSV.

use rayon::prelude::*;

use super::charts::SheetPictures;
use super::groups::{self, Group};
use super::picture::{FORMATS, Picture};
use super::pixels;
use crate::judge::Judgement;
use crate::verdict::Verdict;

/// Whether this build draws PNG. SVG and CSV it always writes.
pub const DRAWS_PNG: bool = cfg!(feature = "png");

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
    let pictures = SheetPictures::of(judgement, &scored).into_pictures();
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
        let pixels = pixels::png(&svg).map_err(|reason| PublishError::Pixels { name: name.clone(), reason })?;
        files.push(File { name: format!("{name}.svg"), bytes: svg.into_bytes() });
        files.extend(pixels.map(|bytes| File { name: format!("{name}.png"), bytes }));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn every_picture_comes_as_csv_and_in_each_format_as_svg_and_where_the_build_draws_it_as_png() {
        let mut judgement = example::judgement();
        // One phase is enough to draw.
        judgement.verdict.phases.truncate(2);
        judgement.matches.found.truncate(2);
        judgement.verdict.repeats.clear();
        let files = files(&judgement).unwrap();
        assert_eq!(files.len() % if DRAWS_PNG { 5 } else { 3 }, 0);
        let names: Vec<&str> = files.iter().map(|f| f.name.as_str()).collect();
        for name in ["01-error-on-each-ring-article.svg", "02-whole-session-16x9.svg", "03-steady-big-ring-120-w.csv"] {
            assert!(names.contains(&name), "{names:?}");
        }
        assert_eq!(names.contains(&"02-whole-session-16x9.png"), DRAWS_PNG);
    }
}

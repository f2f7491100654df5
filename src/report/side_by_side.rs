//! Judged sessions side by side, as a page.

use serde::Serialize;

use super::pages::{self, ReportError, css_string};
use super::picture::{Key, Numbers, Picture};
use super::svg::{self, Anchor, Frame, Scale, Svg, Ticks};
use crate::compare::{Comparison, Row};
use crate::words;

const TEMPLATE: pages::Template =
    pages::Template { name: "compare.html", source: include_str!("../../shared/compare.html") };

/// The page as HTML; the same comparison gives the same bytes.
///
/// # Errors
/// [`ReportError::Template`] if template and comparison do not fit each other, which is a mistake in the program.
pub fn page(comparison: &Comparison) -> Result<String, ReportError> {
    let forest = |row: &Row| {
        let picture = forest(row, comparison)?;
        let (keys, title) = (picture.legend(), picture.drawing.title().to_owned());
        Some(ForestPlot { title, says: row.says.clone(), svg: picture.drawing.finish(), keys })
    };
    let name = |group: usize| comparison.groups.get(group).map_or(String::new(), |g| g.name.clone());
    let sure = comparison.rows.iter().flat_map(|row| {
        row.differences.iter().filter(|d| d.differ).map(move |d| Certainty {
            row: row.name.clone(),
            first: name(d.first),
            second: name(d.second),
            value: d.value,
            expanded_uncertainty: d.expanded_uncertainty,
            unit: row.unit.clone(),
            p: d.p_with_allowance,
        })
    });
    let page = Page {
        c: comparison,
        forests: comparison.rows.iter().filter(|row| row.compared).filter_map(forest).collect(),
        sure: sure.collect(),
        running_title: css_string(&comparison.protocol.title.chars().take(60).collect::<String>()),
    };
    pages::fill(TEMPLATE, &page)
}

/// What the template sees. Pictures are markup, all else is text.
#[derive(Serialize)]
struct Page<'a> {
    c: &'a Comparison,
    forests: Vec<ForestPlot>,
    sure: Vec<Certainty>,
    running_title: String,
}

#[derive(Serialize)]
struct ForestPlot {
    title: String,
    says: String,
    svg: String,
    keys: Vec<(String, String)>,
}

#[derive(Serialize)]
struct Certainty {
    row: String,
    first: String,
    second: String,
    value: f64,
    expanded_uncertainty: f64,
    unit: String,
    p: f64,
}

/// Each group's mean with its expanded uncertainty, one under the other. `None` where fewer than two have a value.
fn forest(row: &Row, comparison: &Comparison) -> Option<Picture> {
    const ROW_PX: f64 = 22.0;
    const WIDTH: f64 = 460.0;
    let known: Vec<(&str, f64, f64, usize)> = comparison
        .groups
        .iter()
        .zip(&row.cells)
        .filter_map(|(group, cell)| {
            Some((group.name.as_str(), cell.value?, cell.expanded_uncertainty.unwrap_or(0.0), cell.sessions))
        })
        .collect();
    if known.len() < 2 {
        return None;
    }
    let reach = known.iter().map(|(_, value, u, _)| value.abs() + u).fold(0.1, f64::max) * 1.08;
    let height = known.len() as f64 * ROW_PX + 36.0;
    let frame = Frame {
        x: Scale { low: -reach, high: reach, from_px: 132.0, to_px: WIDTH - 30.0 },
        y: Scale { low: 0.0, high: 1.0, from_px: height - 28.0, to_px: 4.0 },
    };
    let title = words::capital(&row.name);
    let says =
        known.iter().map(|(name, value, u, _)| format!("{name}: {}", words::quantity(*value, Some(*u), &row.unit)));
    let desc = format!("Mean of each with its expanded uncertainty. {}.", says.collect::<Vec<_>>().join("; "));
    let mut svg = Svg::new(WIDTH, height, &title, &desc);
    let Ticks { values, decimals } = svg::ticks(-reach, reach, 6);
    for value in &values {
        svg.upright(&frame, *value, if *value == 0.0 { svg::AXIS } else { svg::GRID });
    }
    let labels = values.iter().enumerate().map(|(i, value)| {
        let number = words::number(*value, decimals);
        (*value, if i + 1 == values.len() { format!("{number}\u{a0}{}", row.unit) } else { number })
    });
    svg.x_axis(&frame, &labels.collect::<Vec<_>>());
    let mut numbers = Numbers::new(["group", "mean ± U", "sessions"]);
    for (i, (name, value, u, sessions)) in known.iter().enumerate() {
        let y = 4.0 + (i as f64 + 0.5) * ROW_PX;
        svg.text(124.0, y + 4.0, Anchor::End, svg::TEXT, &svg::fitted(name, svg::LETTER_PX, 120.0));
        svg.segment((frame.x.at(value - u), y), (frame.x.at(value + u), y), svg::MEAN);
        svg.dot(frame.x.at(*value), y, 4.5, svg::DOT);
        numbers.push([(*name).to_owned(), words::quantity(*value, Some(*u), &row.unit), sessions.to_string()]);
    }
    let keys = vec![Key::dot(svg::DOT, "mean over the sessions"), Key::line(svg::MEAN, "expanded uncertainty")];
    Some(Picture { name: row.name.clone(), drawing: svg, keys, numbers })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::{Grouping, VerdictFile, compare};
    use crate::report::example;
    use crate::verdict::{Outcome, Verdict};

    /// Two sessions each of three made-up specimens; the third reads higher.
    fn comparison(label: &str) -> Comparison {
        let session = |specimen: usize, session: usize| -> Verdict {
            let mut verdict = example::judgement().verdict;
            verdict.unit.label = format!("{label}{}", 17 + specimen);
            verdict.sheet_number = format!("S-{specimen}-{session}");
            for recording in &mut verdict.recordings {
                recording.sha256 = format!("{specimen}{session}{}", recording.file);
            }
            let shift = if specimen == 2 { 25.0 } else { 0.3 * specimen as f64 } + 0.1 * session as f64;
            verdict.session.start += chrono::TimeDelta::days((7 * session + specimen) as i64);
            let checks = verdict.phases.iter_mut().flat_map(|p| &mut p.checks);
            for check in checks.filter(|c| c.measure == "mean_error") {
                check.value = check.value.map(|v| v + shift);
            }
            verdict.rings.iter_mut().for_each(|ring| {
                ring.error_w += shift;
                ring.error_pct += shift / 2.0;
            });
            verdict.verdict = Some(if specimen == 2 { Outcome::Fail } else { Outcome::Pass });
            verdict
        };
        let given = (0..6).map(|i| {
            let verdict = session(i % 3, i / 3);
            VerdictFile { file: format!("{label}{i}.json"), verdict }
        });
        compare(given.collect(), Grouping::Specimen).unwrap()
    }

    #[test]
    fn the_page_says_who_differs_and_loads_nothing() {
        let comparison = comparison("unit 0");
        let page = page(&comparison).unwrap();
        for word in ["unit 017", "unit 019", "S-2-1", "Differences beyond their uncertainty", "default-src 'none'"] {
            assert!(page.contains(word), "{word}");
        }
        assert!(page.contains("<svg role=\"img\"") && !page.contains("<script") && !page.contains("http:"));
        assert_eq!(page.matches("<th").count() - page.matches("<thead").count(), page.matches("<th scope=\"").count());
    }

    #[test]
    fn hostile_labels_stay_text() {
        let page = page(&comparison("</title></style><script>alert(1)</script>")).unwrap();
        assert!(!page.contains("<script") && page.contains("&lt;script&gt;alert(1)"));
        assert_eq!(page.matches("</style>").count(), 1);
    }

    #[test]
    #[ignore = "writes a file for the eye"]
    fn writes_the_example_side_by_side_where_asked() {
        let folder = std::path::PathBuf::from(std::env::var_os("ASSIZE_SHEETS").expect("ASSIZE_SHEETS names a folder"));
        std::fs::write(folder.join("side-by-side.html"), page(&comparison("unit 0")).unwrap()).unwrap();
    }
}

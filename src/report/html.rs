//! The verdict sheet: one self-contained page that loads nothing and runs nothing.

use serde::Serialize;

use super::groups::{self, Group};
use super::pages::{self, ReportError, css_string};
use super::{charts, words};
use crate::Judgement;
use crate::ride::Ride;
use crate::verdict::{CheckVerdict, Outcome, PhaseVerdict, RepeatVerdict, Verdict};

const TEMPLATE: pages::Template = ("sheet.html", include_str!("../../shared/sheet.html"));

/// The sheet for one judged session as HTML. The same judgement gives the same bytes.
///
/// # Errors
/// [`ReportError::Template`] if template and verdict do not fit each other, which is a mistake in the program.
pub fn render(judgement: &Judgement) -> Result<String, ReportError> {
    let (verdict, ride) = (&judgement.verdict, &judgement.ride);
    let groups = groups::groups(verdict);
    let families: Vec<Family<'_>> = groups
        .iter()
        .filter(|g| g.is_scored())
        .collect::<Vec<_>>()
        .chunk_by(|a, b| a.drill() == b.drill())
        .map(Family::of)
        .collect();
    let sections: Vec<Section<'_>> = groups.iter().filter(|g| g.is_scored()).map(|g| Section::of(g, ride)).collect();
    let page = Page {
        v: verdict,
        mark_svg: charts::mark(verdict.verdict),
        rings: charts::rings(verdict),
        timeline: charts::timeline(verdict, ride),
        clocks: std::iter::once(&ride.unit)
            .chain(ride.references.iter().map(|r| &r.trace))
            .filter_map(|trace| Some(Clock { label: &trace.label, chart: charts::clock(trace, ride)? }))
            .collect(),
        families,
        sections,
        standing: words::STANDING_CAUTIONS,
        running_title: css_string(&format!("Sheet {}", verdict.sheet_number.chars().take(40).collect::<String>())),
        running_unit: css_string(&verdict.unit.label.chars().take(40).collect::<String>()),
    };
    pages::fill(TEMPLATE, &page)
}

/// What the template sees. Charts are markup, all else is text.
#[derive(Serialize)]
struct Page<'a> {
    v: &'a Verdict,
    mark_svg: String,
    rings: Option<String>,
    timeline: String,
    clocks: Vec<Clock<'a>>,
    families: Vec<Family<'a>>,
    sections: Vec<Section<'a>>,
    standing: &'static [&'static str],
    running_title: String,
    running_unit: String,
}

/// The picture of a clock that was found on a shared channel.
#[derive(Serialize)]
struct Clock<'a> {
    label: &'a str,
    chart: String,
}

/// Phases of one drill: a table of its own, because their measures are alike.
#[derive(Serialize)]
struct Family<'a> {
    columns: Vec<&'a str>,
    rows: Vec<Row<'a>>,
}

#[derive(Serialize)]
struct Row<'a> {
    selector: &'a str,
    number: usize,
    tally: Option<String>,
    required: bool,
    verdict: Outcome,
    reason: Option<&'a str>,
    cells: Vec<Option<Cell<'a>>>,
}

#[derive(Serialize)]
struct Cell<'a> {
    check: &'a CheckVerdict,
    /// Repeats whose own check failed, and repeats that had one; only where there are several.
    failed: Option<(usize, usize)>,
}

impl<'a> Family<'a> {
    fn of(groups: &[&Group<'a>]) -> Self {
        let columns = groups::columns(groups.iter().map(|g| g.checks()));
        let cell = |group: &Group<'a>, (measure, n): (&str, usize)| {
            let own: Vec<_> = group.phases.iter().filter_map(|p| groups::nth(&p.checks, measure, n)).collect();
            let failed = own.iter().filter(|c| c.verdict == Outcome::Fail).count();
            let check = groups::nth(group.checks(), measure, n)?;
            Some(Cell { check, failed: group.repeats.map(|_| (failed, own.len())) })
        };
        let row = |group: &&Group<'a>| Row {
            selector: group.selector(),
            number: group.number,
            tally: group.tally(),
            required: group.required(),
            verdict: group.outcome(),
            reason: group.repeats.map_or(group.phases[0].reason.as_deref(), |r| r.reason.as_deref()),
            cells: columns.iter().map(|c| cell(group, *c)).collect(),
        };
        Self { rows: groups.iter().map(row).collect(), columns: columns.iter().map(|c| c.0).collect() }
    }
}

/// One phase with its charts.
#[derive(Serialize)]
struct Section<'a> {
    selector: &'a str,
    number: usize,
    drill: &'a str,
    verdict: Outcome,
    required: bool,
    tally: Option<String>,
    repeats: Option<&'a RepeatVerdict>,
    checks: &'a [CheckVerdict],
    columns: Vec<&'a str>,
    /// Sources of uncertainty in the single repeats, in order of first appearance.
    sources: Vec<&'a str>,
    rides: Vec<Ridden<'a>>,
}

#[derive(Serialize)]
struct Ridden<'a> {
    phase: &'a PhaseVerdict,
    chart: Option<String>,
    cells: Vec<Option<&'a CheckVerdict>>,
}

impl<'a> Section<'a> {
    fn of(group: &Group<'a>, ride: &Ride) -> Self {
        let columns = groups::columns(group.phases.iter().map(|p| p.checks.as_slice()));
        let charts = match group.phases.as_slice() {
            [phase] => vec![charts::phase(phase, ride)],
            phases => charts::repeats(phases, ride),
        };
        let ridden = |(phase, chart): (&&'a PhaseVerdict, Option<String>)| Ridden {
            phase,
            chart,
            cells: columns.iter().map(|(measure, n)| groups::nth(&phase.checks, measure, *n)).collect(),
        };
        let mut sources = vec![];
        for line in group.phases.iter().flat_map(|p| &p.checks).flat_map(|c| &c.budget) {
            if !sources.contains(&line.source.as_str()) {
                sources.push(line.source.as_str());
            }
        }
        Self {
            sources,
            selector: group.selector(),
            number: group.number,
            drill: group.drill(),
            verdict: group.outcome(),
            required: group.required(),
            tally: group.tally(),
            repeats: group.repeats,
            checks: group.checks(),
            rides: group.phases.iter().zip(charts).map(ridden).collect(),
            columns: columns.iter().map(|c| c.0).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn the_page_loads_nothing_and_runs_nothing() {
        for judgement in [example::judgement(), example::hostile()] {
            let page = render(&judgement).unwrap();
            for word in
                ["<script", "http:", "https:", "url(", "@import", " src=", "<link", "<iframe", "<object", "<img"]
            {
                assert!(!page.contains(word), "{word}");
            }
            assert!(page.contains("Content-Security-Policy") && page.contains("default-src 'none'"));
            assert!(page.len() < 1_500_000, "{} bytes", page.len());
        }
    }

    /// Takes tags apart as a browser would; text from a file must never end up as a tag or an attribute.
    #[test]
    fn hostile_labels_stay_text() {
        let page = render(&example::hostile()).unwrap();
        assert!(page.contains("&lt;script&gt;alert(&quot;1&quot;)"));
        assert!(!page.contains("onload='x'") && !page.contains('\u{1b}'));
        assert!(page.contains("{{ 7*7 }}"), "a label is no template");
        assert_eq!(page.matches("</style>").count(), 1);
        assert_eq!(page.matches("</title>").count(), page.matches("<title>").count());
    }

    #[test]
    fn every_picture_has_a_role_a_title_and_a_description() {
        let page = render(&example::judgement()).unwrap();
        let pictures: Vec<&str> = page.split("<svg ").skip(1).collect();
        assert!(pictures.len() > 20);
        for picture in pictures {
            let head = &picture[..picture.find("</desc>").expect("a description")];
            assert!(head.starts_with("role=\"img\"") && head.contains("<title>") && head.contains("<desc>"));
        }
    }

    #[test]
    fn headings_come_in_order() {
        let page = render(&example::judgement()).unwrap();
        let levels: Vec<u32> =
            page.match_indices("<h").filter_map(|(i, _)| page[i + 2..].chars().next()?.to_digit(10)).collect();
        assert_eq!(levels[0], 1);
        assert_eq!(levels.iter().filter(|l| **l == 1).count(), 1);
        assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{levels:?}");
    }

    #[test]
    fn every_table_header_says_what_it_heads() {
        let page = render(&example::judgement()).unwrap();
        let headers = page.matches("<th").count() - page.matches("<thead").count();
        assert!(headers > 100);
        assert_eq!(headers, page.matches("<th scope=\"").count());
    }

    #[test]
    fn the_same_judgement_gives_the_same_bytes() {
        assert_eq!(render(&example::judgement()).unwrap(), render(&example::judgement()).unwrap());
    }

    #[test]
    fn a_verdict_without_protocol_phases_or_rings_still_makes_a_sheet() {
        let mut bare = example::judgement();
        let v = &mut bare.verdict;
        (v.verdict, v.protocol) = (None, None);
        (v.phases, v.repeats, v.rings, v.references) = (vec![], vec![], vec![], vec![]);
        (v.contrasts, v.reference_comparison, v.diagnosis) = (vec![], vec![], vec![]);
        bare.ride.references.clear();
        assert!(render(&bare).unwrap().contains("advisory"));
    }

    /// For people who change the template: `ASSIZE_SHEETS=DIR cargo test writes_the_example -- --ignored`.
    #[test]
    #[ignore = "writes files for the eye"]
    fn writes_the_example_sheets_where_asked() {
        let folder = std::path::PathBuf::from(std::env::var_os("ASSIZE_SHEETS").expect("ASSIZE_SHEETS names a folder"));
        let ruled = |verdict| {
            let mut judgement = example::judgement();
            judgement.verdict.verdict = verdict;
            judgement
        };
        let sheets = [
            ("example", example::judgement()),
            ("hostile", example::hostile()),
            ("passed", ruled(Some(Outcome::Pass))),
            ("undecided", ruled(Some(Outcome::Undecided))),
            ("advisory", ruled(None)),
        ];
        for (name, judgement) in sheets {
            std::fs::write(folder.join(name).with_extension("html"), render(&judgement).unwrap()).unwrap();
        }
    }
}

//! The verdict sheet: one self-contained page that loads nothing and runs nothing.

use serde::Serialize;

use super::charts::{self, SheetPictures};
use super::groups::{self, Group, MeasureColumn};
use super::pages::{self, ReportError, css_string};
use super::picture::{Numbers, Picture};
use crate::Judgement;
use crate::cautions::{self, Caution};
use crate::verdict::{CheckVerdict, Contradiction, Outcome, PhaseVerdict, RepeatVerdict, Verdict};
use crate::words;

const TEMPLATE: pages::Template =
    pages::Template { name: "sheet.html", source: include_str!("../../shared/sheet.html") };

/// The sheet for one judged session as HTML. The same judgement gives the same bytes.
///
/// # Errors
/// [`ReportError`] if template and verdict do not fit each other, which is a mistake in the program.
pub fn render(judgement: &Judgement) -> Result<String, ReportError> {
    let verdict = &judgement.verdict;
    let groups = groups::groups(verdict);
    let scored: Vec<&Group<'_>> = groups.iter().filter(|g| g.is_scored()).collect();
    let families: Vec<Family<'_>> = scored.chunk_by(|a, b| a.drill() == b.drill()).map(Family::of).collect();
    let album = SheetPictures::of(judgement, &scored);
    let mut sections: Vec<Section<'_>> = scored.iter().zip(album.phases).map(|(g, p)| Section::of(g, p)).collect();
    // Keys stand once above neighbours that share them.
    for i in (1..sections.len()).rev() {
        if sections[i].keys == sections[i - 1].keys {
            sections[i].keys.clear();
        }
    }
    let page = Page {
        v: verdict,
        contradictions: verdict.contradictions(),
        mark_svg: charts::mark(verdict.verdict),
        rings: album.rings.map(Figure::of),
        timeline: Figure::of(album.timeline),
        contrasts: album.contrasts.into_iter().flatten().map(Figure::of).collect(),
        against_power: album.against_power.map(Figure::of),
        agreement: album.agreement.map(Figure::of),
        references: album.references.map(Figure::of),
        clocks: album
            .clocks
            .into_iter()
            .map(|clock| Clock { label: clock.label, figure: Figure::of(clock.picture) })
            .collect(),
        families,
        sections,
        cautions: cautions::of(judgement.protocol.as_ref()).into_iter().map(Caution::text).collect(),
        standing: words::STANDING_STATEMENTS,
        running_title: css_string(&format!("Sheet {}", verdict.sheet_number.chars().take(40).collect::<String>())),
        running_unit: css_string(&verdict.unit.label.chars().take(40).collect::<String>()),
    };
    pages::fill(TEMPLATE, &page)
}

/// What the template sees. Charts are markup, all else is text.
#[derive(Serialize)]
struct Page<'a> {
    v: &'a Verdict,
    contradictions: Vec<Contradiction<'a>>,
    mark_svg: String,
    rings: Option<Figure>,
    timeline: Figure,
    contrasts: Vec<Figure>,
    against_power: Option<Figure>,
    agreement: Option<Figure>,
    references: Option<Figure>,
    clocks: Vec<Clock>,
    families: Vec<Family<'a>>,
    sections: Vec<Section<'a>>,
    /// Of whoever rides it.
    cautions: Vec<&'static str>,
    standing: &'static [&'static str],
    running_title: String,
    running_unit: String,
}

/// The picture of a clock that was found on a shared channel.
#[derive(Serialize)]
struct Clock {
    label: String,
    figure: Figure,
}

/// A picture as markup, its keys as drawings with their labels, and the numbers behind it.
#[derive(Serialize)]
struct Figure {
    title: String,
    svg: String,
    keys: Vec<(String, String)>,
    numbers: Numbers,
}

impl Figure {
    fn of(picture: Picture) -> Self {
        let keys = picture.legend();
        Self {
            title: picture.drawing.title().to_owned(),
            svg: picture.drawing.finish(),
            keys,
            numbers: picture.numbers,
        }
    }
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
        let cell = |group: &Group<'a>, column: &MeasureColumn<'a>| {
            let own: Vec<_> = group.phases.iter().filter_map(|p| column.of(&p.checks)).collect();
            let failed = own.iter().filter(|c| c.verdict == Outcome::Fail).count();
            let check = column.of(group.checks())?;
            Some(Cell { check, failed: group.repeats.map(|_| (failed, own.len())) })
        };
        let row = |group: &&Group<'a>| Row {
            selector: group.selector(),
            number: group.number,
            tally: group.tally(),
            required: group.required(),
            verdict: group.outcome(),
            reason: group.repeats.map_or(group.phases[0].reason.as_deref(), |r| r.reason.as_deref()),
            cells: columns.iter().map(|c| cell(group, c)).collect(),
        };
        Self { rows: groups.iter().map(row).collect(), columns: columns.iter().map(|c| c.measure).collect() }
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
    /// All repeats over each other, where the drill has such a picture.
    together: Option<Figure>,
    /// What the lines of its pictures stand for.
    keys: Vec<(String, String)>,
}

#[derive(Serialize)]
struct Ridden<'a> {
    phase: &'a PhaseVerdict,
    figure: Option<Figure>,
    cells: Vec<Option<&'a CheckVerdict>>,
}

impl<'a> Section<'a> {
    fn of(group: &Group<'a>, pictures: charts::PhasePictures) -> Self {
        let columns = groups::columns(group.phases.iter().map(|p| p.checks.as_slice()));
        // One line of keys for all: a repeat that shows more than another has the longer list.
        let keys = pictures.rides.iter().flatten().max_by_key(|p| p.keys.len()).map_or(vec![], Picture::legend);
        let ridden = |(phase, picture): (&&'a PhaseVerdict, Option<Picture>)| Ridden {
            phase,
            figure: picture.map(Figure::of),
            cells: columns.iter().map(|column| column.of(&phase.checks)).collect(),
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
            rides: group.phases.iter().zip(pictures.rides).map(ridden).collect(),
            together: pictures.together.map(Figure::of),
            keys,
            columns: columns.iter().map(|c| c.measure).collect(),
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
        // The small drawings of a key stand beside the word that says the same.
        let pictures: Vec<&str> = page.split("<svg ").skip(1).filter(|p| !p.starts_with("aria-hidden")).collect();
        assert!(pictures.len() > 20);
        for picture in pictures {
            let head = &picture[..picture.find("</desc>").expect("a description")];
            assert!(head.starts_with("role=\"img\"") && head.contains("<title>") && head.contains("<desc>"));
        }
    }

    /// What ISO/IEC 17025:2017 asks of a test report, each with its clause (from memory of the standard).
    #[test]
    fn all_that_a_test_report_has_to_say_is_there() {
        let judgement = example::judgement();
        let page = render(&judgement).unwrap();
        let v = &judgement.verdict;
        let number = &v.sheet_number;
        let asked = [
            ("7.8.2.1 a, title", "Verdict sheet"),
            ("7.8.2.1 b, laboratory and address", "bench of tester A"),
            ("7.8.2.1 b, laboratory and address", "north hall, bay 2"),
            ("7.8.2.1 c, where", "north bench"),
            ("7.8.2.1 d, unique number", number),
            ("7.8.2.1 d, pages are parts of one whole", "counter(page)"),
            ("7.8.2.1 d, a clear end", "End of sheet"),
            ("7.8.2.1 e, customer", "owner of unit 017"),
            ("7.8.2.1 f, method", "Bench trial on both chainrings"),
            ("7.8.2.1 f, its revision", "revision <bdi>2026-11</bdi>"),
            ("7.8.2.1 g, the item", "unit 017"),
            ("7.8.2.1 g, its state", "a scratch on the left arm"),
            ("7.8.2.1 h, received", "2026-11-18"),
            ("7.8.2.1 i, when tested", "2026-11-20"),
            ("7.8.2.1 j, issued", "2026-11-21"),
            ("7.8.2.1 l, these items only", "about this specimen"),
            ("7.8.2.1 m, results with units", "\u{a0}W"),
            ("7.8.2.1 n, deviations", "Deviations from the protocol"),
            ("7.8.2.1 o, who authorises", "Authorised by: <bdi>tester B</bdi>"),
            ("7.8.2.2, reproduced only as a whole", "copy only as a whole"),
            ("7.8.3.1 a, conditions", "temperature: 19 °C"),
            ("7.8.3.1 c, uncertainty in the unit of the result", "\u{a0}±\u{a0}"),
            ("7.8.3.1 d and 7.8.7, interpretation told apart", "no part of the statement of conformity"),
            ("7.8.6.2, the decision rule", "Decision rule (guarded, 95 % coverage)"),
            ("7.8.6.2, to which results it applies", "Conformance probability"),
            ("7.8.8.3, amends", "takes the place of sheet <bdi>A-1F02-77B3</bdi>"),
            ("7.8.8.2, what was changed and why", "the crank length was typed wrong"),
        ];
        for (clause, text) in asked {
            assert!(page.to_lowercase().contains(&text.to_lowercase()), "{clause}: {text}");
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

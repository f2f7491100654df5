//! The verdict sheet: one self-contained page that loads nothing and runs nothing.

use chrono::{DateTime, Utc};
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior};
use serde::Serialize;

use super::groups::{self, Group};
use super::{charts, svg, words};
use crate::Judgement;
use crate::ride::Ride;
use crate::verdict::{CheckVerdict, Outcome, PhaseVerdict, RepeatVerdict, Verdict};

const TEMPLATE: &str = include_str!("../../shared/sheet.html");

#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    #[error("the verdict sheet's template could not be filled in: {0}")]
    Template(#[from] minijinja::Error),
}

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
    Ok(environment()?.get_template("sheet.html")?.render(Serde(&page))?)
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

/// Text for a quoted string of a style sheet: all but letters, digits and spaces as an escape, so that it can end
/// neither the string nor the element.
fn css_string(text: &str) -> String {
    let escaped = |c: char| match c {
        c if c.is_ascii_alphanumeric() || c == ' ' => c.to_string(),
        c if c.is_control() => String::new(),
        c => format!("\\{:06x}", c as u32),
    };
    text.chars().map(escaped).collect()
}

fn environment() -> Result<Environment<'static>, minijinja::Error> {
    let mut env = Environment::new();
    env.set_auto_escape_callback(|_| AutoEscape::Html);
    env.set_formatter(|out, state, value| {
        // What a file said may hold characters that no page can show; they are marked, not dropped.
        match value.as_str() {
            Some(text) if !value.is_safe() => out.write_str(&svg::escape(text)).map_err(minijinja::Error::from),
            _ => minijinja::escape_formatter(out, state, value),
        }
    });
    env.set_undefined_behavior(UndefinedBehavior::Strict);
    env.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build()?);
    env.add_filter("plain", |code: &str| words::plain(code));
    env.add_filter("phase", |selector: &str| words::capital(&words::phase(selector)));
    env.add_filter("pattern", |pattern: &str| words::pattern(pattern));
    env.add_filter("say", |text: &str| words::sentence(text));
    env.add_filter("stop", |text: &str| words::stop(text));
    env.add_filter("cap", |text: &str| words::capital(text));
    env.add_filter("two_digits", words::two_digits);
    env.add_filter("probability", words::probability);
    env.add_filter("num", words::number);
    env.add_filter("dof", words::degrees_of_freedom);
    env.add_filter("date", |utc: &str| shown(utc, "%Y-%m-%d"));
    env.add_filter("clock", |utc: &str| shown(utc, "%H:%M:%S"));
    env.add_function("quantity", words::quantity);
    env.add_function("limit", |unit: &str, limit_low: Option<f64>, limit_high: Option<f64>| {
        words::limit(limit_low, limit_high, unit)
    });
    env.add_function("value", |unit: &str, value: Option<f64>, u: Option<f64>, censored: bool| {
        words::value(value, u, unit, censored)
    });
    env.add_function("look_first", |pattern: &str| words::look_first(pattern));
    env.add_function("glyph", |outcome: &str| words::glyph(outcome));
    env.add_template("sheet.html", TEMPLATE)?;
    Ok(env)
}

/// A time of the verdict in another form; as it is where it is none.
fn shown(utc: &str, form: &str) -> String {
    utc.parse::<DateTime<Utc>>().map_or_else(|_| utc.to_owned(), |t| t.format(form).to_string())
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

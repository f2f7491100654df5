//! What a protocol can find, as a page that a lab prints and keeps.

use serde::Serialize;

use super::curves;
use super::wording::{SizeInWords, Sizes, check, fault, form, interrupted, pct, seeds, sessions, size, with_interval};
use crate::pattern::Pattern;
use crate::protocol::trim;
use crate::rehearse::RehearsalBench;
use crate::report::pages::{self, ReportError, css_string};
use crate::trials::{FoundSize, Ladder, Sound, TrialCounts, TrialShare, Trials, TrialsSummary};
use crate::words;

const TEMPLATE: pages::Template =
    pages::Template { name: "trials.html", source: include_str!("../../../shared/trials.html") };

/// The page as HTML; the same sessions give the same bytes. `command` makes it again; `advice` is told sentence by
/// sentence, where there is any.
///
/// # Errors
/// [`ReportError::Template`] if template and page do not fit each other, which is a mistake in the program.
pub fn page(trials: &Trials, summary: &TrialsSummary, command: &str, advice: &[String]) -> Result<String, ReportError> {
    let protocol = trials.protocol;
    let RehearsalBench { unit, references } = trials.bench.clone().in_setting(trials.setting);
    let references = references.iter().map(|fitted| {
        let (label, at) = (fitted.label.clone(), fitted.located.word());
        Reference { label, at, stated: format!("±({}), k = 2", fitted.stated) }
    });
    let places = summary.work.places.iter();
    let page = Page {
        title: &protocol.title,
        revision: &protocol.revision,
        purpose: protocol.purpose.as_deref(),
        sha256: &protocol.sha256,
        unit: (unit.label, unit.located.word()),
        references: references.collect(),
        setting: words::pattern(trials.setting.word()),
        sessions: sessions(summary.sessions),
        asked: interrupted(trials, summary).then_some(trials.sessions),
        seeds: seeds(trials, summary),
        version: env!("CARGO_PKG_VERSION"),
        command,
        sound: summary.sound.as_ref().map(SoundUnit::of),
        answer: answer(summary),
        advice,
        faults: summary.ladders.iter().map(|ladder| FaultRow::of(ladder, summary.sound.as_ref())).collect(),
        keys: curves::keys(),
        failed: summary.work.failed,
        idle: places.clone().filter(|place| place.found.hits == 0).map(|place| words::phase(&place.name)).collect(),
        places: places.clone().filter(|place| place.found.hits > 0).map(Worked::of).collect(),
        by_place: by_place(summary),
        running_title: css_string(&protocol.title.chars().take(60).collect::<String>()),
    };
    pages::fill(TEMPLATE, &page)
}

/// What the template sees. Pictures are markup, all else is text.
#[derive(Serialize)]
struct Page<'a> {
    title: &'a str,
    revision: &'a str,
    purpose: Option<&'a str>,
    sha256: &'a str,
    /// Label and place.
    unit: (String, &'static str),
    references: Vec<Reference>,
    setting: String,
    sessions: String,
    /// Where fewer were ridden.
    asked: Option<u32>,
    seeds: String,
    version: &'static str,
    command: &'a str,
    sound: Option<SoundUnit>,
    answer: DetectionAnswer,
    advice: &'a [String],
    faults: Vec<FaultRow>,
    keys: [(String, &'static str); 4],
    failed: u64,
    /// Places that failed no session.
    idle: Vec<String>,
    places: Vec<Worked>,
    by_place: Vec<PlaceRow>,
    running_title: String,
}

#[derive(Serialize)]
struct Reference {
    label: String,
    at: &'static str,
    stated: String,
}

#[derive(Serialize)]
struct SoundUnit {
    n: u64,
    passed: Ending,
    failed: Ending,
    undecided: Ending,
    failed_by: Vec<(String, Ending)>,
    undecided_by: Vec<(String, Ending)>,
}

/// A share as it is told: the count, the per cents, and these with their exact limits.
#[derive(Serialize)]
struct Ending {
    hits: u64,
    pct: String,
    text: String,
}

impl Ending {
    fn of(share: TrialShare) -> Self {
        let [pct, text] = [pct(share), with_interval(share)].map(|text| text.replace(" %", "\u{a0}%"));
        Self { hits: share.hits, pct, text }
    }
}

impl SoundUnit {
    fn of(sound: &Sound) -> Self {
        let counts = &sound.counts;
        let by =
            |all: &[(String, TrialShare)]| all.iter().map(|(name, share)| (check(name), Ending::of(*share))).collect();
        Self {
            n: counts.passed.n,
            passed: Ending::of(counts.passed),
            failed: Ending::of(counts.failed),
            undecided: Ending::of(counts.undecided),
            failed_by: by(&sound.failed_by),
            undecided_by: by(&sound.undecided_by),
        }
    }
}

/// Of the faults with a size: in how many nine of ten sessions fail, or are named, from some size ridden on.
#[derive(Serialize)]
struct DetectionAnswer {
    faults: usize,
    found: usize,
    named: usize,
    /// Each with the largest size ridden.
    not_found: Vec<String>,
}

fn answer(summary: &TrialsSummary) -> DetectionAnswer {
    let is_found = |found: &Option<FoundSize>| matches!(found, Some(FoundSize::At { .. } | FoundSize::Below(_)));
    let not_found = |ladder: &&Ladder| matches!(ladder.fails, Some(FoundSize::Above(_)));
    let up_to = |ladder: &Ladder| {
        let sizes = Sizes::of(ladder);
        let most = ladder.rungs.last().map_or(0.0, TrialCounts::size);
        let most = if sizes.any { format!(" (up to {})", sizes.with_unit(most)) } else { String::new() };
        format!("{}{most}", fault(&ladder.fault))
    };
    let ladders = &summary.ladders;
    DetectionAnswer {
        faults: ladders.len(),
        found: ladders.iter().filter(|ladder| is_found(&ladder.fails)).count(),
        named: ladders.iter().filter(|ladder| is_found(&ladder.named)).count(),
        not_found: ladders.iter().filter(not_found).map(up_to).collect(),
    }
}

/// One fault: its line in the overview, its picture, its counts.
#[derive(Serialize)]
struct FaultRow {
    name: String,
    form: String,
    pattern: Option<&'static str>,
    fails: Smallest,
    named: Option<Smallest>,
    picture: String,
    counts: Vec<CountsRow>,
}

/// The smallest size found, and its 95 % limits.
#[derive(Serialize)]
struct Smallest {
    text: String,
    limits: Option<String>,
}

#[derive(Serialize)]
struct CountsRow {
    fault: String,
    n: u64,
    passed: u64,
    failed: Ending,
    undecided: Ending,
    named: Option<Ending>,
}

impl FaultRow {
    fn of(ladder: &Ladder, sound: Option<&Sound>) -> Self {
        let name = words::capital(&fault(&ladder.fault));
        let smallest = |found: Option<FoundSize>, share: fn(&TrialCounts) -> Option<TrialShare>| match found {
            // Without a size there is but one share.
            _ if !Sizes::of(ladder).any => {
                let share = ladder.rungs.first().and_then(share);
                Smallest { text: share.map(with_interval).unwrap_or_default(), limits: None }
            }
            Some(found) => {
                let SizeInWords { text, limits } = size(found, ladder);
                // Of sizes below zero the signs would say the opposite of the words.
                let short = |limits: String| match Sizes::of(ladder).sign {
                    "" => limits.replace("less than ", "<\u{a0}").replace("more than ", ">\u{a0}"),
                    _ => limits,
                };
                Smallest { text, limits: limits.map(short) }
            }
            None => Smallest { text: "none ridden".to_owned(), limits: None },
        };
        Self {
            form: form(&ladder.fault),
            pattern: ladder.pattern.map(Pattern::word),
            fails: smallest(ladder.fails, |rung| Some(rung.failed)),
            named: ladder.pattern.map(|_| smallest(ladder.named, |rung| rung.named)),
            picture: curves::curve(ladder, sound, &name),
            counts: ladder.rungs.iter().map(CountsRow::of).collect(),
            name,
        }
    }
}

impl CountsRow {
    fn of(rung: &TrialCounts) -> Self {
        Self {
            fault: rung.fault.as_ref().map(ToString::to_string).unwrap_or_default(),
            n: rung.failed.n,
            passed: rung.passed.hits,
            failed: Ending::of(rung.failed),
            undecided: Ending::of(rung.undecided),
            named: rung.named.map(Ending::of),
        }
    }
}

#[derive(Serialize)]
struct Worked {
    name: String,
    found: Ending,
    alone: Ending,
}

impl Worked {
    fn of(place: &crate::trials::FailingPlace) -> Self {
        Self { name: words::phase(&place.name), found: Ending::of(place.found), alone: Ending::of(place.alone) }
    }
}

/// In how many of one fault's sessions each place failed, for places that failed any.
#[derive(Serialize)]
struct PlaceRow {
    name: String,
    cells: Vec<PlaceCell>,
}

#[derive(Serialize)]
struct PlaceCell {
    text: String,
    /// Length of its bar in per cent.
    bar: String,
    any: bool,
    /// Whether no other place of the row has more.
    most: bool,
}

fn by_place(summary: &TrialsSummary) -> Vec<PlaceRow> {
    let worked: Vec<bool> = summary.work.places.iter().map(|place| place.found.hits > 0).collect();
    let row = |ladder: &Ladder| {
        let most = ladder.failed_by.iter().map(|share| share.hits).max().unwrap_or(0);
        let cell = |(share, _): (&TrialShare, &bool)| PlaceCell {
            text: pct(*share),
            bar: trim((100.0 * share.value()).round()),
            any: share.hits > 0,
            most: share.hits == most,
        };
        let cells = ladder.failed_by.iter().zip(&worked).filter(|(_, worked)| **worked).map(cell);
        PlaceRow { name: words::capital(&fault(&ladder.fault)), cells: cells.collect() }
    };
    summary.ladders.iter().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::trials::example;
    use crate::trials::TrialPoint;

    const HOSTILE: &str = "</title><script>alert('1')</script>{{ 7*7 }}";

    fn made(title: &str, points: &[TrialPoint], advice: &[String]) -> String {
        let protocol = example::protocol(&format!("\"{title}\""));
        let trials = example::trials(&protocol);
        page(&trials, &TrialsSummary::of(&trials, points), "assize rehearse '<b>.yaml'", advice).unwrap()
    }

    #[test]
    fn the_page_loads_nothing_runs_nothing_and_text_stays_text() {
        let page = made(HOSTILE, &example::points(), &["Ride <b>6</b> repeats.".to_owned()]);
        for word in ["<script", "http:", "https:", "url(", "@import", " src=", "<link", "<iframe", "<img", "<b>"] {
            assert!(!page.contains(word), "{word}");
        }
        assert!(page.contains("default-src 'none'") && page.contains("&lt;script&gt;") && page.contains("{{ 7*7 }}"));
        assert_eq!(page.matches("</style>").count(), 1);
        assert_eq!(page.matches("</title>").count(), page.matches("<title>").count());
    }

    #[test]
    fn each_ladder_has_a_picture_with_title_and_description() {
        let page = made("Example", &example::points(), &[]);
        let pictures: Vec<&str> = page.split("<figure").skip(1).collect();
        assert_eq!(pictures.len(), 6);
        for picture in pictures {
            let head = &picture[..picture.find("</desc>").expect("a description")];
            assert!(head.contains("role=\"img\"") && head.contains("<title>") && head.contains("of 20 sessions"));
        }
        assert!(page.contains("9 of 10 fail from 4.5\u{a0}% on"), "12 of 20 at 3 %, 20 at 5 %");
        assert!(page.contains("9 of 10 fail at no size up to 4\u{a0}s"));
        assert!(page.contains("9 of 10 fail from less than 2\u{a0}s on"));
        assert!(page.contains("A zero that was set wrong, at P") && page.contains("−8\u{a0}W"));
        assert!(page.contains("hub T"), "what the road is ridden with");
        assert!(page.contains("Failed none of these sessions: <bdi>whole ride"));
    }

    #[test]
    fn advice_and_an_early_end_are_told_where_there_are_any() {
        let mut points = example::points();
        let whole = made("Example", &points, &[]);
        assert!(!whole.contains("Advice") && !whole.contains("Interrupted"));
        points[1].sessions.truncate(7);
        let early = made("Example", &points, &["Ride 6 repeats.".to_owned()]);
        assert!(early.contains("<h2>Advice</h2>") && early.contains("Ride 6\u{a0}repeats."));
        assert!(early.contains("7 to 20 sessions of each were rehearsed, not 20 as asked"));
        points.iter_mut().for_each(|point| point.sessions.clear());
        assert!(!made("Example", &points, &[]).contains("NaN"));
        assert!(made("Example", &points[..1], &[]).contains("No fault was rehearsed"));
        assert!(!made("Example", &[], &[]).contains("NaN"));
    }

    #[test]
    fn headings_come_in_order_and_every_table_header_says_what_it_heads() {
        let page = made("Example", &example::points(), &[]);
        let levels: Vec<u32> =
            page.match_indices("<h").filter_map(|(i, _)| page[i + 2..].chars().next()?.to_digit(10)).collect();
        assert_eq!((levels[0], levels.iter().filter(|level| **level == 1).count()), (1, 1));
        assert!(levels.windows(2).all(|w| w[1] <= w[0] + 1), "{levels:?}");
        let headers = page.matches("<th").count() - page.matches("<thead").count();
        assert_eq!(headers, page.matches("<th scope=\"").count());
    }

    /// For people who change the template: `ASSIZE_SHEETS=DIR cargo test writes_the_example -- --ignored`.
    #[test]
    #[ignore = "writes files for the eye"]
    fn writes_the_example_page_where_asked() {
        let folder = std::path::PathBuf::from(std::env::var_os("ASSIZE_SHEETS").expect("ASSIZE_SHEETS names a folder"));
        let advice = ["Six repeats instead of three bring a late restart of 2 s to 90 %.".to_owned()];
        std::fs::write(folder.join("trials.html"), made(HOSTILE, &example::points(), &advice)).unwrap();
    }
}

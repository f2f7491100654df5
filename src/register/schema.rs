//! The layout of the tables, step by step, and the views that are shown to people.

/// One step for each layout, in order; what was once shipped is never edited. Tables hold the newest judgement of each
/// session, but `judgement` and `document`, which hold every one; only the views are an interface.
pub(super) const STEPS: &[&str] = &[include_str!("layout-1.sql"), include_str!("layout-2.sql")];

/// Tables of every judgement and of what sessions share.
pub(super) const TABLES: [&str; 4] = ["session", "judgement", "document", "asked"];

/// Tables of the newest judgement's parts.
pub(super) const PARTS: [&str; 8] = [
    "check_value",
    "repeat",
    "finding",
    "ring",
    "recording",
    "reference_instrument",
    "reference_comparison",
    "premise",
];

/// A view that `ask` and `export` offer.
#[derive(Debug, Clone, Copy)]
pub struct View {
    pub name: &'static str,
    pub says: &'static str,
    /// A question that it is usually asked.
    pub question: &'static str,
    pub columns: &'static [Column],
}

/// A column and what it holds.
pub type Column = (&'static str, &'static str);

const PLACE: Column = ("place", "its number in the verdict's order, from 1");

/// What every view of a session's parts begins with.
macro_rules! of_session {
    ($($column:expr),* $(,)?) => {
        &[
            ("session", "number of the session in this register"),
            ("sheet_number", "number of the verdict sheet"),
            ("started", "first second of the ride, UTC, ISO 8601"),
            ("unit", "label of the unit under test"),
            ("serial", "null where it was not given"),
            ("model", "null where it was not given"),
            ("firmware", "as written, null where it was not given"),
            ("tester", "null where it was not given"),
            ("protocol", "title; null for a comparison without a protocol"),
            ("revision", "of the protocol"),
            $($column),*
        ]
    };
}

pub const VIEWS: &[View] = &[
    View {
        name: "sessions",
        says: "a line for each session: its newest judgement",
        question: "SELECT firmware, verdict, count(*) FROM sessions WHERE unit = 'unit 017' GROUP BY firmware, verdict",
        columns: of_session![
            ("verdict", "pass, fail, undecided or not judged; null for a comparison without a protocol"),
            ("why", "the verdict's reasons"),
            ("patterns", "patterns found, with commas between"),
            ("passed", "checks"),
            ("failed", "checks"),
            ("undecided", "checks"),
            ("not_ridden", "repeats"),
            ("place", "null where it was not given"),
            ("conditions", "JSON: name to value with its unit, as typed"),
            ("located", "where the unit measures"),
            ("sides", "what it measures"),
            ("duration_s", "of the ride"),
            ("protocol_sha256", "of the protocol file and what it extends"),
            ("program", "version that judged"),
            ("added", "when it was added to the register, UTC"),
            ("judgements", "how many are kept, older ones with it"),
            ("judgement", "number of the newest"),
            ("folder", "where the verdict file lay when it was added"),
            ("verdict_file", "its name there"),
            ("session_file", "name of the session file; null where there was none"),
        ],
    },
    View {
        name: "judgements",
        says: "a line for each judgement, superseded ones too",
        question: "SELECT sheet_number, program, verdict, added FROM judgements WHERE unit = 'unit 017' AND newest = 0",
        columns: of_session![
            ("judgement", "its number, by order of adding"),
            ("newest", "1 or 0: superseded"),
            ("verdict", "as in sessions"),
            ("why", "the verdict's reasons"),
            ("program", "version that judged"),
            ("added", "when it was added, UTC"),
            ("verdict_sha256", "of the verdict file's bytes"),
            ("session_sha256", "of the session file's bytes"),
        ],
    },
    View {
        name: "checks",
        says: "a line for each check of a session's newest judgement",
        question: "SELECT started, phase, value, expanded_uncertainty, verdict FROM checks \
                   WHERE unit = 'unit 017' AND measure = 'mean_error' AND kind = 'ride'",
        columns: of_session![
            PLACE,
            ("kind", "ride, mean (over repeats), contrast or whole ride"),
            ("phase", "the phase's selector, the contrast's name or whole ride"),
            ("repeat", "from 1; null for what is not one ride of a phase"),
            ("surplus", "1: ridden beyond what was asked"),
            ("measure", "as in the protocol"),
            ("value", "in value_unit; null where it could not be computed"),
            ("value_unit", "of all numbers of the line"),
            ("expanded_uncertainty", "null for counts and bounds"),
            ("coverage_factor", "null where there is none"),
            ("limit_low", "null where open"),
            ("limit_high", "null where open"),
            ("conformance_probability", "null where there is none"),
            ("verdict", "pass, fail, undecided, not ridden or not applicable"),
            ("required", "1: the check and its phase count"),
            ("censored", "1: the value is only a bound, at least this much"),
            ("limit_text", "the limit as written"),
            ("reason", "null where there is none"),
        ],
    },
    View {
        name: "repeats",
        says: "a line for each phase with repeats",
        question: "SELECT phase, sum(failed), sum(ridden) FROM repeats WHERE unit = 'unit 017' GROUP BY phase",
        columns: of_session![
            PLACE,
            ("phase", "its selector"),
            ("asked", "repeats"),
            ("ridden", "repeats"),
            ("failed", "repeats"),
            ("undecided", "repeats"),
            ("accept", "how repeats are accepted, as written"),
            ("fault_rate", "0 to 1, null where there is none"),
            ("fault_rate_low", "two-sided interval"),
            ("fault_rate_high", "two-sided interval"),
            ("verdict", "of the phase"),
            ("required", "1: it counts"),
            ("reason", "null where there is none"),
        ],
    },
    View {
        name: "findings",
        says: "a line for each pattern of faults found",
        question: "SELECT unit, started, size, size_unit, says FROM findings WHERE pattern = 'ring-dependent' \
                   ORDER BY started DESC LIMIT 100",
        columns: of_session![
            PLACE,
            ("pattern", "its code"),
            ("size", "in size_unit"),
            ("size_unit", "of size and uncertainty"),
            ("expanded_uncertainty", "null where there is none"),
            ("says", "what, where and how much"),
        ],
    },
    View {
        name: "premises",
        says: "a line for each premise that a verdict rests on, by what it is about; none of verdicts that tested none",
        question: "SELECT unit, started, evidence, takes FROM premises WHERE premise = 'same ride' AND state = 'contradicted' \
                   ORDER BY started DESC LIMIT 100",
        columns: of_session![
            PLACE,
            ("premise", "as protocols name it"),
            ("about", "instruments or phases, with commas between; empty for the session"),
            ("state", "held, contradicted or untested"),
            ("evidence", "one sentence"),
            ("takes", "what it takes away; nothing where it holds"),
        ],
    },
    View {
        name: "rings",
        says: "a line for each ring: the unit's error pooled over its steady phases",
        question: "SELECT started, ring, error_w, expanded_uncertainty_w FROM rings WHERE unit = 'unit 017'",
        columns: of_session![
            PLACE,
            ("ring", "big or small"),
            ("blocks", "pooled"),
            ("error_w", "unit less reference, W"),
            ("expanded_uncertainty_w", "W"),
            ("error_pct", "%"),
            ("expanded_uncertainty_pct", "%"),
            ("reference_w", "mean reference power, W"),
        ],
    },
    View {
        name: "recordings",
        says: "a line for each recording of a session",
        question: "SELECT unit, started, file FROM recordings WHERE sha256 = \
                   'e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855'",
        columns: of_session![
            PLACE,
            ("file", "its name"),
            ("sha256", "of its bytes"),
            ("instrument", "whose it is"),
            ("role", "unit or reference"),
            ("head_unit", "null where it is not known"),
            ("recording_started", "UTC"),
            ("samples", "how many"),
            ("gaps", "how many"),
        ],
    },
    View {
        name: "reference_instruments",
        says: "a line for each reference that a session was judged against",
        question: "SELECT unit, started, sheet_number FROM reference_instruments WHERE label = 'pedal pair P' \
                   ORDER BY started DESC LIMIT 100",
        columns: of_session![
            PLACE,
            ("label", "of the reference"),
            ("reference_located", "where it measures"),
            ("reference_sides", "what it measures"),
            ("reference_model", "null where it was not given"),
            ("reference_serial", "null where it was not given"),
            ("reference_firmware", "null where it was not given"),
            ("uncertainty", "as stated, k = 2"),
            ("certificate", "null where it was not given"),
            ("mode", "of a trainer, null elsewhere"),
            ("serves", "what it was fit to judge"),
        ],
    },
    View {
        name: "reference_comparisons",
        says: "a line for each pair of references compared over a session",
        question: "SELECT started, first, second, difference_pct, e_n FROM reference_comparisons WHERE unit = 'unit 017'",
        columns: of_session![
            PLACE,
            ("first", "label"),
            ("second", "label"),
            ("difference_pct", "second over first less one, %"),
            ("expanded_uncertainty_pct", "%"),
            ("e_n", "difference over its expanded uncertainty (ISO 13528)"),
            ("consistent", "1: within its uncertainty"),
        ],
    },
];

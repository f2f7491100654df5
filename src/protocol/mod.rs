//! What should happen: YAML to [`Protocol`].
//!
//! Takes a protocol file (and those that it extends) and gives the plan, or every mistake at its place. From the ground
//! up: `asked.rs`, `drill.rs`, `measure.rs` and `model.rs` say what a plan is made of; `sentences/` reads single texts,
//! `yaml/` files; `drills/` has a file for each drill; `phases.rs`, `contrasts.rs` and `parse.rs` put it together.
//!
//! # The language
//!
//! A protocol is one YAML file that begins with `assize: 1`. File order is ride order. Unknown keys are
//! mistakes. Texts are taken as written: `revision: 1.10` stays `1.10`, and `no` is a word.
//!
//! | key | value | if left out |
//! | --- | --- | --- |
//! | `assize` | `1`, the version of the language | needed |
//! | `extends` | a protocol file, from this file's folder. What is written here wins: key by key at the top and in `needs`, `decision`, `basis`, `whole_ride`; phases and contrasts by name, again key by key (a phase with another `drill` anew). Other values are replaced whole | |
//! | `title`, `revision` | text | needed |
//! | `purpose` | text: the question that the protocol answers | |
//! | `setting` | `indoor`, `road`, `rig` | `indoor` |
//! | `order` | `as_written`; `any`: phases come when the road brings them | `as_written` |
//! | `needs` | `{references: 2, warm_up: 10 min, certificates: valid, held: [clocks, bike]}`. `certificates: valid`: a reference without a certificate that was valid on the day is out. `held`: one or more of `own recording`, `firmware`, `two instruments`, `measured`, `same ride`, `clocks`, `references`, `covered`, `bike`, `protocol ridden`, `as asked`, `pins`, `certificates`, `dates`, `readings` (`src/premise.rs`), without which nothing can pass | one reference |
//! | `off_target` | of all phases that do not say so themselves, below | `undecided` |
//! | `decision` | `{rule: guarded, coverage: 95 %}`; the rule may be `simple` | guarded, 95 % |
//! | `basis` | `{threshold_power: 250 W}`, for targets as `80 % of threshold_power`; a session's own value overrules it | |
//! | `phases` | a list, below | needed |
//! | `contrasts` | a list of `{contrast: NAME, of: SELECTOR, against: SELECTOR, measure, limit, advisory}` | |
//! | `whole_ride` | checks: `work_error`, `drift_time`, `drift_temperature`, `linearity`, `dropout_time`, `held_time`, `spike` | |
//!
//! ## Phases
//!
//! | key of every phase | value | if left out |
//! | --- | --- | --- |
//! | `phase` | its name: letters, digits, `-`, `_`, `.` | needed |
//! | `drill` | one of those below | needed |
//! | `for_each` | `{ring: [big, small], power: [120 W, 180 W]}`: one phase per combination, the first key outermost; over `ring`, `posture`, `cadence`, and in `steady` drills `power` | |
//! | `order` | `as_written`; `counterbalanced`: the outer key becomes the fastest and turns round each time (big, small, small, big, big, small), so that drift and ring do not look alike | `as_written` |
//! | `ring` | `big`, `small` | either |
//! | `posture` | `seated`, `standing` | either |
//! | `cadence` | `85..95 rpm`, `at least 50 rpm`; `90 rpm` means 85 to 95 rpm | any |
//! | `grade` | `4..9 %` | any |
//! | `repeat` | a number | 1 |
//! | `accept` | `every repeat`, `at least 5 of 6` (one that is missing may be one of those that need not), `fault rate below 40 %` | `every repeat` |
//! | `checks` | measures with limits, below | |
//! | `tolerance` | how far from its target a ride still matches | `20 %` |
//! | `off_target` | what was ridden otherwise than asked (power, effort, length, ring) is scored and shown, and `undecided`; `accept`: it decides all the same | the protocol's |
//! | `advisory: true` | reported, no part in the verdict | |
//! | `optional: true` | scored if ridden, not missed if not | |
//!
//! | drill | its own keys (those in brackets may be left out) | measures |
//! | --- | --- | --- |
//! | `free` | (`power: at most 150 W`), (`lasts: 10 min`) | none |
//! | `wait` | (`lasts: 30 min`), off the bike | none |
//! | `steady` | `power: 200 W`, `lasts: 4 min`, (`settle: 30 s`), (`recover: 1..2 min`, easy spinning between the combinations of `for_each`: optional free phases called `NAME-recovery`) | `mean_error`, `spread`, `left_error`, `right_error`, `cadence_error` |
//! | `sprint` | `effort: at least 600 W`, `lasts: 6..12 s`, (`recover: 90..180 s`) | `work_error`, `peak_error`, `left_error`, `right_error` |
//! | `coast_restart` | `lead_in: 200 W for 20 s`, `coast: 7..12 s`, `restart: at least 300 W for 5..10 s`, (`recover`) | `residual_power`, `phantom_work`, `release_lag`, `onset_lag`, `cadence_release_lag`, `cadence_onset_lag`, `missing_work` |
//! | `soft_pedal` | `surge: 300 W for 10 s`, `soft: 30..90 W for 15..25 s`, (`recover`) | `mean_error` |
//! | `ramp` | `steps: [50 W, 100 W, 200 W]`, `each: 60 s`, (`settle: 15 s`) | `linearity` |
//! | `static_load` | `loads: [5 kg, 10 kg, 5 kg]`, (`sides: [left]`, else both), (`angles: [90 °]`); readings are typed in the session | `torque_error`, `hysteresis` |
//! | `zero_check` | none; readings are typed in the session | `zero_shift` |
//!
//! The five ridden ones from `steady` to `ramp` also have `dropout_time`, `held_time` and `spike`.
//!
//! Of a unit that senses one side and doubles it, the total decides and the side informs; where the phase's checks of the
//! total (`mean_error`, `work_error`) are advisory or left out, the side that it senses decides.
//!
//! Limits are in `%` or `W` for the errors of power, `%` for `work_error`, `missing_work` and `linearity`, `W` for `spike`
//! and `residual_power`, `kJ` for `phantom_work`, `rpm` for `cadence_error`, `s` for times and lags, `W/h` and `W/°C` for drifts,
//! `%` or `N·m` for `torque_error`, `N·m` for `hysteresis`, and a bare number for `zero_shift`.
//!
//! A bare duration is the least where the key is `lasts` or `recover`, and exact elsewhere.
//!
//! ## Sentences
//!
//! | what | forms |
//! | --- | --- |
//! | quantity | a number with a decimal point and a unit; the space between may be left out (`200W`) |
//! | units | `W`, `kW`; `%`; `s`, `min`, `h`; `rpm`; `N·m` (or `Nm`); `kg`, `g`; `m`, `cm`, `mm`; `°`; `°C`; `kJ`, `J`; `W/h`; `W/°C` |
//! | range | `6..12 s`, `30 s..2 min`, `at least 600 W`, `at most 10 s` |
//! | power held | `200 W for 20 s`, `at least 300 W for 5..10 s`, `30..90 W for 15..25 s` |
//! | limit | `within L`, `at most L`, `at least L`, `between -1 % and 3 %`, `within claim` (what the session says that the unit claims; errors of power), `none` (`dropout_time`, `held_time`, `zero_shift`) |
//! | L | `2 %`, `2 % or 3 W` (the wider at the phase's reference value), `2 % and 3 W` (the narrower) |
//! | check, long | `{limit: within 2 %, advisory: true, clause: "5.3", over: 5 s}`; `over` for `peak_error` only |
//! | selector | `steady[ring=small, power=120 W]`, `steady[small]` where one key only has this value, `sprints/3` for a repeat |

mod amounts;
mod asked;
mod checks;
mod contrasts;
mod drill;
mod drills;
mod for_each;
mod inherit;
mod measure;
mod model;
mod parse;
mod phases;
mod placed_selectors;
mod plan;
mod ranges;
mod sentences;
mod suggest;
mod yaml;

pub(crate) use amounts::{positive, threshold_power};
pub(crate) use asked::SIDES;
pub use asked::{Hold, Posture, Ring, Side, Target};
pub use contrasts::ComparedPhases;
pub use drill::{Drill, DrillKind, DrillMove, Effort};
pub use drills::{COAST, RESTART, SOFT};
pub(crate) use inherit::overlay;
pub use measure::Measure;
pub use model::*;
pub(crate) use parse::{ReadingNotes, load_noting, read};
pub use parse::{load, load_bytes};
pub(crate) use placed_selectors::{Phases, placed_repeat, placed_selector};
pub(crate) use ranges::{ANGLE, MASS, threshold_watts};
pub(crate) use sentences::plausible::{PlausibleRange, range};
pub use sentences::print::{range_in_words, trim};
pub use sentences::quantities::watts;
pub use sentences::reader::TextMistake;
pub use sentences::selectors::{one_repeat, selector};
pub(crate) use suggest::nearest;
pub(crate) use yaml::{Body, FileKind, MapKeys, MovedFiles, Node, OpenedCard, SourceFiles, TextPlace, hex};

//! Errors of mean power and of work, over a window or the whole ride.

use crate::ride::Window;
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::drills::EFFORT_TAIL_S;
use crate::scoring::stop::{READINGS_FOLLOW_S, Stop};
use crate::scoring::value::Value;

use super::measure::{MeasureScoring, Needs, Repeats, first_unit};

// What one repeat's work scatters by is the scale of how that differs from session to session, fitted to 1,000 simulated
// sessions; benches/gate.rs prints how often single repeats and their means cover the truth.
const WORK_SCATTER_PCT: f64 = 1.5;
const MISSING_WORK_SCATTER_PCT: f64 = 2.1;

/// Missing work is taken from this long before the restart, so that an early reading falls inside. Part of what the measure
/// means; common practice, no source.
const RESTART_LEAD_S: f64 = 2.0;

pub const MEAN_ERROR: MeasureScoring = MeasureScoring {
    needs: Needs::AsTheDrill,
    in_phase: |phase, check| phase.context.mean_error(phase.drill.mean_needs(), phase.window, first_unit(&check.limit)),
    over_ride: |ride, check| ride.context.mean_error(ReferenceNeed::SteadyPower, ride.window, first_unit(&check.limit)),
    ..MeasureScoring::NONE
};

pub const WORK_ERROR: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::ShortWork),
    in_phase: |phase, check| phase.context.mean_error(ReferenceNeed::ShortWork, phase.window, first_unit(&check.limit)),
    repeats: Repeats::Work(|value| value.per_cent(WORK_SCATTER_PCT).max(value.leaps)),
    ..MEAN_ERROR
};

/// Reference work less unit work from 2 s before the restart until 5 s after it ended.
pub const MISSING_WORK: MeasureScoring = MeasureScoring {
    needs: Needs::Always(ReferenceNeed::Edges),
    in_phase: |phase, check| {
        let Stop { restart, .. } = phase.stop()?;
        let end_s = restart.end_s - READINGS_FOLLOW_S + EFFORT_TAIL_S;
        let window = Window { start_s: restart.start_s - RESTART_LEAD_S, end_s };
        let gained = phase.context.mean_error(ReferenceNeed::ShortWork, window, first_unit(&check.limit))?;
        Ok(Value { value: -gained.value, ..gained })
    },
    repeats: Repeats::Work(|value| value.per_cent(MISSING_WORK_SCATTER_PCT).max(value.leaps)),
    ..MeasureScoring::NONE
};

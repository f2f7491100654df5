//! What diagnosis asks of a drill, by its moves.

use crate::protocol::{Drill, Effort};

/// From a surge down to little power, turning all the while.
pub(super) fn is_soft_pedalling(drill: &Drill) -> bool {
    let moves = drill.moves();
    moves.len() > 1 && moves.iter().all(|m| matches!(m.effort, Effort::Short(_)))
}

/// As hard as can be.
pub(super) fn is_sprint(drill: &Drill) -> bool {
    drill.moves().iter().any(|m| matches!(m.effort, Effort::AllOut(_)))
}

/// Ridden at a power throughout, so that its mean hangs on the unit's level.
pub(super) fn is_of_one_level(drill: &Drill) -> bool {
    let moves = drill.moves();
    !moves.is_empty() && moves.iter().all(|m| matches!(m.effort, Effort::Steady(_) | Effort::Short(_)))
}

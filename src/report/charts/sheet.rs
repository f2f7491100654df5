//! All pictures of a sheet, in its order.

use super::against_power::against_power;
use super::agreement::agreement;
use super::clocks::clock;
use super::contrast::contrast;
use super::phase::{PhasePictures, pictures};
use super::references::references;
use super::rings::rings;
use super::timeline::timeline;
use crate::judge::Judgement;
use crate::report::groups::Group;
use crate::report::picture::Picture;
use crate::verdict::{CheckVerdict, PhaseVerdict};

/// The picture of a clock that was found on a shared channel.
pub struct ClockPicture {
    /// Of its instrument.
    pub label: String,
    pub picture: Picture,
}

/// All pictures of a sheet.
pub struct SheetPictures {
    pub rings: Option<Picture>,
    pub timeline: Picture,
    /// Of each scored group, in order.
    pub phases: Vec<PhasePictures>,
    /// In the verdict's order; `None` for one without a pair to show.
    pub contrasts: Vec<Option<Picture>>,
    pub against_power: Option<Picture>,
    pub agreement: Option<Picture>,
    pub references: Option<Picture>,
    pub clocks: Vec<ClockPicture>,
}

impl SheetPictures {
    /// `groups` are those of the sheet that are scored.
    pub fn of(judgement: &Judgement, groups: &[&Group<'_>]) -> Self {
        let Judgement { verdict, ride, protocol, shown, .. } = judgement;
        let at =
            |phase: &PhaseVerdict| verdict.phases.iter().position(|p| std::ptr::eq(p, phase)).unwrap_or(usize::MAX);
        let phases = groups.iter().map(|group| {
            let at: Vec<usize> = group.phases.iter().map(|p| at(p)).collect();
            pictures(group, &at, ride, shown)
        });
        let of_contrast = |check: &CheckVerdict| {
            let protocol = protocol.as_ref()?;
            let asked = protocol.contrasts.iter().find(|c| Some(&c.name) == check.contrast.as_ref())?;
            contrast(asked, check, verdict, protocol)
        };
        let traces = std::iter::once(&ride.unit).chain(ride.references.iter().map(|r| &r.trace));
        Self {
            rings: rings(verdict),
            timeline: timeline(verdict, ride),
            phases: phases.collect(),
            contrasts: verdict.contrasts.iter().map(of_contrast).collect(),
            against_power: against_power(verdict, shown),
            agreement: agreement(verdict, ride, shown),
            references: references(verdict, ride, shown),
            clocks: traces
                .filter_map(|trace| Some(ClockPicture { label: trace.label.clone(), picture: clock(trace, ride)? }))
                .collect(),
        }
    }

    /// In the order of the sheet.
    pub fn into_pictures(self) -> Vec<Picture> {
        let overview = self.rings.into_iter().chain([self.timeline]);
        let phases = self.phases.into_iter().flat_map(|p| p.together.into_iter().chain(p.rides.into_iter().flatten()));
        let across = self.contrasts.into_iter().flatten().chain(self.against_power).chain(self.agreement);
        let instruments = self.references.into_iter().chain(self.clocks.into_iter().map(|clock| clock.picture));
        overview.chain(phases).chain(across).chain(instruments).collect()
    }
}

//! What became of each premise.

use super::evidence::{Evidence, PhaseRepeat};
use crate::premise::{PREMISES, Premise, PremiseState, Takes};
use crate::protocol::Protocol;
use crate::session::Session;

/// One premise about one thing.
#[derive(Debug, Clone, PartialEq)]
pub struct TestedPremise {
    pub premise: Premise,
    /// Labels of instruments, or selectors of phases; empty where it is about the session.
    pub about: Vec<String>,
    pub state: PremiseState,
    pub evidence: Evidence,
    pub takes: Takes,
}

impl TestedPremise {
    pub fn held(premise: Premise, about: Vec<String>, evidence: Evidence) -> Self {
        Self { premise, about, state: PremiseState::Held, evidence, takes: Takes::Nothing }
    }

    pub fn untested(premise: Premise, about: Vec<String>, evidence: Evidence) -> Self {
        Self { premise, about, state: PremiseState::Untested, evidence, takes: Takes::Nothing }
    }

    pub fn contradicted(premise: Premise, about: Vec<String>, evidence: Evidence, takes: Takes) -> Self {
        Self { premise, about, state: PremiseState::Contradicted, evidence, takes }
    }

    /// By a test that agrees (`Ok`) or does not.
    pub fn of(premise: Premise, about: Vec<String>, tested: Result<Evidence, Evidence>, takes: Takes) -> Self {
        match tested {
            Ok(evidence) => Self::held(premise, about, evidence),
            Err(evidence) => Self::contradicted(premise, about, evidence, takes),
        }
    }

    pub fn is_contradicted(&self) -> bool {
        self.state == PremiseState::Contradicted
    }
}

/// All that was tested of a session, for one unit.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Premises(pub Vec<TestedPremise>);

impl Premises {
    /// In the table's order; within a premise as they were tested.
    pub fn push(&mut self, tested: impl IntoIterator<Item = TestedPremise>) {
        self.0.extend(tested);
        self.0.sort_by_key(|tested| tested.premise);
    }

    pub fn contradicted(&self) -> impl Iterator<Item = &TestedPremise> {
        self.0.iter().filter(|tested| tested.is_contradicted())
    }

    /// Whether the session can't be judged for this unit.
    pub fn take_verdict(&self) -> bool {
        self.contradicted().any(|tested| tested.takes == Takes::Verdict)
    }

    /// Whether a reference is out.
    pub fn take_reference(&self, label: &str) -> bool {
        self.contradicted().any(|tested| tested.takes == Takes::Reference && tested.about.iter().any(|of| of == label))
    }

    /// Whether a repeat was ridden otherwise than asked, so that it decides nothing.
    pub fn take_repeat(&self, repeat: PhaseRepeat) -> bool {
        self.contradicted().any(|tested| tested.takes == Takes::Repeat && tested.evidence.repeat() == Some(repeat))
    }

    /// Whether nothing that hangs on the unit's clock is decided.
    pub fn take_timing(&self) -> bool {
        self.contradicted().any(|tested| tested.takes == Takes::Timing)
    }

    /// Whether nothing can be decided of the session as a whole.
    pub fn take_pass(&self) -> bool {
        self.0.iter().any(|tested| tested.takes == Takes::Pass)
    }

    /// Whether the readings of a phase, by its selector, are not all there.
    pub fn take_readings(&self, phase: &str) -> bool {
        self.reading(phase).is_some()
    }

    /// What is said of the missing readings of a phase, by its selector.
    pub fn reading(&self, phase: &str) -> Option<&TestedPremise> {
        self.contradicted().find(|tested| tested.takes == Takes::Check && tested.about.iter().any(|of| of == phase))
    }

    /// The longest stretch that a reference, by its label, left unrecorded while others recorded; s.
    pub fn unrecorded_s(&self, is_reference: impl Fn(&str) -> bool) -> f64 {
        let of = |tested: &TestedPremise| match tested.evidence {
            Evidence::Leaves { from_s, to_s } if tested.about.iter().any(|label| is_reference(label)) => to_s - from_s,
            _ => 0.0,
        };
        self.contradicted().map(of).fold(0.0, f64::max)
    }

    /// The session without its teeth, where they are not those of the bike: rings are then not told from speed.
    pub fn without_rings(&self, mut session: Session) -> Session {
        if self.contradicted().any(|tested| tested.takes == Takes::Rings) {
            session.drivetrain.chainrings.clear();
        }
        session
    }

    /// With what the protocol needs to be held: where it is not, nothing can pass.
    pub fn needed_by(self, protocol: &Protocol) -> Self {
        let mut all = self.completed();
        all.need(protocol, |_| true);
        all
    }

    /// Takes the pass by what the protocol needs and does not hold, of premises of which `counts` says so.
    pub fn need(&mut self, protocol: &Protocol, counts: impl Fn(&TestedPremise) -> bool) {
        let needed = |tested: &TestedPremise| protocol.needs.held.contains(&tested.premise);
        for tested in self.0.iter_mut().filter(|tested| needed(tested) && counts(tested)) {
            if tested.state != PremiseState::Held {
                tested.takes = tested.takes.max(Takes::Pass);
            }
        }
    }

    /// The session without the references that are out.
    pub fn without_taken(&self, session: &Session) -> Session {
        let mut left = session.clone();
        left.references.retain(|reference| !self.take_reference(&reference.instrument.label));
        left
    }

    /// A line for each premise of which nothing was said yet.
    pub fn completed(mut self) -> Self {
        let said: Vec<Premise> = self.0.iter().map(|tested| tested.premise).collect();
        let silent = PREMISES.iter().map(|row| row.premise).filter(|premise| !said.contains(premise));
        self.push(silent.map(|premise| TestedPremise::untested(premise, vec![], Evidence::NothingTells)));
        self
    }
}

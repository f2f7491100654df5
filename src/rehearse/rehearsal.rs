//! A rehearsal: the session, its recordings and files, and the truth.

use sha2::{Digest, Sha256};

use crate::protocol::Protocol;
use crate::recording::Recording;
use crate::session::Session;

use super::clock::SimulatedClock;
use super::head_units::encode;
use super::plan::RehearsalPlan;
use super::simulated::{instruments, simulate_ride};
use super::true_ride::truth;
use super::truth::{
    TRUTH_FORMAT, TrueClock, TrueInstrument, TruePhase, TrueRecording, TrueRidden, TrueValue, Truth, TruthFile, Truths,
};

/// A ridden session, as a reader would find it, with what nobody but the simulator knows.
#[derive(Debug, Clone, PartialEq)]
pub struct Rehearsal {
    pub session: Session,
    /// As the bench wears them: the unit's first, then each reference's; then what was recorded after a restart.
    pub recordings: Vec<Recording>,
    /// The FIT file of each recording.
    pub files: Vec<Vec<u8>>,
    pub truth: Truth,
}

/// Rides `protocol` by `plan`, in memory. A seed fixes the ride, the draws and the clocks; a fault added changes
/// nothing but what it should. [`super::check_faults`] says which faults would find nothing to strike.
pub fn simulate(protocol: &Protocol, plan: &RehearsalPlan) -> Rehearsal {
    let mut ride = simulate_ride(protocol, plan);
    let encode = |recording: &mut Recording| {
        let bytes = encode(recording);
        recording.sha256 = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
        recording.bytes = bytes.len() as u64;
        bytes
    };
    let files = ride.recordings.iter_mut().map(encode).collect();
    let (mut session, recordings) = (std::mem::take(&mut ride.session), std::mem::take(&mut ride.recordings));
    let unwritten = std::mem::take(&mut ride.unwritten);
    let mut truth = truth(protocol, ride);
    for ((of, instrument), unwritten) in truth.instruments.iter_mut().zip(instruments(&mut session)).zip(unwritten) {
        let later = instrument.recordings.iter().skip(1);
        of.later_recordings = later.map(|file| file.to_string_lossy().into_owned()).collect();
        of.unwritten = unwritten;
    }
    Rehearsal { session, recordings, files, truth }
}

/// [`simulate`] for whoever needs neither truth nor files: the recordings have no hash.
pub fn record(protocol: &Protocol, plan: &RehearsalPlan) -> (Session, Vec<Recording>) {
    let ride = simulate_ride(protocol, plan);
    (ride.session, ride.recordings)
}

impl Rehearsal {
    /// The truth over the true windows: each repeat as it was ridden.
    pub fn truth_file(&self) -> TruthFile {
        self.truth_over(&self.truth.ridden)
    }

    /// The truth over other windows, those that a judge took say; the rest of the file is the same.
    ///
    /// # Panics
    /// If a phase's index is beyond the protocol's.
    pub fn truth_over(&self, ridden: &[TrueRidden]) -> TruthFile {
        let truth = &self.truth;
        let protocol = self.session.protocol.as_ref().expect("a rehearsal has a protocol");
        let Truths { phases, repeats, rings, contrasts, whole_ride } =
            truth.readings.truths(protocol, ridden, &self.session.readings);
        let of_phase = |(ridden, checks): (&TrueRidden, Vec<TrueValue>)| {
            let phase = &protocol.phases[ridden.phase_index];
            let (first, last) = (ridden.moves.first(), ridden.moves.last());
            TruePhase {
                phase: phase.id.to_string(),
                repeat: ridden.repeat,
                drill: phase.drill.word().to_owned(),
                start_s: first.map_or(ridden.window.start_s, |m| m.start_s),
                end_s: last.map_or(ridden.window.end_s, |m| m.end_s),
                window: ridden.window,
                ring: ridden.ring.word().to_owned(),
                moves: truth.parts(ridden),
                checks,
            }
        };
        TruthFile {
            assize: env!("CARGO_PKG_VERSION").to_owned(),
            truth_format: TRUTH_FORMAT,
            seed: truth.seed,
            date: truth.date,
            protocol_sha256: protocol.sha256.clone(),
            recordings: self.true_recordings(),
            gears: truth.gears.clone(),
            faults: truth.faults.clone(),
            mishaps: truth.mishaps.clone(),
            phases: ridden.iter().zip(phases).map(of_phase).collect(),
            repeats,
            rings,
            contrasts,
            whole_ride,
        }
    }

    fn true_recordings(&self) -> Vec<TrueRecording> {
        let whose = |file: &str| {
            let own = |i: &&TrueInstrument| i.recording == file || i.later_recordings.iter().any(|later| later == file);
            self.truth.instruments.iter().find(own)
        };
        let of = |(recording, clock): (&Recording, &SimulatedClock)| {
            let file = recording.file.to_string_lossy();
            let instrument = whose(&file)?;
            Some(TrueRecording {
                file: file.into_owned(),
                sha256: recording.sha256.clone(),
                instrument: instrument.label.clone(),
                gain_pct: instrument.gain_pct,
                offset_w: instrument.offset_w,
                clock: TrueClock {
                    offset_s: clock.stamps_off_s(),
                    drift_ppm: clock.drift_ppm,
                    jump_s: clock.jump_s,
                    jump_at_s: clock.jump_at_s,
                },
                strap_delay_s: instrument.strap_delay_s,
                unwritten: instrument.unwritten.clone(),
            })
        };
        self.recordings.iter().zip(&self.truth.clocks).filter_map(of).collect()
    }
}

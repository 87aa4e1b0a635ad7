//! From a fold to the answer: sign-offs, the release reference, silent devices, and where everything shows.

use super::case::Case;
use super::item::ItemKind;
use super::state::State;
use super::{devices, people, release, sentence};
use crate::bytes::Id;

impl Case<'_> {
    /// All that is open on the aircraft, judged at a time.
    pub(super) fn state(&self, time_s: u64, planned_s: Option<u64>) -> State {
        let mut folded = self.fold(time_s, planned_s, &|_| true);
        let signed = people::sign_offs(self, &folded);
        folded.opens.extend(people::open_items(&folded, &signed));
        release::follow(self, &mut folded);
        // What was published since a sign-off that stands was not published while the wash was open.
        let stands = |wash: Id| signed.get(&wash).is_some_and(people::SignOffState::stands);
        folded.opens.retain(|open| open.kind != ItemKind::ProcedureRevised || !open.wash.is_some_and(stands));
        folded.opens.extend(devices::refused(self, &folded, Some(&signed)));
        let (outstanding, heard_until_ms) = devices::outstanding(self, &folded, &signed);
        folded.opens.extend(outstanding);
        let mut state = sentence::place(&folded, &self.aircraft);
        state.washes = people::washes_of(&folded, &signed, &self.aircraft);
        state.devices_heard_until_ms = heard_until_ms;
        state.clock_unsure_since = self.history.clock_unsure_since(self.size);
        state
    }
}

//! The end of every run of every device: all that is needed to check the place that comes next. The places themselves
//! are not kept, so that this grows with runs and not with facts.

use std::collections::HashMap;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::MAX_LOST_PLACES;
use rinsebook_proto::fact::{Header, Kind};

/// Where a run ends.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct End {
    pub(super) next_counter: u64,
    /// What the next fact must name; none: anything, at a run's first place and after a lost one.
    pub(super) expected_previous: Option<Hash>,
}

/// See the module.
#[derive(Debug, Default)]
pub(super) struct Places {
    runs: HashMap<(Id, Id), End>,
    refused: u64,
    lost: u64,
}

impl Places {
    /// Goes on from a state that was kept.
    pub(super) fn resume(runs: impl Iterator<Item = ((Id, Id), End)>, refused: u64, lost: u64) -> Places {
        Places { runs: runs.collect(), refused, lost }
    }

    /// Every run, by device and run.
    pub(super) fn runs(&self) -> impl Iterator<Item = (&(Id, Id), &End)> {
        self.runs.iter()
    }

    /// Runs, places held by refusals, places lost.
    pub(super) fn counts(&self) -> (u64, u64, u64) {
        (self.runs.len() as u64, self.refused, self.lost)
    }

    /// Takes an admitted fact at its place.
    pub(super) fn admit(&mut self, header: &Header, hash: Hash) -> Result<(), String> {
        let end = self.runs.entry((header.device, header.run)).or_default();
        if header.counter != end.next_counter {
            return Err(format!("place {} of its run is not the next, {}", header.counter, end.next_counter));
        }
        if end.expected_previous.is_some_and(|expected| expected != header.previous) {
            return Err("it does not name what holds the place before it".to_owned());
        }
        *end = End { next_counter: after(header.counter, 1)?, expected_previous: Some(hash) };
        Ok(())
    }

    /// Takes the places that a fact of the service speaks of.
    pub(super) fn told(&mut self, kind: &Kind) -> Result<(), String> {
        match kind {
            Kind::FactRefused(b) => {
                let digest = Hash::from_slice(&b.received_digest).ok_or("a refusal without a digest")?;
                self.take(&b.device, &b.run, b.counter, 1, Some(digest))?;
                self.refused += 1;
            }
            Kind::PlacesLost(b) => {
                let beyond_first =
                    b.last_counter.checked_sub(b.first_counter).ok_or("a lost range that runs backwards")?;
                let count = beyond_first.saturating_add(1);
                if count > MAX_LOST_PLACES {
                    return Err("a service fact gives up more places than one may".to_owned());
                }
                self.take(&b.device, &b.run, b.first_counter, count, None)?;
                self.lost += count;
            }
            _ => {}
        }
        Ok(())
    }

    fn take(
        &mut self,
        device: &[u8],
        run: &[u8],
        counter: u64,
        count: u64,
        expected_previous: Option<Hash>,
    ) -> Result<(), String> {
        let (Some(device), Some(run)) = (Id::from_slice(device), Id::from_slice(run)) else {
            return Err("a service fact names no device or run".to_owned());
        };
        let end = self.runs.entry((device, run)).or_default();
        if counter != end.next_counter {
            return Err("a service fact takes a place that is not the next".to_owned());
        }
        *end = End { next_counter: after(counter, count)?, expected_previous };
        Ok(())
    }
}

fn after(counter: u64, count: u64) -> Result<u64, String> {
    counter.checked_add(count).ok_or_else(|| "its run has no places left".to_owned())
}

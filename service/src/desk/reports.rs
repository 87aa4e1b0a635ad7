//! What devices say of themselves: recorded, answered, and compared with what is here.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::MAX_LOST_PLACES;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::v1;

use super::{Desk, Peer};

impl Desk {
    /// Records a device's signed report, and the places that it calls lost.
    ///
    /// A device that has not learnt yet which record this is says nothing about it: its report is answered, not recorded.
    pub fn record_report(&mut self, device: Id, envelope: &[u8], report: &v1::Report) {
        if report.record != self.record.0 {
            return;
        }
        self.compare_with(&report.checkpoint_note);
        if self.standstill.why().is_some() {
            return;
        }
        let subjects = || vec![Subject::Device(device)];
        for lost in &report.lost {
            let Some(run) = Id::from_slice(&lost.run) else { continue };
            let follows = lost.first_counter == self.runs.next_counter(device, run);
            let sane =
                lost.last_counter >= lost.first_counter && lost.last_counter - lost.first_counter < MAX_LOST_PLACES;
            if follows && sane {
                let kind = Kind::PlacesLost(v1::PlacesLost {
                    device: device.to_vec(),
                    run: lost.run.clone(),
                    first_counter: lost.first_counter,
                    last_counter: lost.last_counter,
                    report: envelope.to_vec(),
                });
                self.record_own(kind, subjects(), vec![]);
            }
        }
        let kind = Kind::DeviceReported(v1::DeviceReported { report: envelope.to_vec() });
        self.record_own(kind, subjects(), vec![]);
    }

    /// What a device had seen of this log, under one of its keys: more, or other, than is here means that an older state
    /// was put back, or that another service signs too.
    fn compare_with(&mut self, note: &str) {
        let Some(seen) = self.signing.open_any(note) else { return };
        let kept = self.signing.kept_of(&seen.origin);
        if kept.is_some_and(|kept| seen.size > kept) {
            return;
        }
        let (size, _) = self.size_and_root();
        let other = seen.size <= size
            && self.tree.read().expect("readers of the tree do not panic").root(seen.size) != seen.root;
        if seen.size > size || other {
            let why = format!(
                "a device has seen {} at {} entries, and this log {}: an older state was put back here, or another \
                 service signs with its key. Call the custodian; see the part on restoring in the service's guide",
                seen.origin,
                seen.size,
                if other { "has others there".to_owned() } else { format!("has {size}") },
            );
            self.standstill.begin(&why);
        }
    }

    /// Where the service stands with a device: its runs named in the report. The note is put in when it may leave.
    pub fn standing(&self, peer: &Peer, report: &v1::Report) -> v1::Standing {
        let named = [&report.run, &report.head_run].map(|run| Id::from_slice(run));
        let mut runs: Vec<Id> = named.into_iter().flatten().collect();
        runs.dedup();
        let device = peer.device.unwrap_or_default();
        v1::Standing {
            service_time_ms: self.clock.wall_ms(),
            runs: runs.into_iter().map(|run| self.run_standing(device, run)).collect(),
            checkpoint_note: String::new(),
            record: if self.record == Hash::ZERO { Vec::new() } else { self.record.to_vec() },
        }
    }

    /// Next counter, and what the run's next fact names as previous.
    fn run_standing(&self, device: Id, run: Id) -> v1::RunStanding {
        v1::RunStanding {
            run: run.to_vec(),
            next_counter: self.runs.next_counter(device, run),
            last: self.runs.expected_previous(device, run).unwrap_or(Hash::ZERO).to_vec(),
        }
    }
}

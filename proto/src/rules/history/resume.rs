//! Put down in stretches, and taken up again.

use super::super::{Recorded, SignatureState, kinds};
use super::growing::Growing;
use super::stretch::Stretch;
use super::{History, as_aircraft};
use crate::bytes::{Hash, Id};

impl History {
    /// From here on what is added is kept for [`end_stretch`](Self::end_stretch).
    pub fn begin_stretch(&mut self) {
        self.growing = Some(Growing::new(self.size()));
    }

    /// What was added since the stretch began. None where none was begun; what is added from here on belongs to none.
    pub fn end_stretch(&mut self) -> Option<Stretch> {
        let growing = self.growing.take()?;
        Some(growing.done(self.enrolments.erasures().all()))
    }

    /// What is added from here on belongs to that stretch, which was [resumed](Self::resume) last.
    pub fn go_on_with(&mut self, stretch: Stretch) {
        self.growing = Some(Growing::again(stretch, &mut self.subjects));
    }

    /// Takes the next entries as a stretch: `whole` are those that it says have to be read whole.
    ///
    /// # Panics
    /// If it does not [fit](Stretch::fits), or does not go on from the last entry.
    pub fn resume(&mut self, stretch: &Stretch, whole: &[Recorded], attachment: &dyn Fn(&Hash) -> Option<Vec<u8>>) {
        assert_eq!(stretch.first, self.size(), "a stretch goes on from the last entry");
        self.growing = None;
        self.facts.push_all((0..).zip(stretch.times_ms()).map(|(at, received_ms)| stretch.mark(at, received_ms)));
        self.resume_indices(stretch);
        self.enrolments.hear_stretch(stretch.unsure(), stretch.known());
        for recorded in whole {
            if recorded.signature == SignatureState::Unchecked {
                let at = self.facts.place(recorded.index).expect("an entry of this stretch");
                match self.check_late(recorded) {
                    Some(good) => self.facts.set_good(at, good),
                    None => self.waiting.entry(recorded.fact.header().author_key).or_default().push(at),
                }
            }
            if self.take_in(recorded, attachment) {
                self.try_waiting();
            }
        }
    }

    fn resume_indices(&mut self, stretch: &Stretch) {
        let indices = |at: &[u32]| -> Vec<u64> { at.iter().map(|at| stretch.index(*at)).collect() };
        for of in &stretch.kinds {
            let name = kinds::named(&of.name).expect("a stretch that fits");
            let mut indices = indices(&of.at);
            if matches!(name, "procedure-published" | "procedure-withdrawn") {
                self.revisions.extend(&indices);
            }
            self.by_kind.entry(name).or_default().append(&mut indices);
        }
        self.revisions.sort_unstable();
        let numbers: Vec<u32> = stretch.subjects.each().map(|of| self.subjects.number(&of.subject)).collect();
        for (number, of) in numbers.iter().zip(stretch.subjects.each()) {
            if !of.at.is_empty() {
                self.aircraft.extend(as_aircraft(&of.subject));
                self.subjects.add_all(*number, of.at.iter().map(|at| stretch.index(*at)));
            }
            for other in of.beside {
                self.subjects.beside(*number, numbers[*other as usize]);
            }
        }
        let mut starts = Vec::new();
        for of in &stretch.runs {
            let id = |bytes: &[u8]| Id::from_slice(bytes).expect("a stretch that fits");
            let (device, indices) = (id(&of.device), indices(&of.at));
            let places: Vec<(u64, u64)> = of.counters.iter().copied().zip(indices).collect();
            starts.extend(places.iter().filter(|(counter, _)| *counter == 0).map(|(_, index)| (*index, device)));
            self.runs.entry((device, id(&of.run))).or_default().extend(places);
        }
        starts.sort_unstable();
        starts.into_iter().for_each(|(index, device)| self.run_starts.entry(device).or_default().push(index));
        for awaited in &stretch.awaited {
            let hash = Hash::from_slice(&awaited.hash).expect("a stretch that fits");
            let about = awaited.about.iter().map(|number| self.subjects.subject(numbers[*number as usize]).clone());
            self.awaited.entry(hash).or_default().extend(about);
        }
    }
}

//! Damage to a line: it is repaired to data or its part replaced, and then inspected, naming that repair.

use crate::rules::case::Act;

/// One damage of a line.
#[derive(Debug)]
pub(super) struct Damage<'c> {
    /// What raised it: a repair before it mended something else.
    pub(super) raised: Act<'c>,
    repaired: Option<Act<'c>>,
    refused: bool,
}

impl<'c> Damage<'c> {
    pub(super) fn raised(by: &Act<'c>) -> Self {
        Damage { raised: *by, repaired: None, refused: false }
    }

    pub(super) fn repair(&mut self, act: &Act<'c>) {
        let newer = self.repaired.is_none_or(|known| act.is_after(&known));
        if act.counts() && newer && act.is_after(&self.raised) {
            (self.repaired, self.refused) = (Some(*act), false);
        }
    }

    /// Whether a satisfactory inspection ends it: by another person, naming the newest repair.
    pub(super) fn is_mended_by(&self, inspection: &Act<'_>) -> bool {
        self.repaired.is_some_and(|repair| inspection.names(&repair) && inspection.by_another_than(&repair))
    }

    /// Takes a look that was not satisfactory: of the repair, or of something else.
    pub(super) fn refuse(&mut self, inspection: &Act<'_>) {
        if self.repaired.is_some_and(|repair| inspection.names(&repair)) {
            (self.repaired, self.refused) = (None, true);
        }
    }

    pub(super) fn detail(&self) -> String {
        match (&self.repaired, self.refused) {
            (Some(_), _) => "repaired, and not inspected yet",
            (None, true) => "its repair was found not satisfactory",
            (None, false) => "not repaired yet",
        }
        .to_owned()
    }
}

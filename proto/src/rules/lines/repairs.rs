//! Damage to a line: it is repaired to data or its part replaced, and then inspected, naming that repair.

use crate::rules::act::Act;

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
        let found_good = |repair: Act<'_>| inspection.names(&repair) && inspection.by_another_than(&repair);
        !self.refused && self.repaired.is_some_and(found_good)
    }

    /// Takes a look that found the repair not satisfactory; false where it looked at something else.
    pub(super) fn refuse(&mut self, inspection: &Act<'_>) -> bool {
        let named = self.repaired.is_some_and(|repair| inspection.names(&repair));
        self.refused |= named;
        named
    }

    pub(super) fn detail(&self) -> String {
        match (&self.repaired, self.refused) {
            (_, true) => "its repair was found not satisfactory",
            (Some(_), false) => "repaired, and not inspected yet",
            (None, false) => "not repaired yet",
        }
        .to_owned()
    }
}

//! Facts that cannot be read: they block, open what they open, and close nothing.

use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use crate::fact::Subject;

/// An item for each fact that cannot be read, on all that it is about.
pub(super) fn unread<'c>(context: &Context<'c>, acts: &[Act<'c>]) -> Vec<Open<'c>> {
    let about = |act: &Act<'c>, why: &String| {
        let engines = act.header().subjects.iter().filter_map(|s| match s {
            Subject::Engine(serial) => Some(serial.clone()),
            _ => None,
        });
        let belongs = Belongs { aircraft: context.aircraft(act).into_iter().collect(), engines: engines.collect() };
        let mut open = Open::new(ItemKind::UnreadFact, *act, belongs).about(act.hash().short());
        open.detail = why.clone();
        open
    };
    let read = acts.iter().filter(|act| !act.revived);
    read.filter_map(|act| act.fact.unread.as_ref().map(|why| about(act, why))).collect()
}

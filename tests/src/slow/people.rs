//! One person's second look where no other could be had.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1::CheckResult;

use super::order::{Act, View};

/// Whether the second look of the person who did the work counts for it: found good, settled as counting by another
/// person, and the procedure does not require an inspector.
pub fn reinspected_alone_counts(view: &View, work: &Act, upto: usize) -> bool {
    if view.procedure(work).is_none_or(|p| p.people.inspector_required) {
        return false;
    }
    view.acts.iter().any(|look| {
        let Some(Kind::ReinspectedAlone(b)) = &look.fact.kind else { return false };
        b.result == CheckResult::Satisfactory as i32
            && look.fact.names(&work.fact)
            && look.counts(upto)
            && view
                .acts
                .iter()
                .any(|s| settles(s, look, "re-inspected-alone", &look.fact.newest_hash()) && s.counts(upto))
    })
}

fn settles(settlement: &Act, look: &Act, rule: &str, finding_on: &Hash) -> bool {
    let Some(Kind::FindingSettled(b)) = &settlement.fact.kind else { return false };
    b.rule == rule
        && b.act_counts == Some(true)
        && settlement.fact.header().refers.contains(finding_on)
        && settlement.by_another_than(look)
}

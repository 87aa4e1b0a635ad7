//! Lines of an engine: opened, closed, secured, inspected, leak-checked, damaged.

use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::procedure::Line;
use rinsebook_proto::v1::{CheckResult, LineReconnected};

use super::findings::{Breach, Severity};
use super::items::OpenItem;
use super::order::{Act, NOW, View};

const SECONDS_A_DAY: i64 = 86_400;

/// Every line of an engine that some act names.
fn lines_of(view: &View, serial: &str) -> Vec<String> {
    let mut lines: Vec<String> = view.of_engine(serial, NOW).filter_map(|a| a.fact.line().map(str::to_owned)).collect();
    lines.sort();
    lines.dedup();
    lines
}

/// Acts about one line before a place.
fn of_line<'v>(view: &'v View, serial: &'v str, line: &'v str, upto: usize) -> impl Iterator<Item = &'v Act> + Clone {
    view.of_engine(serial, upto).filter(move |a| a.fact.line() == Some(line))
}

fn reconnection(act: &Act) -> Option<&LineReconnected> {
    if let Some(Kind::LineReconnected(b)) = &act.fact.kind { Some(b) } else { None }
}

fn is_disconnection(act: &Act) -> bool {
    matches!(act.fact.kind, Some(Kind::LineDisconnected(_)))
}

/// Disconnected, and not reconnected after: the disconnections of that line that no counting reconnection follows.
pub fn disconnected<'v>(view: &'v View, serial: &'v str, line: &'v str, upto: usize) -> Vec<&'v Act> {
    let acts = of_line(view, serial, line, upto);
    let openings: Vec<&Act> = acts.clone().filter(|a| is_disconnection(a)).collect();
    let joints = of_line(view, serial, line, NOW).filter(|a| reconnection(a).is_some());
    let closes = |r: &Act, d: &Act| {
        reconnection(r).is_some() && r.closes(d, upto) && r.is_sure_against(&openings, joints.clone())
    };
    openings.iter().copied().filter(|d| !acts.clone().any(|r| closes(r, d))).collect()
}

/// The joints that the line's items speak of: its newest reconnection that counts, which takes the place of older ones, and
/// any after it that does not count, for that opens what a reconnection opens whoever signed it. None of them while the line
/// stands open as the record knows it.
fn joints<'v>(view: &'v View, serial: &'v str, line: &'v str, upto: usize) -> Vec<&'v Act> {
    let acts = of_line(view, serial, line, upto);
    let reconnections = acts.clone().filter(|a| reconnection(a).is_some());
    let newest = reconnections.clone().filter(|a| a.counts(upto)).map(|a| a.place).max().unwrap_or(0);
    if !disconnected(view, serial, line, upto).is_empty() {
        return Vec::new();
    }
    reconnections.filter(|a| a.place >= newest).collect()
}

/// What the procedure of that act says about the line; none: the line is not listed.
fn listed<'v>(view: &'v View, act: &Act) -> Option<&'v Line> {
    view.procedure(act)?.line(act.fact.line()?)
}

/// The torque asked is missing or outside its window.
fn torque_out(asked: Option<&Line>, b: &LineReconnected) -> bool {
    let Some(line) = asked else { return false };
    let (Some(min), Some(max)) = (line.torque_min_millinewton_metres, line.torque_max_millinewton_metres) else {
        return false;
    };
    b.torque_millinewton_metres.is_none_or(|t| t < min || t > max)
}

/// The tool is past its date on the day of the work.
fn tool_past_date(act: &Act, b: &LineReconnected) -> bool {
    let due = b.tool.as_ref().and_then(|t| t.calibration_due_unix_day);
    due.is_some_and(|day| i64::from(day) < act.fact.happened_s as i64 / SECONDS_A_DAY)
}

/// Reconnected without the torque or locking asked, torque outside the window, or tool past its date.
fn unsecured(view: &View, act: &Act) -> bool {
    let Some(b) = reconnection(act) else { return false };
    let asked = listed(view, act);
    let locking_missing = asked.and_then(|l| l.locking).is_some_and(|locking| !locking.is(b.locking));
    torque_out(asked, b) || locking_missing || tool_past_date(act, b)
}

/// The inspector did, torqued, locked or helped with the work.
fn had_a_hand(inspection: &Act, work: &Act) -> bool {
    let helpers = reconnection(work).map(|b| b.helpers.as_slice()).unwrap_or_default();
    inspection.person.is_some_and(|p| work.person == Some(p) || helpers.iter().any(|h| *h == p.to_vec()))
}

/// Two known persons, of whom the inspector had no hand in the work.
fn independent(inspection: &Act, work: &Act) -> bool {
    inspection.by_another_than(work) && !had_a_hand(inspection, work)
}

/// The inspections of that line that name the joint: each with whether it was satisfactory.
fn inspections<'v>(
    view: &'v View,
    serial: &'v str,
    joint: &'v Act,
    upto: usize,
) -> impl Iterator<Item = (&'v Act, bool)> + Clone {
    let line = joint.fact.line().unwrap_or_default();
    of_line(view, serial, line, upto).filter(move |a| a.fact.names(&joint.fact)).filter_map(|a| match &a.fact.kind {
        Some(Kind::Inspected(b)) => Some((a, b.result == CheckResult::Satisfactory as i32)),
        _ => None,
    })
}

/// Satisfactory, by another person who did not help; or one person's second look that its settlement lets count, where the
/// procedure requires no inspector.
fn inspected(view: &View, serial: &str, joint: &Act, upto: usize) -> bool {
    inspections(view, serial, joint, upto).any(|(i, good)| good && i.counts(upto) && independent(i, joint))
        || super::people::reinspected_alone_counts(view, joint, upto)
}

/// The newest act that found the line not good, an inspection or a leak check, that no new reconnection and no opening
/// follows: whoever signed it and whatever it names.
fn found_bad<'v>(view: &'v View, serial: &'v str, line: &'v str, upto: usize) -> Option<&'v Act> {
    // An open line is not connected at all: there is nothing to do again.
    if !disconnected(view, serial, line, upto).is_empty() {
        return None;
    }
    let acts = of_line(view, serial, line, upto);
    let bad = |a: &Act| match &a.fact.kind {
        Some(Kind::Inspected(b)) => b.result == CheckResult::NotSatisfactory as i32,
        Some(Kind::LeakChecked(b)) => b.result == CheckResult::NotSatisfactory as i32,
        _ => false,
    };
    // An inspection that names an older joint speaks of that one; anything else of the line as it was then.
    let joint = |bad: &Act| acts.clone().filter(|r| reconnection(r).is_some() && bad.fact.names(&r.fact)).last();
    let done_again = |bad: &Act| {
        let spoken_of = joint(bad).unwrap_or(bad);
        acts.clone().any(|r| {
            let newer = r.place > spoken_of.place && r.counts(upto);
            // Nobody knows whether it was made before or after what was found.
            let sure = bad.place > r.place || !r.unsure_against(bad);
            let made_again = reconnection(r).is_some() && newer && sure;
            made_again || (is_disconnection(r) && r.place > bad.place)
        })
    };
    // A look that finds the repair of a damage bad leaves the damage: repairing it again is the work done again.
    let of_a_repair = |bad: &Act| {
        let standing = damages_before(view, serial, line, bad.place);
        standing
            .into_iter()
            .any(|damage| newest_repair(view, serial, damage, bad.place).is_some_and(|r| bad.fact.names(&r.fact)))
    };
    acts.clone().filter(|a| bad(a) && !done_again(a) && !of_a_repair(a)).last()
}

/// The joint, or the newest leak check after it that was not satisfactory, where no good leak or function check follows.
fn leak_check_due<'v>(view: &'v View, serial: &'v str, joint: &'v Act) -> Option<&'v Act> {
    let line = joint.fact.line().unwrap_or_default();
    let result = |a: &Act| if let Some(Kind::LeakChecked(b)) = &a.fact.kind { Some(b.result) } else { None };
    let after = of_line(view, serial, line, NOW).filter(|a| a.place > joint.place);
    let bad = after.clone().filter(|a| result(a) == Some(CheckResult::NotSatisfactory as i32)).last();
    let by = bad.unwrap_or(joint);
    // Every reconnection of the line asks for it, and every check that was bad: it is sure against each of them.
    let is_good = |a: &Act| result(a) == Some(CheckResult::Satisfactory as i32);
    let all = || of_line(view, serial, line, NOW);
    let asking: Vec<&Act> = all().filter(|a| reconnection(a).is_some() || result(a).is_some() && !is_good(a)).collect();
    let checks: Vec<&Act> = all().filter(|a| is_good(a)).collect();
    let sure = |a: &Act| a.is_sure_against(&asking, checks.iter().copied());
    let good = after.clone().any(|a| is_good(a) && a.closes(by, NOW) && sure(a));
    (!good).then_some(by)
}

/// An inspection is asked for this joint: the procedure asks one of its line, or does not list the line.
fn needs_inspection(view: &View, joint: &Act) -> bool {
    listed(view, joint).is_none_or(|l| l.inspection)
}

/// Every joint of the engine closed, secured and inspected, as the acts before a place tell: what a waiver rests on.
pub fn all_closed_and_inspected(view: &View, serial: &str, upto: usize) -> bool {
    lines_of(view, serial).iter().all(|line| {
        disconnected(view, serial, line, upto).is_empty()
            && found_bad(view, serial, line, upto).is_none()
            && joints(view, serial, line, upto)
                .into_iter()
                .all(|j| !unsecured(view, j) && (!needs_inspection(view, j) || inspected(view, serial, j, upto)))
    })
}

/// Every line of the engine connected at a place of the order.
pub fn all_connected(view: &View, serial: &str, upto: usize) -> bool {
    lines_of(view, serial).iter().all(|line| disconnected(view, serial, line, upto).is_empty())
}

/// Every line of the engine connected at an instant, as the acts that happened by then and stand before a place tell.
pub fn all_connected_at(view: &View, serial: &str, instant_s: u64, upto: usize) -> bool {
    lines_of(view, serial).iter().all(|line| {
        let then = of_line(view, serial, line, upto).filter(|a| a.fact.happened_s <= instant_s);
        let closed = |d: &Act| then.clone().any(|r| reconnection(r).is_some() && r.closes(d, upto));
        !then.clone().any(|a| is_disconnection(a) && !closed(a))
    })
}

/// All items of an engine's lines, in the order of the table.
pub fn items(view: &View, serial: &str, out: &mut Vec<OpenItem>) {
    for line in &lines_of(view, serial) {
        let mut open = |kind: &'static str, by: &Act| {
            out.push(OpenItem::of_engine(view, kind, by, serial).about(line));
        };
        // line-disconnected: any line disconnected, listed or not, until the same line of the same engine is reconnected.
        if let Some(first) = disconnected(view, serial, line, NOW).first() {
            open("line-disconnected", first);
        }
        let rework = found_bad(view, serial, line, NOW);
        let joints = joints(view, serial, line, NOW);
        let loose = joints.iter().rfind(|j| unsecured(view, j));
        // line-unsecured: without the torque or locking asked, or with a tool past its date.
        if let Some(joint) = loose {
            open("line-unsecured", joint);
        }
        // inspection-due: until somebody who had no part in it finds that very joint good.
        let due = |j: &&&Act| needs_inspection(view, j) && !inspected(view, serial, j, NOW);
        if let Some(joint) = joints.iter().find(due).filter(|_| loose.is_none() && rework.is_none()) {
            open("inspection-due", joint);
        }
        // rework-due: found not good; only the work done again ends it.
        if let Some(by) = rework {
            open("rework-due", by);
        }
        // leak-check-due: where the procedure asks, until a good check after the joint.
        let asked = |j: &&&Act| listed(view, j).is_some_and(|l| l.leak_check);
        if let Some(by) = joints.iter().rfind(asked).and_then(|j| leak_check_due(view, serial, j)) {
            open("leak-check-due", by);
        }
        // line-damaged: until repaired to data or replaced, then inspected.
        if let Some(first) = damages_before(view, serial, line, NOW).first() {
            open("line-damaged", first);
        }
    }
}

fn is_damage(act: &Act) -> bool {
    matches!(act.fact.kind, Some(Kind::DefectRaised(_)))
}

fn is_repair(act: &Act) -> bool {
    match &act.fact.kind {
        Some(Kind::LineRepaired(b)) => !b.data_reference.is_empty(),
        Some(Kind::PartReplaced(_)) => true,
        _ => false,
    }
}

/// The newest repair of a damage before a place.
fn newest_repair<'v>(view: &'v View, serial: &'v str, damage: &'v Act, upto: usize) -> Option<&'v Act> {
    let line = damage.fact.line().unwrap_or_default();
    let acts: Vec<&Act> = of_line(view, serial, line, upto).collect();
    let raised: Vec<&Act> = of_line(view, serial, line, NOW).filter(|a| is_damage(a)).collect();
    let repairs = of_line(view, serial, line, NOW)
        .filter(|a| matches!(a.fact.kind, Some(Kind::LineRepaired(_) | Kind::PartReplaced(_))));
    let closes = |a: &Act| a.closes(damage, upto) && a.is_sure_against(&raised, repairs.clone());
    acts.into_iter().rfind(|a| is_repair(a) && closes(a))
}

/// Before a place another person found the newest repair of the damage good, and nobody had found that repair bad.
fn mended<'v>(view: &'v View, serial: &'v str, damage: &'v Act, upto: usize) -> bool {
    let line = damage.fact.line().unwrap_or_default();
    of_line(view, serial, line, NOW).any(|look| {
        let Some(place) = look.closes_from.filter(|place| *place < upto) else { return false };
        let Some(repair) = newest_repair(view, serial, damage, place) else { return false };
        let mut looks = inspections(view, serial, repair, NOW);
        let good = looks.clone().any(|(named, good)| good && named.place == look.place) && independent(look, repair);
        good && !looks.any(|(bad, good)| !good && bad.place < place)
    })
}

/// Damage raised on a line before a place that was not mended by then.
fn damages_before<'v>(view: &'v View, serial: &'v str, line: &'v str, upto: usize) -> Vec<&'v Act> {
    of_line(view, serial, line, upto).filter(|a| is_damage(a) && !mended(view, serial, a, upto)).collect()
}

/// self-inspected: the inspector reconnected, torqued, locked or helped. Major; such an inspection never closes.
pub fn self_inspected(view: &View, out: &mut Vec<Breach>) {
    for inspection in &view.acts {
        // To find one's own work bad breaks no rule.
        let Some(Kind::Inspected(b)) = &inspection.fact.kind else { continue };
        if b.result != CheckResult::Satisfactory as i32 || inspection.person.is_none() {
            continue;
        }
        for work in &view.acts {
            let same = work.fact.line() == inspection.fact.line()
                && inspection.fact.engines().iter().all(|e| work.is_of(&e.serial));
            let is_work = matches!(
                work.fact.kind,
                Some(Kind::LineReconnected(_) | Kind::LineRepaired(_) | Kind::PartReplaced(_))
            );
            if same && is_work && inspection.fact.names(&work.fact) && had_a_hand(inspection, work) {
                out.push(Breach::new(view, "self-inspected", Severity::Major, &[work, inspection]));
            }
        }
    }
}

/// torque-out and tool-uncalibrated: outside the window; past its date on the day. Major.
pub fn torque_and_tool(view: &View, out: &mut Vec<Breach>) {
    for act in &view.acts {
        let Some(b) = reconnection(act) else { continue };
        if b.torque_millinewton_metres.is_some() && torque_out(listed(view, act), b) {
            out.push(Breach::new(view, "torque-out", Severity::Major, &[act]));
        }
        if tool_past_date(act, b) {
            out.push(Breach::new(view, "tool-uncalibrated", Severity::Major, &[act]));
        }
    }
}

/// line-outside-procedure: a line disconnected that the procedure does not list. Major.
pub fn outside_procedure(view: &View, out: &mut Vec<Breach>) {
    for act in view.acts.iter().filter(|a| is_disconnection(a)) {
        if view.procedure(act).is_some() && listed(view, act).is_none() {
            out.push(Breach::new(view, "line-outside-procedure", Severity::Major, &[act]));
        }
    }
}

/// Whether a line's inspection is due, for whoever judges who closed it.
pub fn inspection_due(view: &View, serial: &str, line: &str) -> bool {
    let joints = joints(view, serial, line, NOW);
    joints.into_iter().any(|j| needs_inspection(view, j) && !inspected(view, serial, j, NOW))
}

/// The joint that closes a line now, with the persons who found it good.
pub fn closed_joint<'v>(view: &'v View, serial: &'v str, line: &'v str) -> Option<(&'v Act, Vec<&'v Act>)> {
    let joint = joints(view, serial, line, NOW).into_iter().find(|j| j.counts(NOW))?;
    let good = inspections(view, serial, joint, NOW)
        .filter(|(i, good)| *good && i.counts(NOW) && independent(i, joint))
        .map(|(i, _)| i);
    Some((joint, good.collect()))
}

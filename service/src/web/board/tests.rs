use rinsebook_proto::rules::History;

use super::events::changes_of;
use super::*;

const NOW_MS: u64 = 1_930_377_600_000;

fn item(kind: ItemKind, blocks: v1::Blocks, due_ms: Option<u64>) -> v1::OpenItem {
    v1::OpenItem {
        kind: kind as i32,
        name: kind.name().to_owned(),
        text: format!("{} open.", kind.name()),
        blocks: blocks as i32,
        due_ms,
        ..v1::OpenItem::default()
    }
}

fn aircraft(number: u32, items: Vec<v1::OpenItem>) -> v1::AircraftItems {
    let mut id = [0; 16];
    id[..4].copy_from_slice(&number.to_be_bytes());
    v1::AircraftItems { aircraft: id.to_vec(), registration: format!("ZZ-{number:04}"), items, findings: vec![] }
}

fn row(aircraft: &v1::AircraftItems) -> Row {
    Row::new(aircraft, &History::new(), v1::AsOf { epoch: 1, size: 9, time_ms: NOW_MS })
}

fn shown(aircraft: &[v1::AircraftItems]) -> Shown {
    let mut shown = Shown::default();
    aircraft.iter().for_each(|a| shown.put(row(a)));
    shown
}

fn registrations(rows: &[&Row]) -> Vec<String> {
    rows.iter().map(|row| row.registration.clone()).collect()
}

#[test]
fn overdue_stands_first_then_what_blocks_then_by_due_time() {
    let hour = 3_600_000;
    let shown = shown(&[
        aircraft(1, vec![item(ItemKind::CyclesShort, v1::Blocks::No, None)]),
        aircraft(2, vec![item(ItemKind::RunUpDue, v1::Blocks::Yes, Some(NOW_MS + 2 * hour))]),
        aircraft(3, vec![item(ItemKind::RunUpOverdue, v1::Blocks::Yes, Some(NOW_MS - hour))]),
        aircraft(4, vec![item(ItemKind::LineDisconnected, v1::Blocks::Yes, None)]),
        aircraft(5, vec![item(ItemKind::StartAwaited, v1::Blocks::Condition, Some(NOW_MS + hour))]),
        aircraft(6, vec![item(ItemKind::RunUpDue, v1::Blocks::Yes, Some(NOW_MS + hour))]),
        aircraft(7, vec![]),
    ]);
    let sorted = shown.sorted(&Asked::default());
    assert_eq!(registrations(&sorted), ["ZZ-0003", "ZZ-0006", "ZZ-0002", "ZZ-0004", "ZZ-0005", "ZZ-0001"]);
}

#[test]
fn filters_let_through_what_they_name() {
    let shown = shown(&[
        aircraft(1, vec![item(ItemKind::LineDisconnected, v1::Blocks::Yes, None)]),
        aircraft(12, vec![item(ItemKind::AccessOpen, v1::Blocks::Yes, None)]),
    ]);
    let by = |pair: (&str, &str)| Asked::read(&[(pair.0.to_owned(), pair.1.to_owned())]);
    assert_eq!(registrations(&shown.sorted(&by(("aircraft", "zz-0012")))), ["ZZ-0012"]);
    assert_eq!(registrations(&shown.sorted(&by(("item", "line-disconnected")))), ["ZZ-0001"]);
    assert!(shown.sorted(&by(("station", "nowhere"))).is_empty());
}

#[test]
fn a_change_among_two_thousand_aircraft_is_told_as_one_row_and_to_those_alone_who_show_it() {
    let all: Vec<v1::AircraftItems> = (0..2000)
        .map(|n| {
            let line = item(ItemKind::LineDisconnected, v1::Blocks::Yes, None);
            aircraft(
                n,
                vec![line.clone(), item(ItemKind::AccessOpen, v1::Blocks::Yes, None), line][..2 + n as usize % 2]
                    .to_vec(),
            )
        })
        .collect();
    let mut shown = shown(&all);
    let sorted = shown.sorted(&Asked::default());
    let key = sorted[ROWS_A_PAGE - 1].key.clone();
    let (first, rest) = (Asked { upto: key.clone(), ..Asked::default() }, Asked { after: key, ..Asked::default() });
    let mut told = shown.number;
    assert_eq!(changes_of(&shown, &first, &mut told), 0);

    shown.put(row(&aircraft(3, vec![item(ItemKind::AccessOpen, v1::Blocks::Yes, None)])));
    let (mut here, mut elsewhere) = (told, told);
    let of_here = changes_of(&shown, &first, &mut here);
    assert_eq!(of_here, 2, "the row, and the new count");
    assert_eq!(here, shown.number);
    // Another page is told that it does not stand there, which takes nothing away.
    assert_eq!(changes_of(&shown, &rest, &mut elsewhere), 2);
    assert_eq!(changes_of(&shown, &first, &mut here), 0, "nothing is told twice");
}

#[test]
fn what_is_written_in_a_record_cannot_become_markup_on_the_board() {
    let mut hostile = item(ItemKind::LineDisconnected, v1::Blocks::Yes, None);
    hostile.text = "<script>alert(1)</script>".to_owned();
    let mut one = aircraft(1, vec![hostile]);
    one.registration = "<b>\r\nZZ".to_owned();
    let drawn = row(&one).view(NOW_MS).render().unwrap();
    assert!(!drawn.contains("<script") && !drawn.contains("<b>") && !drawn.contains('\r'), "{drawn}");
}

#[test]
fn a_query_comes_back_as_it_was_sent() {
    let asked = Asked { station: "North ramp & bay".to_owned(), item: "access-open".to_owned(), ..Asked::default() };
    assert_eq!(asked.query("k", ""), "?station=North%20ramp%20%26%20bay&item=access-open&after=k");
    assert_eq!(Asked::default().query("", ""), "");
}

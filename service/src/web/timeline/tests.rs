use rinsebook_proto::bytes::Hash;
use rinsebook_proto::rules::{FactRef, Rule, Severity};
use rinsebook_proto::v1::EngineInScope;

use super::*;

const WASH: Id = Id([7; 16]);
const START_MS: u64 = 1_930_377_600_000;
const PROCEDURE: &str = include_str!("../../../../deploy/procedures/ossavar-t2.toml");

fn minute(at: u64) -> u64 {
    START_MS + at * 60_000
}

fn engine(position: u32) -> Option<EngineAt> {
    Some(EngineAt { position, serial: format!("OT-000{position}") })
}

fn deed(at: u64, kind: Kind) -> Deed {
    let reference = FactRef { index: at, hash: Hash::of(&at.to_be_bytes()), happened_ms: minute(at), kind: "any" };
    Deed {
        reference,
        original_index: at,
        kind: Some(kind),
        text: format!("At {at}."),
        washes: vec![WASH],
        person: None,
        device: Id([1; 16]),
        counts: true,
        struck_out: false,
    }
}

fn line(name: &str) -> String {
    name.to_owned()
}

fn cycle(at: u64) -> Deed {
    let ms = |seconds: u64| Some(minute(at) + seconds * 1000);
    deed(
        at,
        Kind::CycleRun(v1::CycleRun {
            engine: engine(2),
            motoring_started_ms: ms(0),
            injection_started_ms: ms(12),
            injection_ended_ms: ms(132),
            motoring_ended_ms: ms(135),
            ..v1::CycleRun::default()
        }),
    )
}

fn wash() -> Vec<Deed> {
    vec![
        deed(
            0,
            Kind::WashOpened(v1::WashOpened {
                engines: vec![EngineInScope { engine: engine(2), ..EngineInScope::default() }],
                ..v1::WashOpened::default()
            }),
        ),
        deed(
            5,
            Kind::LineDisconnected(v1::LineDisconnected { engine: engine(2), line: line("PS-1"), tag: String::new() }),
        ),
        deed(6, Kind::AccessOpened(v1::AccessOpened { engine: engine(1), access: line("fan cowl") })),
        cycle(20),
        deed(
            40,
            Kind::LineReconnected(v1::LineReconnected {
                engine: engine(2),
                line: line("PS-1"),
                ..v1::LineReconnected::default()
            }),
        ),
        deed(
            50,
            Kind::Inspected(v1::Inspected {
                engine: engine(2),
                line: line("PS-1"),
                result: CheckResult::Satisfactory as i32,
            }),
        ),
        deed(55, Kind::HandedOver(v1::HandedOver::default())),
    ]
}

fn of(deeds: &[Deed], findings: &[&Finding]) -> Timeline {
    let procedure = Procedure::parse(PROCEDURE).unwrap();
    Timeline::of(&Told { deeds, wash: WASH, findings, procedure: Some(&procedure) })
}

fn track<'t>(timeline: &'t Timeline, lane: &str, label: &str) -> &'t Track {
    let lane = timeline.lanes.iter().find(|l| l.title.contains(lane)).expect("the lane is there");
    lane.tracks.iter().find(|t| t.label == label).expect("the track is there")
}

#[test]
fn each_engine_has_its_lane_and_what_is_of_the_wash_stands_first() {
    let timeline = of(&wash(), &[]);
    let titles: Vec<&str> = timeline.lanes.iter().map(|lane| lane.title.as_str()).collect();
    assert_eq!(titles, ["The wash", "Engine 1, OT-0001", "Engine 2, OT-0002"]);
}

#[test]
fn a_line_is_open_from_its_disconnection_to_its_reconnection_and_its_inspection_is_marked_on_it() {
    let timeline = of(&wash(), &[]);
    let line = track(&timeline, "Engine 2", "PS-1");
    assert_eq!((line.bars[0].from_ms, line.bars[0].to_ms), (minute(5), Some(minute(40))));
    assert_eq!((line.marks[0].sign, line.marks[0].at_ms), (Sign::Inspected, minute(50)));
    assert_eq!(track(&timeline, "Engine 1", "fan cowl").bars[0].to_ms, None, "nobody closed it");
}

#[test]
fn soak_and_run_up_window_follow_from_the_procedure() {
    let timeline = of(&wash(), &[]);
    let turning = track(&timeline, "Engine 2", "turning");
    let soak = turning.bars.iter().find(|bar| bar.look == Look::Soak).unwrap();
    let ended = minute(20) + 132_000;
    // Soak of 300 s, window of 12 h from the first injection: common practice, no source.
    assert_eq!((soak.from_ms, soak.to_ms), (ended, Some(ended + 300_000)));
    let window = &track(&timeline, "Engine 2", "run-up window").bars[0];
    assert_eq!(window.to_ms, Some(minute(20) + 12_000 + 43_200_000));
    assert_eq!(timeline.to_ms, minute(55), "the window runs on beyond the drawing");
}

#[test]
fn what_was_struck_out_and_what_is_of_another_wash_is_not_drawn() {
    let mut deeds = wash();
    deeds[1].struck_out = true;
    deeds[2].washes = vec![Id([8; 16])];
    deeds[4].kind = None;
    let timeline = of(&deeds, &[]);
    assert!(timeline.lanes.iter().all(|lane| !lane.title.contains("Engine 1")));
    let line = track(&timeline, "Engine 2", "PS-1");
    assert!(line.bars.is_empty() && line.marks.len() == 1);
}

#[test]
fn an_inspection_that_was_not_satisfactory_is_not_marked_as_one_that_was() {
    let mut deeds = wash();
    let bad = v1::Inspected { engine: engine(2), line: line("PS-1"), result: CheckResult::NotSatisfactory as i32 };
    deeds[5].kind = Some(Kind::Inspected(bad));
    assert_eq!(track(&of(&deeds, &[]), "Engine 2", "PS-1").marks[0].sign, Sign::Other);
}

#[test]
fn findings_are_numbered_where_they_happened() {
    let deeds = wash();
    let finding = Finding {
        rule: Rule::WaterHot,
        severity: Severity::Major,
        aircraft: Id([2; 16]),
        wash: Some(WASH),
        engine: engine(2),
        subject: String::new(),
        rests_on: vec![deeds[3].reference.clone()],
        text: "The water was too hot.".to_owned(),
        settled: None,
    };
    let timeline = of(&deeds, &[&finding]);
    let mark = track(&timeline, "Engine 2", "turning").marks[0].clone();
    assert_eq!((mark.sign, mark.at_ms), (Sign::Finding(1), minute(20)));
}

#[test]
fn the_drawing_tells_every_bar_in_words_and_takes_no_markup_from_the_record() {
    let mut deeds = wash();
    let hostile = v1::LineDisconnected { engine: engine(2), line: line("<script>"), tag: String::new() };
    deeds.push(deed(30, Kind::LineDisconnected(hostile)));
    let svg = of(&deeds, &[]).svg();
    assert!(svg.contains("PS-1, 08:05Z to 08:40Z"), "{svg}");
    assert!(svg.contains("fan cowl, open since 08:06Z"));
    assert!(svg.contains("&lt;script&gt;") && !svg.contains("<script>"));
    assert!(!svg.contains("style="), "the page's policy allows no style in elements");
    assert_eq!(svg.matches("<svg").count(), svg.matches("</svg>").count());
}

#[test]
fn an_empty_wash_is_drawn_too() {
    let timeline = of(&[], &[]);
    assert!(timeline.lanes.is_empty() && timeline.svg().ends_with("</svg>"));
}

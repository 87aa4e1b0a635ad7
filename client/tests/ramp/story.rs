//! A wash of two engines as people at a tablet note it, step by step.

use rinsebook_proto::clock::{Clock, SystemClock};

use super::Tablet;

/// Clock times of a story that ends about now. They are typed as a person would type them.
pub(crate) struct Story {
    begun_s: u64,
}

impl Story {
    pub(crate) fn ending_now(minutes: u64) -> Story {
        Story { begun_s: SystemClock.wall_ms() / 1000 - minutes * 60 }
    }

    /// So many seconds after its beginning: hh:mm:ss.
    pub(crate) fn at(&self, seconds: u64) -> String {
        let s = (self.begun_s + seconds) % 86_400;
        format!("{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
    }

    pub(crate) fn min(&self, minutes: u64) -> String {
        self.at(minutes * 60)
    }
}

pub(crate) const PROCEDURE: &str = "Core wash with warm water, Ossavar T2 r1";

/// Opens a wash of both engines; gives its address.
pub(crate) fn open(tablet: &Tablet, story: &Story) -> String {
    tablet.until("/open", "ZZ-RBA");
    tablet.until("/open?aircraft=ZZ-RBA", PROCEDURE);
    let (shut, when) = (story.at(0), story.min(70));
    let fields = [
        ("aircraft", "ZZ-RBA"),
        ("work_order", "WO-4711"),
        ("procedure", PROCEDURE),
        ("station", "North ramp"),
        ("engine_1", "on"),
        ("engine_2", "on"),
        ("shutdown_1", &shut),
        ("shutdown_2", &shut),
        ("found_1", "no defect seen"),
        ("found_2", "no defect seen"),
        ("when", &when),
    ];
    tablet.done("/open?aircraft=ZZ-RBA", &fields)
}

/// Notes a card of one engine.
pub(crate) fn note(tablet: &Tablet, wash: &str, step: &str, engine: u32, fields: &[(&str, &str)]) {
    tablet.done(&format!("{wash}/step/{step}?engine={engine}"), fields);
}

/// The first two rows, with their tags.
pub(crate) fn ticked<'a>(tags: [&'a str; 2], when: &'a str) -> Vec<(&'a str, &'a str)> {
    vec![("pick_0", "on"), ("tag_0", tags[0]), ("pick_1", "on"), ("tag_1", tags[1]), ("when", when)]
}

pub(crate) fn prepare(tablet: &Tablet, wash: &str, story: &Story) {
    let when = story.min(71);
    tablet.done(&format!("{wash}/step/tools-out"), &[("tool_1", "TW-12"), ("tool_2", "MIR-3"), ("when", &when)]);
    for engine in [1, 2] {
        let at = |n: u64| story.at(72 * 60 + n * 20 + u64::from(engine) * 5);
        note(tablet, wash, "isolate", engine, &ticked(["L1", "L2"], &at(0)));
        note(tablet, wash, "open-access", engine, &[("pick_0", "on"), ("when", &at(1))]);
        note(tablet, wash, "disconnect", engine, &ticked(["B1", "B2"], &at(2)));
        let (fit_at, read_at) = (at(3), at(4));
        let mut fit = ticked(["A1", "A2"], &fit_at);
        fit.extend([("pick_2", "on"), ("tag_2", "A3")]);
        note(tablet, wash, "fit", engine, &fit);
        let readings = [
            ("rig", "rig 3"),
            ("water", "70"),
            ("litres", "300"),
            ("additive", "0"),
            ("air", "8,5"),
            ("metal", "41"),
            ("when", &read_at),
        ];
        note(tablet, wash, "readings", engine, &readings);
    }
}

/// Two cycles, the adapter off, a dry crank.
pub(crate) fn wash_engine(tablet: &Tablet, wash: &str, story: &Story, engine: u32, from: u64) {
    let at = |seconds: u64| story.at(from * 60 + seconds);
    note(tablet, wash, "clear-area", engine, &[("watch", "halka"), ("when", &at(0))]);
    for begins in [30, 30 + 480] {
        let page = tablet.get(&format!("{wash}/step/cycle?engine={engine}"));
        let same = page.contains("Same as last cycle");
        assert_eq!(same, begins != 30, "once there was a cycle its values can be taken over");
        let fields = [
            ("motoring_started", &*at(begins)),
            ("rotation", &at(begins + 5)),
            ("injection_started", &at(begins + 12)),
            ("injection_ended", &at(begins + 134)),
            ("motoring_ended", &at(begins + 137)),
            ("speed", "30"),
            ("water", "69.8"),
            ("litres", "60"),
        ];
        note(tablet, wash, "cycle", engine, &fields);
    }
    let off = at(700);
    let fixtures = [("pick_0", "on"), ("tag_0", "A1"), ("pick_1", "on"), ("tag_1", "A2"), ("when", &*off)];
    note(tablet, wash, "remove-fixtures", engine, &fixtures);
    note(tablet, wash, "clear-area", engine, &[("watch", "halka"), ("when", &at(720))]);
    let dry = [("motoring_started", &*at(960)), ("motoring_ended", &at(1082)), ("speed", "30")];
    note(tablet, wash, "dry-crank", engine, &dry);
    note(tablet, wash, "end-area", engine, &[("when", &at(1090))]);
    note(tablet, wash, "remove-fixtures", engine, &[("pick_2", "on"), ("tag_2", "A3"), ("when", &at(1100))]);
}

pub(crate) fn reconnect(tablet: &Tablet, wash: &str, engine: u32, when: &str) {
    let fields = [
        ("pick_0", "on"),
        ("torque_0", "17"),
        ("locking_0", "wire"),
        ("pick_1", "on"),
        ("torque_1", "28.5"),
        ("locking_1", "self-locking"),
        ("tool", "TW-12"),
        ("due", "2099-09-30"),
        ("when", when),
    ];
    note(tablet, wash, "reconnect", engine, &fields);
}

/// From the leak check to closed cowls, tools and the final check.
pub(crate) fn close(tablet: &Tablet, wash: &str, story: &Story) {
    for engine in [1, 2] {
        let at = |n: u64| story.at(121 * 60 + n * 20 + u64::from(engine) * 5);
        note(
            tablet,
            wash,
            "leak-check",
            engine,
            &[("result_0", "satisfactory"), ("method_0", "leak"), ("when", &at(0))],
        );
        let restored = [
            ("pick_0", "on"),
            ("tag_0", "L1"),
            ("tested_0", "on"),
            ("pick_1", "on"),
            ("tag_1", "L2"),
            ("tested_1", "on"),
        ];
        note(tablet, wash, "restore", engine, &[&restored[..], &[("when", &at(1))]].concat());
        note(tablet, wash, "close-access", engine, &[("pick_0", "on"), ("when", &at(2))]);
    }
    let (tools, check) = (story.min(123), story.at(123 * 60 + 30));
    let counted = [("pick_0", "on"), ("pick_1", "on"), ("complete", "on"), ("when", &*tools)];
    tablet.done(&format!("{wash}/step/tools-in"), &counted);
    tablet.done(&format!("{wash}/step/final-check"), &[("clear", "on"), ("panels", "on"), ("when", &check)]);
}

/// Latches seen, and both engines run up.
pub(crate) fn run_up(tablet: &Tablet, wash: &str, story: &Story) {
    for engine in [1, 2] {
        let seen = story.at(125 * 60 + engine * 10);
        note(tablet, wash, "see-latches", engine as u32, &[("result_0", "yes"), ("when", &seen)]);
        let (from, to) = (story.at(126 * 60 + engine * 10), story.at(132 * 60 + engine * 10));
        let ran = [("started", &*from), ("ended", &to), ("idle", "5.5"), ("result", "satisfactory")];
        note(tablet, wash, "run-up", engine as u32, &ran);
    }
}

/// The sign-off, noted.
pub(crate) fn sign_off(tablet: &Tablet, wash: &str) {
    let signed = [
        ("description", "Core wash of engine 1 and 2, warm water"),
        ("data", PROCEDURE),
        ("day", "2026-11-25"),
        ("performer", "ida"),
        ("number", "INV-0042"),
        ("certificate", "invented licence"),
    ];
    tablet.done(&format!("{wash}/step/sign-off"), &signed);
}

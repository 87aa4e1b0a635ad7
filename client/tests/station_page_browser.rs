//! The technician's page in a browser: a scanner's Enter, clocks, changes that show by themselves; and on every page, from
//! phone to wall and at 200 % zoom, that fingers in gloves hit what they aim at and eyes in the sun can read it.

mod ramp;

use ramp::browser::Browser;
use ramp::{PASSPHRASE, Ramp, Tablet};

/// Opens a wash of both engines, with one card noted and motoring begun; gives its address.
fn wash(tablet: &Tablet) -> String {
    tablet.until("/open", "ZZ-RBA");
    tablet.until("/open?aircraft=ZZ-RBA", "Ossavar T2 r1");
    let fields = [
        ("aircraft", "ZZ-RBA"),
        ("work_order", "WO-4711"),
        ("procedure", "Core wash with warm water, Ossavar T2 r1"),
        ("station", "North ramp"),
        ("engine_1", "on"),
        ("engine_2", "on"),
    ];
    let wash = tablet.done("/open", &fields);
    tablet.done(&format!("{wash}/step/isolate?engine=2"), &[("pick_0", "on"), ("tag_0", "L1")]);
    wash
}

/// See there.
const FAULTS: &str = include_str!("../../tests/browser/faults.js");
const AXE: &str = include_str!("../../tests/browser/axe.js");

#[tokio::test(flavor = "multi_thread")]
async fn on_every_page_at_every_size_targets_are_large_text_is_strong_and_axe_finds_nothing_serious() {
    let axe = std::env::var("RINSEBOOK_AXE").expect("RINSEBOOK_AXE names axe-core's file; tests/run sets it");
    let axe = std::fs::read_to_string(axe).unwrap();
    let ramp = Ramp::open().await;
    tokio::task::block_in_place(|| {
        let tablet = ramp.tablet();
        let wash = wash(&tablet);
        let name = |page: &str| page.replace(&wash, "-wash").replace(['/', '?', '=', '&'], "-");
        let pages = [
            String::new(),
            "/open?aircraft=ZZ-RBA".to_owned(),
            wash.clone(),
            format!("{wash}/step/isolate?engine=2"),
            format!("{wash}/step/reconnect?engine=2"),
            format!("{wash}/step/cycle?engine=1"),
            format!("{wash}/sign/work"),
            format!("{wash}/motor/1"),
            format!("{wash}/motor/2"),
            format!("{wash}/handover"),
            format!("{wash}/codes"),
            "/scan".to_owned(),
        ];
        tablet.done(&format!("{wash}/motor/2"), &[("do", "start")]);
        // A phone, a tablet, a wall; and a tablet at 200 % zoom, which is half as many CSS pixels.
        for (width, height) in [(390, 844), (1024, 768), (1920, 1080), (512, 384)] {
            let browser = Browser::sized(width, height);
            for page in &pages {
                browser.open(&tablet.url(page));
                browser.keeps_a_picture(&format!("station{}-{width}", name(page)));
                let faults = browser.run(FAULTS);
                assert_eq!(faults, "", "{page} at {width}x{height}");
                browser.run(&axe);
                let serious = browser.run_later(AXE);
                assert_eq!(serious, "", "{page} at {width}x{height}");
            }
        }
    });
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scanner_s_enter_goes_on_to_the_next_field_clocks_run_and_a_signature_shows_by_itself() {
    let ramp = Ramp::open().await;
    tokio::task::block_in_place(|| {
        let tablet = ramp.tablet();
        let wash = wash(&tablet);
        let browser = Browser::sized(1024, 768);
        browser.open(&tablet.url(&format!("{wash}/step/disconnect?engine=2")));
        let before = browser.run("return location.href");
        browser.types("[name=tag_0]", "B1\u{e007}");
        assert_eq!(browser.run("return document.activeElement.name"), "tag_1");
        assert_eq!(browser.run("return location.href"), before, "nothing was sent");
        // With the script away, Enter sends nothing either.
        assert_eq!(browser.run("return document.querySelector('form.card button').disabled"), true);

        tablet.done(&format!("{wash}/motor/1"), &[("do", "start")]);
        browser.open(&tablet.url(&format!("{wash}/motor/1")));
        let clock = "return document.querySelector('[data-since]').textContent";
        let first = browser.run(clock);
        let runs = format!("return document.querySelector('[data-since]').textContent !== {first}");
        browser.waits(&runs, "the clock of motoring runs");
        assert_eq!(browser.run("return document.querySelectorAll('[data-until]').length > 0"), true);

        browser.open(&tablet.url(&wash));
        let unsigned = "return document.querySelector('.noted') !== null";
        assert_eq!(browser.run(unsigned), true);
        tablet.signs(&wash, "work", "ida", PASSPHRASE);
        let signed = "return document.querySelector('.noted') === null";
        browser.waits(signed, "what was signed elsewhere shows without a touch");
    });
}

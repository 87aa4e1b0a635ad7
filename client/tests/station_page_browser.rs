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

/// What is wrong with the page that is open: too small to hit, too faint to read, wider than the screen.
const FAULTS: &str = r#"
const faults = [];
const shown = (e) => e.offsetParent !== null && getComputedStyle(e).visibility !== "hidden";
if (document.documentElement.scrollWidth > innerWidth) faults.push(`wider than the screen: ${document.documentElement.scrollWidth}`);
for (const e of document.querySelectorAll("a.button, a.next, a.home, button, input:not([type=hidden]), select, textarea, summary")) {
  if (!shown(e)) continue;
  const box = (e.type === "checkbox" || e.type === "radio" ? e.closest("label") : e).getBoundingClientRect();
  if (box.height < 47.5 || box.width < 47.5) faults.push(`small: ${e.outerHTML.slice(0, 80)} ${box.width}x${box.height}`);
}
const numbers = (c) => c.match(/[\d.]+/g).map(Number);
const light = (c) => c.slice(0, 3).map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
  .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const behind = (e) => {
  for (; e; e = e.parentElement) {
    const c = numbers(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] === 1) return c;
  }
  return [255, 255, 255];
};
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const e = walker.currentNode.parentElement;
  if (!walker.currentNode.data.trim() || !shown(e)) continue;
  const [a, b] = [light(numbers(getComputedStyle(e).color)), light(behind(e))].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  if (ratio < 7) faults.push(`faint: ${walker.currentNode.data.trim().slice(0, 40)} ${ratio.toFixed(1)}`);
  if (parseFloat(getComputedStyle(e).fontSize) < 14) faults.push(`tiny: ${walker.currentNode.data.trim().slice(0, 40)}`);
}
for (const e of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
  if (!e.closest("label")) faults.push(`without a name: ${e.outerHTML.slice(0, 80)}`);
}
return [...new Set(faults)].join("\n");
"#;

#[tokio::test(flavor = "multi_thread")]
async fn on_every_page_at_every_size_targets_are_large_text_is_strong_and_nothing_runs_off_the_side() {
    let ramp = Ramp::open().await;
    tokio::task::block_in_place(|| {
        let tablet = ramp.tablet();
        let wash = wash(&tablet);
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
        ];
        tablet.done(&format!("{wash}/motor/2"), &[("do", "start")]);
        // A phone, a tablet, a wall; and a tablet at 200 % zoom, which is half as many CSS pixels.
        for (width, height) in [(390, 844), (1024, 768), (1920, 1080), (512, 384)] {
            let browser = Browser::sized(width, height);
            for page in &pages {
                browser.open(&tablet.url(page));
                let faults = browser.run(FAULTS);
                assert_eq!(faults, "", "{page} at {width}x{height}");
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

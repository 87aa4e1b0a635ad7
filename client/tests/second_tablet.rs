//! A second look on another tablet while neither reaches the service: codes on one screen, read as a scanner reads them by
//! zbar (Debian's zbar-tools) from a picture of that screen, typed into the other.

mod ramp;

use std::process::Command;

use ramp::browser::Browser;
use ramp::story::{Story, note, open, reconnect};
use ramp::{PASSPHRASE, Ramp};

/// The codes on a page, as a scanner types them.
fn scanned(tablet: &ramp::Tablet, path: &str) -> Vec<String> {
    let browser = Browser::sized(1024, 768);
    browser.open(&tablet.url(path));
    let picture = tempfile::Builder::new().suffix(".png").tempfile().unwrap();
    std::fs::write(picture.path(), browser.picture()).unwrap();
    let read = Command::new("zbarimg").args(["--raw", "-q"]).arg(picture.path()).output();
    let read = read.expect("zbarimg is installed (Debian: zbar-tools)");
    String::from_utf8(read.stdout).unwrap().lines().map(str::to_owned).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_person_inspects_on_another_tablet_that_knows_of_the_work_by_codes_alone() {
    let mut ramp = Ramp::open().await;
    let (a, b) = tokio::task::block_in_place(|| {
        let (a, b) = (ramp.tablet(), ramp.other_tablet());
        a.until("/open?aircraft=ZZ-RBA", ramp::story::PROCEDURE);
        b.until("/open?aircraft=ZZ-RBA", ramp::story::PROCEDURE);
        (a, b)
    });
    ramp.stop_service().await;
    tokio::task::block_in_place(|| {
        let story = Story::ending_now(75);
        let wash = open(&a, &story);
        let off = story.min(71);
        let lines = [("pick_0", "on"), ("tag_0", "B1"), ("pick_1", "on"), ("tag_1", "B2"), ("when", &*off)];
        note(&a, &wash, "disconnect", 1, &lines);
        reconnect(&a, &wash, 1, &story.min(73));
        a.signs(&wash, "work", "ida", PASSPHRASE);

        assert!(!b.get("").contains("WO-4711"), "the other tablet knows nothing of it");
        let codes = scanned(&a, &format!("{wash}/codes"));
        assert!(!codes.is_empty(), "zbar reads them: {}", a.get(&format!("{wash}/codes")));
        let wrong = b.send("/scan", &[("code", &codes[0].replace('A', "B"))]);
        assert!(wrong.body.contains("scan it once more"), "{}", wrong.body);
        for code in &codes {
            let taken = b.send("/scan", &[("code", &code.to_lowercase())]);
            assert!(taken.body.contains("Known here now"), "{}", taken.body);
        }
        b.kill();
    });
    let b = tokio::task::block_in_place(|| {
        let b = ramp.other_tablet();
        let page = b.get("");
        assert!(page.contains("WO-4711"), "what was taken survives the end of the program: {page}");
        let wash = format!("/wash/{}", ramp::between(&page, "/wash/", "\"").unwrap());
        let found = [("result_0", "satisfactory"), ("result_1", "satisfactory")];
        note(&b, &wash, "inspect", 1, &found);
        let offered = b.get(&format!("{wash}/sign/second"));
        assert!(offered.contains("tuva") && !offered.contains("value=\"ida\""), "who did the work is not offered");
        b.signs(&wash, "second", "tuva", PASSPHRASE);
        assert!(b.get("").contains("<b>2</b> saved here, not sent"), "its own two looks, and nothing of the other's");
        b
    });
    ramp.start_service().await;
    tokio::task::block_in_place(|| {
        a.until("", "<b>0</b> saved here, not sent");
        b.until("", "<b>0</b> saved here, not sent");
        ramp.told("sync --station @desk");
        let items = String::from_utf8(ramp.run("items --station @desk ZZ-RBA").stdout).unwrap();
        assert!(items.contains("leak") || items.contains("sign"), "the wash is there: {items}");
        assert!(!items.contains("not inspected"), "{items}");
    });
}

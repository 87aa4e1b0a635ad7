//! The technician's page as a browser uses it, over a real station program and a real service: a whole wash of two engines
//! by four hands with the service gone in the middle; the program killed; and who gets no answer.

mod ramp;

use ramp::story::{Story, close, note, open, prepare, reconnect, run_up, sign_off, wash_engine};
use ramp::{PASSPHRASE, Ramp, said};

#[tokio::test(flavor = "multi_thread")]
async fn a_wash_of_two_engines_goes_from_opening_to_log_page_with_the_service_gone_in_the_middle() {
    let mut ramp = Ramp::open().await;
    let story = Story::ending_now(135);
    let tablet = ramp.tablet();
    let wash = tokio::task::block_in_place(|| {
        let wash = open(&tablet, &story);
        prepare(&tablet, &wash, &story);
        let page = tablet.get(&wash);
        assert_eq!(page.matches("Clear the area, post a watch</span>").count(), 2, "the next step of both engines");
        tablet.signs(&wash, "work", "ida", PASSPHRASE);
        tablet.until("", "<b>0</b> saved here, not sent");
        let page = tablet.get(&wash);
        assert!(page.contains("Engine 2 line PS-1 disconnected.") && page.contains("BLOCKS"), "{page}");
        wash
    });
    ramp.stop_service().await;
    tokio::task::block_in_place(|| {
        tablet.until("", "No link since");
        wash_engine(&tablet, &wash, &story, 1, 76);
        wash_engine(&tablet, &wash, &story, 2, 96);
        reconnect(&tablet, &wash, 1, &story.min(117));
        reconnect(&tablet, &wash, 2, &story.min(118));
        // Her key is still open: no passphrase is typed.
        assert!(tablet.get(&wash).contains("Key of <b>ida</b> is open"));
        tablet.signs(&wash, "work", "ida", "");
        tablet.done("/lock", &[]);
        let page = tablet.get(&wash);
        assert!(!page.contains("<b>0</b> saved here, not sent"), "{page}");
        assert!(page.contains("Engine 2 line PS-1 not inspected."), "derived here, without the service: {page}");
        assert!(page.contains("not run up"), "{page}");

        // The second look: whoever did it is not offered, and is turned away all the same.
        for engine in [1, 2] {
            let seen = story.at(120 * 60 + engine * 10);
            let found = [("result_0", "satisfactory"), ("result_1", "satisfactory"), ("when", &*seen)];
            note(&tablet, &wash, "inspect", engine as u32, &found);
        }
        let page = tablet.get(&format!("{wash}/sign/second"));
        assert!(page.contains("ida") && page.contains("did this work or helped with it"), "{page}");
        assert!(!page.contains("value=\"ida\""), "{page}");
        let refused = tablet.sign(&wash, "second", "ida", PASSPHRASE);
        assert!(refused.status == 200 && refused.body.contains("did this work"), "{}", said(&refused.body));
        tablet.signs(&wash, "second", "tuva", PASSPHRASE);
        close(&tablet, &wash, &story);
        tablet.signs(&wash, "work", "ida", PASSPHRASE);
        run_up(&tablet, &wash, &story);
        tablet.signs(&wash, "second", "tuva", PASSPHRASE);
        tablet.signs(&wash, "run", "halka", PASSPHRASE);
        let page = tablet.get(&wash);
        assert_eq!(page.matches("Sign the wash off</span>").count(), 2, "{page}");
        assert!(!page.contains("BLOCKS") || page.matches("BLOCKS").count() == 1, "the sign-off alone: {}", said(&page));
    });
    ramp.start_service().await;
    tokio::task::block_in_place(|| {
        tablet.until("", "<b>0</b> saved here, not sent");
        sign_off(&tablet, &wash);
        tablet.signs(&wash, "certify", "halka", PASSPHRASE);
        tablet.done(&format!("{wash}/step/reference"), &[("reference", "Log page 118 (invented)")]);
        tablet.signs(&wash, "certify", "halka", "");
        tablet.until("", "<b>0</b> saved here, not sent");
        let page = tablet.get(&wash);
        assert_eq!(page.matches("Nothing left</span>").count(), 2, "{page}");
        assert!(page.contains("It is not a release to service"));
        // Once more, since the device's last word on itself comes behind what it says.
        ramp.told("sync --station @desk");
        let items = ramp.run("items --station @desk ZZ-RBA");
        let items = String::from_utf8(items.stdout).unwrap();
        assert!(!items.contains("blocks"), "the service says the same: {items}");
        assert!(items.contains("not a release"), "{items}");
        assert!(!items.contains("major"), "{items}");
    });
}

#[tokio::test(flavor = "multi_thread")]
async fn when_the_program_is_killed_nothing_that_was_noted_captured_or_signed_is_lost_or_doubled() {
    let ramp = Ramp::open().await;
    tokio::task::block_in_place(|| {
        let (tablet, story) = (ramp.tablet(), Story::ending_now(75));
        let wash = open(&tablet, &story);
        note(&tablet, &wash, "isolate", 2, &[("pick_0", "on"), ("tag_0", "L1")]);
        tablet.done(&format!("{wash}/motor/2"), &[("do", "start")]);
        tablet.done(&format!("{wash}/motor/2"), &[("do", "rotation")]);
        let (before, base) = (tablet.get(&format!("{wash}/motor/2")), tablet.base.clone());
        tablet.kill();

        let tablet = ramp.tablet();
        assert_eq!(tablet.base, base, "a page that was open goes on working");
        let page = tablet.get(&wash);
        assert!(page.contains("isolated:") && page.contains("L1") && page.contains("IT TURNS"), "{page}");
        let after = tablet.get(&format!("{wash}/motor/2"));
        let since = |page: &str| ramp::between(page, "data-since=\"", "\"");
        assert_eq!(since(&after), since(&before));
        assert!(since(&after).is_some() && after.contains("seen "), "{after}");

        // What was taken back is gone, whatever ends.
        tablet.done(&format!("{wash}/undo"), &[("place", "1")]);
        tablet.kill();
        let tablet = ramp.tablet();
        assert!(!tablet.get(&wash).contains("isolated:"));
        note(&tablet, &wash, "isolate", 2, &[("pick_1", "on"), ("tag_1", "L2")]);

        // Signed, and killed before it was forgotten: the drafts lie there as they were before.
        let draft = std::fs::read_dir(ramp.path("ramp/drafts")).unwrap().next().unwrap().unwrap().path();
        let noted = std::fs::read(&draft).unwrap();
        tablet.signs(&wash, "work", "ida", PASSPHRASE);
        tablet.kill();
        std::fs::write(&draft, noted).unwrap();
        let tablet = ramp.tablet();
        assert!(tablet.get("").contains("<b>0</b> noted, not signed"));
        assert!(
            tablet.get(&wash).contains("Engine 2 reverser still isolated") || tablet.get(&wash).contains("reverser")
        );
        assert!(!tablet.get("").contains("is open: "), "no key is open after the program ended");
        tablet.until("", "<b>0</b> saved here, not sent");
        tablet.kill();
        let status = ramp.told("station status @ramp");
        assert!(status.contains("signed      2 facts, 0 of them"), "{status}");
    });
}

#[tokio::test(flavor = "multi_thread")]
async fn another_program_or_web_page_gets_nothing_and_signs_nothing() {
    let ramp = Ramp::open().await;
    tokio::task::block_in_place(|| {
        let tablet = ramp.tablet();
        let (address, base) = (tablet.address.clone(), tablet.base.clone());
        let ask = |method: &str, path: &str, more: &str| {
            tablet.raw(&format!("{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{more}\r\n"))
        };
        assert_eq!(ask("GET", "/", "").status, 403);
        assert_eq!(ask("GET", &format!("/{}", "0".repeat(64)), "").status, 403);
        assert_eq!(ask("GET", &format!("{base}/nothing"), "").status, 404);
        let good = ask("GET", &base, "");
        assert_eq!(good.status, 200);
        for header in
            ["content-security-policy: default-src 'none'", "x-frame-options: DENY", "cache-control: no-store"]
        {
            assert!(good.head.contains(header), "{header} in {}", good.head);
        }
        assert!(
            !good.head.contains("unsafe-inline") && !good.body.contains("style=") && !good.body.contains("<script>")
        );
        assert_eq!(ask("POST", &format!("{base}/lock"), "Content-Length: 0\r\n").status, 403);
        let foreign = "Content-Length: 0\r\nOrigin: http://elsewhere.example\r\n";
        assert_eq!(ask("POST", &format!("{base}/lock"), foreign).status, 403);
        let rebound = format!("GET {base} HTTP/1.1\r\nHost: elsewhere.example\r\nConnection: close\r\n\r\n");
        assert_eq!(tablet.raw(&rebound).status, 403);
        let open = ramp.run("station page --station @ramp --listen 0.0.0.0:0");
        assert_eq!(open.status.code(), Some(2));
        assert!(String::from_utf8(open.stderr).unwrap().contains("not on loopback"));
    });
}

#[tokio::test(flavor = "multi_thread")]
async fn a_handover_lists_what_is_open_and_is_over_once_another_person_countersigned_it() {
    let ramp = Ramp::open().await;
    tokio::task::block_in_place(|| {
        let (tablet, story) = (ramp.tablet(), Story::ending_now(75));
        let wash = open(&tablet, &story);
        note(&tablet, &wash, "disconnect", 1, &[("pick_0", "on"), ("tag_0", "B1")]);
        tablet.signs(&wash, "work", "ida", PASSPHRASE);
        assert!(tablet.get(&format!("{wash}/handover")).contains("Engine 1 line PS-1 disconnected."));
        let given = [("do", "give"), ("remark", "rig 3 is warm")];
        assert_eq!(tablet.done(&format!("{wash}/handover"), &given), format!("{wash}/sign/work"));
        tablet.signs(&wash, "work", "ida", "");
        assert!(tablet.get(&wash).contains("nobody has taken it over yet"));
        let page = tablet.get(&format!("{wash}/handover"));
        assert!(page.contains("by <b>ida</b>") && page.contains("rig 3 is warm"), "{page}");
        assert!(page.contains("Engine 1 line PS-1 disconnected."), "{page}");

        tablet.done(&format!("{wash}/handover"), &[("do", "take")]);
        let page = tablet.get(&format!("{wash}/sign/accept"));
        assert!(page.contains("ida handed over: another person takes over."), "{page}");
        let refused = tablet.sign(&wash, "accept", "ida", PASSPHRASE);
        assert!(refused.body.contains("another person takes over"), "{}", said(&refused.body));
        tablet.signs(&wash, "accept", "halka", PASSPHRASE);
        assert!(!tablet.get(&wash).contains("nobody has taken it over yet"));
        tablet.until("", "<b>0</b> saved here, not sent");
        let items = String::from_utf8(ramp.run("items --station @desk ZZ-RBA").stdout).unwrap();
        assert!(items.contains("line-disconnected") && !items.contains("handover-due"), "{items}");
    });
}

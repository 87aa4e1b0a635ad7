//! A whole turn-round in real browsers: a tablet on the ramp where people touch and type, with its network cut in the middle
//! and back, handed to a second shift; and a planner's board on the wall, watched while it changes.

mod ramp;

use ramp::browser::Browser;
use ramp::story::{Story, close, note, open, prepare, reconnect, run_up, sign_off, wash_engine};
use ramp::{PASSPHRASE, Ramp, Tablet};
use rinsebook_proto::clock::{Clock, SystemClock};
use rinsebook_service::Config;
use rinsebook_service::caller::Role;
use rinsebook_service::tokens::own::OwnIssuer;

/// The board on the wall, signed in.
fn wall(ramp: &Ramp) -> Browser {
    let issuer = OwnIssuer::open(&Config::local(&ramp.path("service"))).unwrap();
    let token = issuer.issue("the planner", &[Role::Planner], 8, SystemClock.wall_ms()).unwrap().token;
    let wall = Browser::on_the_wall();
    wall.open(&ramp.service_url());
    wall.sends("/sign-in", &[("token", &token)]);
    wall.run("window.loadedOnce = true");
    wall
}

/// Waits until the board says that, of the one aircraft there is.
fn shows(wall: &Browser, text: &str) {
    wall.waits(&format!("return document.body.innerText.includes({text:?})"), text);
}

fn shows_no(wall: &Browser, text: &str) {
    wall.waits(&format!("return !document.body.innerText.includes({text:?})"), &format!("no {text}"));
}

fn first_shift(tablet: &Tablet, wash: &str, story: &Story) {
    wash_engine(tablet, wash, story, 1, 76);
    wash_engine(tablet, wash, story, 2, 96);
    reconnect(tablet, wash, 1, &story.min(117));
    reconnect(tablet, wash, 2, &story.min(118));
    tablet.signs(wash, "work", "ida", PASSPHRASE);
    // The list writes itself; the one who leaves signs it.
    tablet.done(&format!("{wash}/handover"), &[("do", "give"), ("remark", "second looks are left")]);
    tablet.signs(wash, "work", "ida", "");
    tablet.done("/lock", &[]);
}

fn second_shift(tablet: &Tablet, wash: &str, story: &Story) {
    tablet.done(&format!("{wash}/handover"), &[("do", "take")]);
    tablet.signs(wash, "accept", "halka", PASSPHRASE);
    for engine in [1, 2] {
        let seen = story.at(120 * 60 + engine * 10);
        let found = [("result_0", "satisfactory"), ("result_1", "satisfactory"), ("when", &*seen)];
        note(tablet, wash, "inspect", engine as u32, &found);
    }
    tablet.signs(wash, "second", "tuva", PASSPHRASE);
    close(tablet, wash, story);
    tablet.signs(wash, "work", "halka", PASSPHRASE);
    run_up(tablet, wash, story);
    tablet.signs(wash, "second", "tuva", PASSPHRASE);
    tablet.signs(wash, "run", "halka", PASSPHRASE);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_turn_round_by_touch_with_the_network_cut_and_a_second_shift_ends_on_the_planner_s_board() {
    let mut ramp = Ramp::open().await;
    let story = Story::ending_now(135);
    let (tablet, wall, wash) = tokio::task::block_in_place(|| {
        let tablet = ramp.tablet().in_browser(Browser::sized(1024, 768));
        let wall = wall(&ramp);
        let wash = open(&tablet, &story);
        prepare(&tablet, &wash, &story);
        tablet.signs(&wash, "work", "ida", PASSPHRASE);
        shows(&wall, "line PS-1 disconnected");
        (tablet, wall, wash)
    });
    ramp.stop_service().await;
    tokio::task::block_in_place(|| {
        tablet.until("", "No link since");
        shows(&wall, "Connection lost.");
        first_shift(&tablet, &wash, &story);
        assert!(!tablet.get("").contains("<b>0</b> saved here, not sent"));
    });
    ramp.start_service().await;
    tokio::task::block_in_place(|| {
        tablet.until("", "<b>0</b> saved here, not sent");
        // A start of the service signs everybody out, and the wall says that it shows the past.
        shows(&wall, "sign in again");
        let wall = self::wall(&ramp);
        shows(&wall, "line PS-1 not inspected");
        shows_no(&wall, "line PS-1 disconnected");
        second_shift(&tablet, &wash, &story);
        shows_no(&wall, "line PS-1 not inspected");
        shows(&wall, "not signed off");
        sign_off(&tablet, &wash);
        tablet.signs(&wash, "certify", "halka", PASSPHRASE);
        tablet.done(&format!("{wash}/step/reference"), &[("reference", "Log page 118 (invented)")]);
        tablet.signs(&wash, "certify", "halka", "");
        shows(&wall, "Nothing is open here");
        assert_eq!(wall.run("return window.loadedOnce"), true, "the page was not loaded again");
        tablet.until("", "<b>0</b> saved here, not sent");
        let page = tablet.get(&wash);
        assert_eq!(page.matches("Nothing left</span>").count(), 2, "{page}");
    });
}

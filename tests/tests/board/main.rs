//! The pages, from a real service over TLS: what they say, who may see them, and what a real browser makes of them.

use anyhow::Result;
use rinsebook_client::demo::stage::Stage;
use rinsebook_client::demo::{Cast, stories};
use rinsebook_client::home::Home;
use rinsebook_client::station::{Draft, Station};
use rinsebook_client::sync::sync;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1;
use rinsebook_service::caller::Role;
use rinsebook_tests::browser::{Browser, until};
use rinsebook_tests::door::Door;
use rinsebook_tests::person::{self, Person};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};

mod fleet;
mod looks;
mod record;

async fn door(shop: &Shop) -> Result<Door> {
    door_as(shop, Some(&shop.desk.home)).await
}

async fn door_as(shop: &Shop, station: Option<&Home>) -> Result<Door> {
    let running = shop.service.as_ref().expect("the service runs");
    let ca = std::fs::read_to_string(running.authority_file())?;
    Door::to(running.address, &ca, station).await
}

async fn send(station: &mut Station, shop: &Shop, facts: Vec<Draft>) -> Result<()> {
    station.sign_card(&shop.technician.key, facts)?;
    all_well(&sync(station, 3).await?)
}

/// The demonstration's stories, played in one shop.
async fn played() -> Result<Shop> {
    let mut out = Vec::new();
    let mut stage = Stage::set(Cast::assemble(Shop::open().await?).await?, &mut out).await?;
    for story in stories()? {
        stage.play(&story).await?;
    }
    Ok(stage.close())
}

/// The id that stands between these two in a page.
fn id_in(page: &str, before: &str, after: &str) -> String {
    let id = page.split(before).skip(1).find_map(|rest| rest.split_once(after).filter(|(id, _)| id.len() == 32));
    id.unwrap_or_else(|| panic!("no {before}…{after} in {page}")).0.to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_pages_tell_what_is_open_who_closes_it_and_what_was_done() -> Result<()> {
    let shop = played().await?;
    let door = door(&shop).await?;
    let board = door.get("/").await?;
    assert_eq!(board.status, 200, "{}", board.text());
    let board = board.text();
    assert!(board.contains("ZZ-RBC") && board.contains("overdue"), "{board}");
    let filtered = door.get("/?aircraft=rbb").await?.text();
    assert!(!filtered.contains("aria-label=\"ZZ-RBC"), "{filtered}");

    let aircraft = door.get("/aircraft/ZZ-RBC").await?.text();
    for said in ["Closes it:", "Who:", "not a release", "What was recorded", "entry"] {
        assert!(aircraft.contains(said), "{said}: {aircraft}");
    }
    let wash = id_in(&aircraft, "/wash/", "/record");
    let timeline = door.get(&format!("/wash/{wash}")).await?.text();
    assert!(timeline.contains("run-up window until") && timeline.contains("injection,"), "{timeline}");
    let drawing = door.get(&format!("/wash/{wash}/timeline.svg")).await?;
    assert_eq!(drawing.header("content-type"), Some("image/svg+xml"));
    assert!(drawing.text().starts_with("<svg"));

    let quality = Person::signs_in(&shop, "Q", &[Role::Quality]).await?.get("/quality").await?.body;
    for said in ["Devices", "planning", "Run-ups waived", "Findings by rule", "rinsebook.invalid/local/1"] {
        assert!(quality.contains(said), "{said}: {quality}");
    }
    assert_eq!(door.get("/aircraft/ZZ-NONE").await?.status, 404);
    assert_eq!(door.get("/wash/00").await?.status, 404);
    assert_eq!(door.get("/aircraft/ZZ-RBC?start=soon").await?.status, 400);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_question_before_a_departure_is_answered_for_its_start_and_kept_in_the_name_of_who_asked() -> Result<()> {
    let mut shop = Shop::open().await?;
    let mut station = shop.station("ramp-1").await?;
    let wash = Wash::of(shop.aircraft);
    send(&mut station, &shop, vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)])
        .await?;
    let planner = Person::signs_in(&shop, "p-17", &[Role::Planner]).await?;
    let path = format!("/aircraft/{}", shop.aircraft);
    let asked = planner.get(&format!("{path}?start=2031-03-04T18:00&assume=line-disconnected:PS-1")).await?.body;
    assert!(asked.contains("Assuming line-disconnected:PS-1 closed"), "{asked}");

    let form = "start=2031-03-04T18%3A00";
    let before = shop.service.as_ref().expect("it runs").entries();
    for foreign in [
        planner.sent_by("https://elsewhere.invalid", &path, form).await?,
        planner.sent_by(&shop.desk.home.about.address, &path, form).await?,
    ] {
        assert_eq!(foreign.status, 403, "another page asks in nobody's name: {foreign:?}");
    }
    assert_eq!(shop.service.as_ref().expect("it runs").entries(), before);
    let device = door(&shop).await?;
    assert!(!device.get(&path).await?.text().contains("form_token"), "a device keeps nothing in anybody's name");
    assert_eq!(device.post(&path, &device.url(""), form).await?.status, 403);

    let kept = planner.send(&path, form).await?;
    assert_eq!(kept.status, 303, "{}", kept.body);
    let page = planner.get(kept.header("location").expect("it leads back")).await?.body;
    assert!(page.contains("are kept in the log at entry"), "{page}");
    let fact = answered(&shop).await?;
    assert_eq!(fact.asked_by, "p-17");
    Ok(())
}

/// The newest fact that a question was answered.
async fn answered(shop: &Shop) -> Result<v1::QuestionAnswered> {
    let channel = rinsebook_client::remote::connect(&shop.desk.home).await?;
    let mut records = rinsebook_client::rpc::records_client::RecordsClient::new(channel);
    let request = v1::ListFactsRequest { aircraft: shop.aircraft.to_vec(), ..v1::ListFactsRequest::default() };
    let facts = records.list_facts(request).await?.into_inner().facts;
    let read = |fact: &v1::RecordedFact| {
        let signed = rinsebook_proto::fact::Signed::parse(&fact.envelope, 32_768).ok()?;
        match signed.kind()? {
            Kind::QuestionAnswered(answered) => Some(answered.clone()),
            _ => None,
        }
    };
    Ok(facts.iter().rev().find_map(read).expect("it is there"))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stranger_is_led_to_where_one_signs_in_and_every_page_forbids_what_is_not_ours() -> Result<()> {
    let shop = Shop::open().await?;
    let stranger = person::browser(&shop)?;
    let id = shop.aircraft;
    let all =
        ["/", "/events", "/quality", &format!("/aircraft/{id}"), &format!("/wash/{id}"), &format!("/wash/{id}/record")];
    for path in all {
        let answer = stranger.get(path, &[]).await?;
        assert_eq!((answer.status, answer.header("location")), (303, Some("/sign-in")), "{path}");
        assert!(!answer.body.contains("ZZ-RBA"), "{path}");
    }
    assert_eq!(stranger.post(&format!("/aircraft/{id}"), &[], "").await?.status, 401);
    let style = stranger.get("/assets/rinsebook.css", &[]).await?;
    assert_eq!(style.status, 200, "the look holds nothing of the record");

    let quality = Person::signs_in(&shop, "Q", &[Role::Quality]).await?;
    for path in ["/", &format!("/aircraft/{id}"), "/quality"] {
        let answer = quality.get(path).await?;
        let policy = answer.header("content-security-policy").expect("a policy");
        assert!(policy.contains("default-src 'self'") && !policy.contains("unsafe"), "{policy}");
        let text = answer.body;
        assert!(!text.contains(" style=") && !text.contains("<style") && !text.contains(" onclick="), "{path}");
        assert!(!text.contains("<script>"), "{path}");
        assert!(text.contains("href=\"/quality\""), "{path}");
    }
    let planner = Person::signs_in(&shop, "P", &[Role::Planner]).await?;
    assert!(!planner.get("/").await?.body.contains("href=\"/quality\""), "no link leads to a refusal");
    assert_eq!(planner.get("/quality").await?.status, 403);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_person_signs_in_with_a_browser_and_the_page_goes_quiet_once_they_are_signed_out() -> Result<()> {
    let mut shop = Shop::open().await?;
    let mut station = shop.station("ramp-1").await?;
    let browser = Browser::open().await?;
    let home = shop.desk.home.about.address.clone();
    browser.goto(&home).await?;
    assert!(browser.run("return location.pathname").await? == "/sign-in", "a stranger is led there");
    let token = person::token(&shop, "P. Lanner", &[Role::Planner])?;
    browser
        .run(&format!("document.getElementById('token').value = {token:?}; document.querySelector('button').click()"))
        .await?;
    browser
        .until("the board is live", "return document.getElementById('live')?.innerText.startsWith('Live.') ?? false")
        .await?;
    assert!(browser.text(".who").await?.contains("P. Lanner"));
    let wash = Wash::of(shop.aircraft);
    send(&mut station, &shop, vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)])
        .await?;
    browser
        .until("the line shows", "return (document.querySelector('.craft')?.innerText ?? '').includes('PS-1')")
        .await?;

    browser.run("window.other = window.open('/sign-in')").await?;
    browser
        .until(
            "the other page is there",
            "return !!window.other.document.querySelector('form[action=\"/sign-out\"] button')",
        )
        .await?;
    browser.run("window.other.document.querySelector('form[action=\"/sign-out\"] button').click()").await?;
    browser.until("it says so", "return document.getElementById('live').innerText.includes('sign in again')").await?;
    browser.goto(&home).await?;
    assert!(browser.run("return location.pathname").await? == "/sign-in", "nothing is shown any more");
    browser.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_planner_s_page_changes_while_it_is_watched_and_says_when_it_is_cut_off() -> Result<()> {
    let mut shop = Shop::open().await?;
    let mut station = shop.station("ramp-1").await?;
    let mut door = door(&shop).await?;
    let browser = Browser::open().await?;
    browser.goto(&door.url("/")).await?;
    browser.run("window.loadedOnce = true").await?;
    browser.until("it is live", "return document.getElementById('live').innerText.startsWith('Live.')").await?;
    assert_eq!(browser.run("return document.querySelectorAll('.craft').length").await?, 0);

    let wash = Wash::of(shop.aircraft);
    send(&mut station, &shop, vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)])
        .await?;
    let row = "return (document.querySelector('.craft')?.innerText ?? '')";
    browser.until("the line shows", &format!("{row}.includes('line PS-1 disconnected')")).await?;
    send(&mut station, &shop, vec![wash.on(2, reconnected("PS-1"), shop.clock.wall_ms())]).await?;
    browser.until("its inspection shows", &format!("{row}.includes('line PS-1 not inspected')")).await?;
    assert!(!browser.text(".craft").await?.contains("line PS-1 disconnected"));
    assert_eq!(browser.run("return document.querySelectorAll('.craft').length").await?, 1, "its row took its place");
    assert_eq!(browser.run("return window.loadedOnce").await?, true, "the page was not loaded again");

    let own = door.address();
    door.close().await;
    browser
        .until("the loss is said", "return document.getElementById('live').innerText.startsWith('Connection lost.')")
        .await?;
    assert!(browser.text("#live").await?.contains("s old"), "{}", browser.text("#live").await?);
    send(&mut station, &shop, vec![wash.on(1, disconnected("MV-2"), shop.clock.wall_ms())]).await?;
    let running = shop.service.as_ref().expect("the service runs");
    let ca = std::fs::read_to_string(running.authority_file())?;
    let again = Door::at(own, running.address, &ca, Some(&shop.desk.home)).await?;
    browser.until("it catches up", &format!("{row}.includes('line MV-2 disconnected')")).await?;
    browser.until("it is live again", "return document.getElementById('live').innerText.startsWith('Live.')").await?;
    assert_eq!(browser.run("return window.loadedOnce").await?, true);
    drop(again);
    browser.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_board_that_somebody_watches_holds_up_no_stop_of_the_service() -> Result<()> {
    let mut shop = Shop::open().await?;
    let door = door(&shop).await?;
    let browser = Browser::open().await?;
    browser.goto(&door.url("/")).await?;
    browser.until("it is live", "return document.getElementById('live').innerText.startsWith('Live.')").await?;
    let running = shop.service.take().expect("the service runs");
    let stopped = running.stop().await?;
    assert!(stopped.entries > 0, "all that was recorded was written");
    until("the next start gets the lock", async || {
        let config = rinsebook_service::Config::local(&shop.data());
        match rinsebook_service::start(config, shop.clock.clone()).await {
            Ok(again) => again.stop().await.map(|_| true).map_err(Into::into),
            Err(_) => Ok(false),
        }
    })
    .await?;
    browser.close().await
}

//! Every page and file of the log, and signing in.

use rinsebook_client::verify::files::{Access, Files};
use rinsebook_client::verify::tiles::tiles;
use rinsebook_client::verify::{Asked, Fault};
use rinsebook_proto::tiles::{Sort, Tile};
use rinsebook_tests::issuer::{but, claims};
use rinsebook_tests::web::{Answer, Browser};

use super::secrets;
use super::shown::{Worth, everything};
use super::world::World;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Who {
    Anybody,
    Nobody,
    /// An enrolled device; planner, quality, custodian.
    Readers,
    /// An enrolled device; quality, custodian.
    Auditors,
    /// Quality, custodian.
    Quality,
}

const TABLE: [(&str, Who); 16] = [
    ("/sign-in", Who::Anybody),
    ("/assets/sign-in.css", Who::Anybody),
    ("/assets/rinsebook.js", Who::Anybody),
    ("/", Who::Readers),
    ("/events", Who::Readers),
    ("/aircraft/none", Who::Readers),
    ("/wash/none", Who::Readers),
    ("/wash/none/timeline.svg", Who::Readers),
    ("/wash/none/record", Who::Auditors),
    ("/quality", Who::Quality),
    ("/log/checkpoint", Who::Auditors),
    ("/log/tile/0/000", Who::Auditors),
    ("/log/tile/entries/000", Who::Auditors),
    ("/nothing", Who::Nobody),
    ("/quality/", Who::Nobody),
    ("/sign-in/x", Who::Nobody),
];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ended {
    LetIn,
    NoConnection,
    ToSignIn,
    Unauthenticated,
    Denied,
    NotThere,
}

fn ended(path: &str, answer: &Answer) -> Ended {
    match (answer.status, answer.header("location")) {
        (303, Some("/sign-in")) => Ended::ToSignIn,
        (401, _) => Ended::Unauthenticated,
        (403, _) => Ended::Denied,
        // The gate's own word for what it does not know; "nothing here" comes from behind it.
        (404, _) if answer.body.contains("does not offer") => Ended::NotThere,
        (status, _) if status < 500 => Ended::LetIn,
        _ => panic!("{path}: {answer:?}"),
    }
}

fn expected(who: Who, worth: &Worth) -> Ended {
    let (device, roles): (bool, &[&str]) = match who {
        _ if *worth == Worth::OtherAuthority => return Ended::NoConnection,
        Who::Anybody => return Ended::LetIn,
        Who::Nobody => return Ended::NotThere,
        Who::Readers => (true, &["planner", "quality", "custodian"]),
        Who::Auditors => (true, &["quality", "custodian"]),
        Who::Quality => (false, &["quality", "custodian"]),
    };
    match worth {
        Worth::Device if device => Ended::LetIn,
        Worth::Person(has) if has.iter().any(|role| roles.contains(role)) => Ended::LetIn,
        Worth::Person(_) => Ended::Denied,
        Worth::NotEnrolled if device => Ended::Denied,
        Worth::Bad(_) | Worth::DeviceAndBad(_) => Ended::Unauthenticated,
        _ => Ended::ToSignIn,
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_is_shown_to_exactly_whom_the_table_says_and_others_are_told_why_or_where_to_sign_in() {
    let world = World::open().await;
    let all = everything(&world);
    assert_eq!(world.reload().await, Vec::<String>::new());
    let mut wrong = Vec::new();
    for shown in &all {
        let browser = world.browser(shown.identity.clone());
        let bearer = shown.token.as_ref().map(|token| format!("Bearer {token}"));
        let headers: Vec<(&str, &str)> = bearer.iter().map(|bearer| ("authorization", bearer.as_str())).collect();
        for (path, who) in TABLE {
            let told = match browser.get(path, &headers).await {
                Ok(answer) => {
                    guarded(path, &answer);
                    ended(path, &answer)
                }
                Err(_) => Ended::NoConnection,
            };
            let right = expected(who, &shown.worth);
            if told != right {
                wrong.push(format!("{path} with {}: {told:?}, not {right:?}", shown.what));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    all.iter().filter_map(|shown| shown.token.as_deref()).for_each(secrets::assert_untold);
}

/// What every answer tells the browser.
fn guarded(path: &str, answer: &Answer) {
    let policy = answer.header("content-security-policy").unwrap_or_else(|| panic!("{path}: {answer:?}"));
    assert!(policy.contains("default-src 'self'") && policy.contains("frame-ancestors 'none'"), "{policy}");
    assert!(!policy.contains("unsafe"), "{policy}");
    for (name, value) in [("x-content-type-options", "nosniff"), ("referrer-policy", "no-referrer")] {
        assert_eq!(answer.header(name), Some(value), "{path}");
    }
}

async fn sign_in(browser: &Browser, token: &str) -> Answer {
    browser.post("/sign-in", &[], &format!("token={token}")).await.unwrap()
}

/// `name=value` of the cookie that an answer sets.
fn cookie(answer: &Answer) -> String {
    answer.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
}

fn form_token(page: &str) -> String {
    let (_, after) = page.split_once("name=\"form_token\" value=\"").unwrap();
    after.split_once('"').unwrap().0.to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_person_signs_in_once_with_a_token_and_is_known_until_they_sign_out_or_the_token_ends() {
    let world = World::open().await;
    let browser = world.browser(None);
    let claims = claims("p-17", &["planner"], world.now_ms());
    let token = world.issuer.token(&but(&claims, "name", "<b>Ida & \"Tuva\"</b>"));

    let form = browser.get("/sign-in", &[]).await.unwrap();
    assert!(form.status == 200 && form.body.contains("name=\"token\"") && !form.body.contains("<script"), "{form:?}");
    let answer = sign_in(&browser, &token).await;
    assert_eq!(answer.status, 303);
    let set = answer.header("set-cookie").unwrap().to_owned();
    assert!(set.starts_with("__Host-rinsebook="), "{set}");
    for part in ["; Path=/", "; Secure", "; HttpOnly", "; SameSite=Strict", "; Max-Age=3600"] {
        assert!(set.contains(part), "{set}");
    }
    assert!(!set.contains("Domain"), "{set}");

    let cookie = cookie(&answer);
    let with = [("cookie", cookie.as_str())];
    let page = browser.get("/sign-in", &with).await.unwrap();
    assert!(page.body.contains("Signed in") && page.body.contains("planner"), "{}", page.body);
    assert!(!page.body.contains("<b>") && page.body.contains("Ida &"), "a name is shown as text: {}", page.body);
    assert_eq!(ended("/", &browser.get("/", &with).await.unwrap()), Ended::LetIn);
    assert_eq!(ended("/quality", &browser.get("/quality", &with).await.unwrap()), Ended::Denied);
    let made_up = [("cookie", "__Host-rinsebook=0000")];
    assert_eq!(ended("/", &browser.get("/", &made_up).await.unwrap()), Ended::ToSignIn);

    // Signing out takes a form of this session; then the cookie opens nothing.
    let own = form_token(&page.body);
    let without = browser.post("/sign-out", &with, "").await.unwrap();
    assert_eq!((without.status, without.header("set-cookie")), (403, None), "{without:?}");
    assert_eq!(browser.post("/sign-out", &with, "form_token=guessed").await.unwrap().status, 403);
    let twice = format!("form_token=guessed&form_token={own}");
    assert_eq!(browser.post("/sign-out", &with, &twice).await.unwrap().status, 403);
    assert_eq!(ended("/", &browser.get("/", &with).await.unwrap()), Ended::LetIn);
    let out = browser.post("/sign-out", &with, &format!("form_token={own}")).await.unwrap();
    assert!(out.status == 303 && out.header("set-cookie").unwrap().contains("Max-Age=0"), "{out:?}");
    assert_eq!(ended("/", &browser.get("/", &with).await.unwrap()), Ended::ToSignIn);

    let again = super::pages::cookie(&sign_in(&browser, &token).await);
    assert_ne!(again, cookie);
    world.clock().set(world.now_ms() + 3_600_000);
    assert_eq!(ended("/", &browser.get("/", &[("cookie", &again)]).await.unwrap()), Ended::ToSignIn);
    for secret in [token.as_str(), cookie.split_once('=').unwrap().1, again.split_once('=').unwrap().1, &own] {
        secrets::assert_untold(secret);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_is_for_pages_alone_and_ends_when_its_token_is_revoked() {
    let world = World::open().await;
    let browser = world.browser(None);
    let token = world.issuer.token(&claims("p-18", &["custodian"], world.now_ms()));
    let cookie = cookie(&sign_in(&browser, &token).await);
    let with = [("cookie", cookie.as_str()), ("content-type", "application/grpc")];
    let called = browser.post("/rinsebook.v1.Roster/ListPeople", &with, "").await.unwrap();
    assert_eq!(called.header("grpc-status"), Some("16"), "{called:?}");
    assert_eq!(ended("/quality", &browser.get("/quality", &with[..1]).await.unwrap()), Ended::LetIn);

    rinsebook_service::tokens::revoked::revoke(&world.config.keys_dir(), "token of p-18").unwrap();
    assert_eq!(world.reload().await, Vec::<String>::new());
    assert_eq!(ended("/quality", &browser.get("/quality", &with[..1]).await.unwrap()), Ended::ToSignIn);
    let refused = sign_in(&browser, &token).await;
    assert!(refused.status == 401 && refused.body.contains("was revoked"), "{refused:?}");
    assert!(refused.header("set-cookie").is_none() && !refused.body.contains(&token), "{refused:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_that_another_site_made_a_browser_send_signs_nobody_in_or_out() {
    let world = World::open().await;
    let browser = world.browser(None);
    let token = world.issuer.token(&claims("p-19", &["planner"], world.now_ms()));
    let form = format!("token={token}");
    let ours = format!("https://localhost:{}", browser.port);
    for foreign in [("sec-fetch-site", "cross-site"), ("origin", "https://other.invalid"), ("origin", "null")] {
        let answer = browser.post("/sign-in", &[foreign], &form).await.unwrap();
        assert!(answer.status == 403 && answer.header("set-cookie").is_none(), "{foreign:?}: {answer:?}");
    }
    for own in [("sec-fetch-site", "same-origin"), ("origin", ours.as_str())] {
        assert_eq!(browser.post("/sign-in", &[own], &form).await.unwrap().status, 303, "{own:?}");
    }
    assert_eq!(browser.ask("DELETE", "/sign-in", &[], "").await.unwrap().status, 405);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_whole_log_is_audited_from_its_address_with_a_quality_token_and_not_with_a_planner_s() {
    let world = World::open().await;
    let audited = async |role: &str| {
        let files = log_as(&world, Some(role));
        let audit = move || tiles(&files, &Asked::default(), &mut |_| {});
        tokio::task::spawn_blocking(audit).await.unwrap()
    };
    assert!(audited("quality").await.unwrap().entries > 10);
    assert!(matches!(audited("planner").await, Err(Fault::CouldNot(_))));
}

/// What the service's files of the log are, as people with this role see them.
fn log_as(world: &World, role: Option<&str>) -> Files {
    let token = role.map(|role| world.issuer.token(&claims("p-20", &[role], world.now_ms())));
    let access = Access { authority_pem: Some(world.ca.clone()), device: None, token };
    Files::at(&format!("{}/log", world.address()), &access).unwrap()
}

/// A file's bytes; nothing where it is refused or not there.
async fn file(log: &Files, path: &str) -> Option<Vec<u8>> {
    let (log, path) = (log.clone(), path.to_owned());
    tokio::task::spawn_blocking(move || log.get(&path).ok().flatten()).await.unwrap()
}

/// The last bundle of entries, and the last tile of hashes of the lowest level.
async fn tiles_of(quality: &Files) -> (String, String) {
    let checkpoint = String::from_utf8(file(quality, "checkpoint").await.unwrap()).unwrap();
    let size: u64 = checkpoint.lines().nth(1).unwrap().parse().unwrap();
    let last = |sort| Tile::all(size, true).filter(|tile| tile.sort == sort).last().unwrap().path();
    (last(Sort::Entries), last(Sort::Hashes(0)))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bundle_of_entries_is_not_had_by_writing_its_path_in_another_way() {
    let world = World::open().await;
    let (planner, quality) = (log_as(&world, Some("planner")), log_as(&world, Some("quality")));
    let (bundle, _) = tiles_of(&quality).await;
    assert!(file(&quality, &bundle).await.is_some());
    let ways = ["entries", "%65ntries", "entrie%73", "%65%6E%74%72%69%65%73", "0/../entries", "./entries", "/entries"];
    let mut had = Vec::new();
    for way in ways {
        let path = bundle.replace("entries", way);
        if file(&planner, &path).await.is_some() {
            had.push(path);
        }
    }
    assert!(had.is_empty(), "{had:?}");
}

/// Which caches may keep a file of the log, as its answer says to those who may read it.
async fn kept_by(world: &World, path: &str) -> String {
    let quality = world.issuer.token(&claims("p-20", &["quality"], world.now_ms()));
    let bearer = format!("Bearer {quality}");
    let head =
        world.browser(None).ask("HEAD", &format!("/log/{path}"), &[("authorization", &bearer)], "").await.unwrap();
    assert_eq!(head.status, 200, "{path}: {head:?}");
    head.header("cache-control").unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_cache_that_others_share_may_keep_tiles_of_hashes_only_where_they_are_open_and_bundles_never() {
    let mut world = World::open().await;
    let (bundle, hashes) = tiles_of(&log_as(&world, Some("quality"))).await;
    let [own, shared] = ["private", "public"].map(|whose| format!("{whose}, max-age=31536000, immutable"));
    let kept = async |world: &World| [kept_by(world, &hashes).await, kept_by(world, &bundle).await];
    assert_eq!(kept(&world).await, [own.clone(), own.clone()], "closed, unless the configuration opens them");
    assert_eq!(kept_by(&world, "checkpoint").await, "no-store");

    world.shop.service.take().unwrap().stop().await.unwrap();
    world.config.open_hash_tiles = true;
    world.start().await;
    assert_eq!(kept(&world).await, [shared, own]);
    assert_eq!(kept_by(&world, "checkpoint").await, "no-store");
    let refused = world.browser(None).ask("HEAD", &format!("/log/{bundle}"), &[], "").await.unwrap();
    assert_eq!(refused.header("cache-control"), Some("no-store"), "{refused:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn where_tiles_of_hashes_are_open_everybody_reads_them_and_nothing_else_of_the_log() {
    let mut world = World::open().await;
    let quality = log_as(&world, Some("quality"));
    let (bundle, hashes) = tiles_of(&quality).await;
    let known = file(&quality, &hashes).await.unwrap();
    assert_eq!(file(&log_as(&world, None), &hashes).await, None, "closed, unless the configuration opens them");

    world.shop.service.take().unwrap().stop().await.unwrap();
    world.config.open_hash_tiles = true;
    world.start().await;
    for role in [None, Some("planner"), Some("station")] {
        let log = log_as(&world, role);
        assert_eq!(file(&log, &hashes).await.as_ref(), Some(&known), "{role:?}");
        for path in [bundle.as_str(), &bundle.replace("entries", "%65ntries"), "checkpoint"] {
            assert_eq!(file(&log, path).await, None, "{path} as {role:?}");
        }
    }
    assert!(file(&log_as(&world, Some("quality")), &bundle).await.is_some());
}

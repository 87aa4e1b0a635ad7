//! Every page of the service as people meet it: on a phone, a tablet, a wall and at 200 % zoom it can be hit, read and used
//! without a mouse. axe-core (Deque, npm) is the judge from outside; sizes and contrast are measured by our own script.

use anyhow::{Context, Result};
use rinsebook_service::caller::Role;
use rinsebook_tests::browser::Browser;
use rinsebook_tests::person;
use rinsebook_tests::shop::Shop;

use super::{door, id_in, played};

const FAULTS: &str = include_str!("../../browser/faults.js");
const AXE: &str = include_str!("../../browser/axe.js");
/// A phone, a tablet, a wall; and a tablet at 200 % zoom, which is half as many CSS pixels.
const SIZES: [(&str, u32, u32); 4] =
    [("phone", 390, 844), ("tablet", 1024, 768), ("wall", 1920, 1080), ("zoomed", 512, 384)];

async fn signed_in(shop: &Shop, home: &str) -> Result<Browser> {
    let browser = Browser::open().await?;
    browser.goto(&format!("{home}/sign-in")).await?;
    let token = person::token(shop, "P. Lanner", &[Role::Planner, Role::Quality])?;
    browser
        .run(&format!("document.getElementById('token').value = {token:?}; document.querySelector('button').click()"))
        .await?;
    browser
        .until("the board is there", "return location.pathname === '/' && !!document.getElementById('live')")
        .await?;
    Ok(browser)
}

async fn axe_finds(browser: &Browser, axe: &str) -> Result<String> {
    browser.run(axe).await?;
    Ok(browser.run_later(AXE).await?.as_str().context("lines of text")?.to_owned())
}

/// Keeps a picture of the whole page, and one of what the screen shows, where RINSEBOOK_PICTURES names a folder.
pub(super) async fn keep(browser: &Browser, name: &str) -> Result<()> {
    if let Some(folder) = std::env::var_os("RINSEBOOK_PICTURES") {
        let folder = std::path::Path::new(&folder);
        std::fs::write(folder.join(format!("{name}.png")), browser.picture().await?)?;
        std::fs::write(folder.join(format!("{name}-screen.png")), browser.screen().await?)?;
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn on_every_page_at_every_size_text_is_strong_targets_are_large_and_axe_finds_nothing_serious() -> Result<()> {
    let axe = std::env::var("RINSEBOOK_AXE").context("RINSEBOOK_AXE names axe-core's file; tests/run sets it")?;
    let axe = std::fs::read_to_string(axe)?;
    let shop = played().await?;
    let home = shop.desk.home.about.address.clone();
    let aircraft = door(&shop).await?.get("/aircraft/ZZ-RBC").await?.text();
    let wash = id_in(&aircraft, "/wash/", "/record");
    let pages = [
        ("board", "/".to_owned()),
        ("aircraft", "/aircraft/ZZ-RBC".to_owned()),
        ("question", "/aircraft/ZZ-RBC?start=2031-03-04T18:00".to_owned()),
        ("timeline", format!("/wash/{wash}")),
        ("record", format!("/wash/{wash}/record")),
        ("quality", "/quality".to_owned()),
        ("no-such-page", "/aircraft/ZZ-NONE".to_owned()),
        ("sign-in", "/sign-in".to_owned()),
    ];
    let browser = signed_in(&shop, &home).await?;
    let mut found = Vec::new();
    for (size, width, height) in SIZES {
        browser.sized(width, height).await?;
        for (name, path) in &pages {
            browser.goto(&format!("{home}{path}")).await?;
            // A record tells at length how its own check went.
            let checked = "const check = document.getElementById('check'); return !check || !!check.dataset.state";
            browser.until("a record has checked itself", checked).await?;
            keep(&browser, &format!("{name}-{size}")).await?;
            let faults = browser.run(FAULTS).await?.as_str().unwrap_or_default().to_owned();
            let serious = axe_finds(&browser, &axe).await?;
            found.extend(faults.lines().chain(serious.lines()).map(|line| format!("{name} at {size}: {line}")));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
    browser.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn axe_finds_a_picture_without_words_where_there_is_one() -> Result<()> {
    let axe = std::env::var("RINSEBOOK_AXE").context("RINSEBOOK_AXE names axe-core's file; tests/run sets it")?;
    let axe = std::fs::read_to_string(axe)?;
    let shop = Shop::open().await?;
    let browser = signed_in(&shop, &shop.desk.home.about.address).await?;
    assert_eq!(axe_finds(&browser, &axe).await?, "");
    browser.run("document.querySelector('main').append(new Image())").await?;
    let found = axe_finds(&browser, &axe).await?;
    assert!(found.contains("image-alt"), "{found}");
    browser.close().await
}

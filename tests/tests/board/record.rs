//! The record of a wash in a real browser: good as it is given out, bad after any change of what it shows, whole on paper.

#![allow(clippy::print_stdout)] // Tests print their seed.

use anyhow::{Context, Result};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use rinsebook_tests::browser::Browser;
use rinsebook_tests::door::Door;
use rinsebook_tests::shop::Shop;

use super::{door, id_in, played};

/// Texts altered in one run.
const ALTERED: usize = 24;

async fn opened() -> Result<(Shop, Door, Browser, String)> {
    let shop = played().await?;
    let door = door(&shop).await?;
    let aircraft = door.get("/aircraft/ZZ-RBA").await?.text();
    let path = format!("/wash/{}/record", id_in(&aircraft, "/wash/", "/record"));
    Ok((shop, door, Browser::open().await?, path))
}

async fn is(browser: &Browser, state: &str) -> Result<()> {
    let script = format!("return document.getElementById('check').dataset.state === '{state}'");
    let waited = browser.until(&format!("it is {state}"), &script).await;
    waited.with_context(|| format!("it should have turned {state}"))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_record_is_good_as_it_is_given_out_and_bad_after_one_character_is_changed_anywhere() -> Result<()> {
    let (_shop, door, browser, path) = opened().await?;
    browser.goto(&door.url(&path)).await?;
    browser.until("it is checked", "return !!document.getElementById('check').dataset.state").await?;
    assert_eq!(
        browser.run("return document.getElementById('check').dataset.state").await?,
        "good",
        "{}",
        browser.text("#check").await?
    );
    assert!(browser.text("#check").await?.contains("can change its checker too"));
    assert!(browser.text("#check").await?.contains("rinsebook.invalid/local/1+"), "it names the log key");

    let seed = u64::from_le_bytes(rinsebook_proto::bytes::Id::random().0[..8].try_into()?);
    println!("seed {seed}");
    browser
        .run(
            "const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
             window.texts = []; while (walk.nextNode()) if (walk.currentNode.data.trim()) window.texts.push(walk.currentNode);",
        )
        .await?;
    let count = browser.run("return window.texts.length").await?.as_u64().context("a number")?;
    assert!(count > 500, "{count} texts");
    let mut random = seed;
    for _ in 0..ALTERED {
        // Knuth's constants for a linear congruential generator; any spread will do.
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let (at, place) = ((random >> 20) % count, random >> 50);
        let script = format!(
            "const node = window.texts[{at}], was = node.data; window.was = was;
             const visible = [...was].map((c, i) => [c, i]).filter(([c]) => c.trim());
             const [c, i] = visible[{place} % visible.length];
             node.data = was.slice(0, i) + (c === '7' ? '1' : '7') + was.slice(i + 1); return was;"
        );
        let was = browser.run(&script).await?;
        is(&browser, "bad").await.with_context(|| format!("seed {seed}, text {at}: {was}"))?;
        browser.run(&format!("window.texts[{at}].data = window.was")).await?;
        is(&browser, "good").await?;
    }
    for (what, script) in [
        ("a fact is taken out", "document.querySelector('article').remove()"),
        ("a fact stands twice", "const a = document.querySelector('article'); a.after(a.cloneNode(true))"),
        ("a part is taken out", "document.querySelector('[data-by=service]').remove()"),
        ("words are put in", "document.querySelector('main').append('All is well.')"),
        ("a part is hidden", "document.querySelector('table').hidden = true"),
        (
            "a byte of an entry is altered",
            "const a = document.querySelector('article'), e = a.dataset.entry; a.dataset.entry = e.slice(0, 80) + (e[80] === 'A' ? 'B' : 'A') + e.slice(81)",
        ),
        (
            "a proof is altered",
            "const a = document.querySelector('article'), e = a.dataset.proof; a.dataset.proof = (e[0] === 'A' ? 'B' : 'A') + e.slice(1)",
        ),
    ] {
        browser.goto(&door.url(&path)).await?;
        is(&browser, "good").await?;
        browser.run(script).await?;
        is(&browser, "bad").await.context(what)?;
    }
    browser.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_saved_record_checks_itself_without_the_service_and_turns_bad_after_a_change_of_the_file() -> Result<()> {
    let (_shop, mut door, browser, path) = opened().await?;
    let dir = tempfile::tempdir()?;
    for asset in ["rinsebook.js", "rinsebook.css"] {
        std::fs::write(dir.path().join(asset), door.get(&format!("/assets/{asset}")).await?.body)?;
    }
    let page = door.get(&path).await?.text().replace("/assets/", "");
    let torque = "<dt>torque</dt><dd>17.000 N·m</dd>";
    assert!(page.contains(torque), "a torque is shown");
    std::fs::write(dir.path().join("kept.html"), &page)?;
    std::fs::write(dir.path().join("altered.html"), page.replacen(torque, "<dt>torque</dt><dd>17.500 N·m</dd>", 1))?;
    // The note of the checkpoint, with another size in it.
    let note = page.split("data-note=\"").nth(1).and_then(|rest| rest.split('"').next()).context("a note")?;
    let mut other = BASE64.decode(note)?;
    let size = other.iter().position(|byte| *byte == b'\n').context("a second line")? + 1;
    other[size] = if other[size] == b'1' { b'2' } else { b'1' };
    std::fs::write(dir.path().join("other.html"), page.replace(note, &BASE64.encode(other)))?;
    door.close().await;
    for (file, state) in [("kept.html", "good"), ("altered.html", "bad"), ("other.html", "bad")] {
        browser.goto(&format!("file://{}", dir.path().join(file).display())).await?;
        is(&browser, state).await.with_context(|| file.to_owned())?;
    }
    browser.close().await
}

/// A4 (ISO 216) and Letter (ANSI/ASME Y14.1), in centimetres.
const PAPERS: [(f64, f64); 2] = [(21.0, 29.7), (21.59, 27.94)];
/// PostScript's.
const POINTS_PER_CM: f64 = 72.0 / 2.54;

#[tokio::test(flavor = "multi_thread")]
async fn on_paper_of_either_size_a_record_has_every_part() -> Result<()> {
    let (_shop, door, browser, path) = opened().await?;
    browser.goto(&door.url(&path)).await?;
    is(&browser, "good").await?;
    let dir = tempfile::tempdir()?;
    let file = dir.path().join("record.pdf");
    for (width_cm, height_cm) in PAPERS {
        std::fs::write(&file, browser.printed(width_cm, height_cm).await?)?;
        let size = printed("pdfinfo", &[], &file)?;
        let size: Vec<f64> = size
            .lines()
            .find_map(|line| line.strip_prefix("Page size:"))
            .context("a page size")?
            .split_whitespace()
            .filter_map(|word| word.parse().ok())
            .collect();
        let asked = [width_cm, height_cm].map(|cm| cm * POINTS_PER_CM);
        assert!(size.len() == 2 && size.iter().zip(asked).all(|(is, asked)| (is - asked).abs() < 1.0), "{size:?}");
        let text = printed("pdftotext", &["-raw"], &file)?;
        has_every_part(&text.split_whitespace().collect::<Vec<_>>().join(" "));
        inside_the_paper(&printed("pdftotext", &["-bbox"], &file)?);
    }
    browser.close().await
}

/// What a poppler tool says of a PDF.
fn printed(tool: &str, options: &[&str], file: &std::path::Path) -> Result<String> {
    let mut command = std::process::Command::new(tool);
    command.args(options).arg(file);
    if tool == "pdftotext" {
        command.arg("-");
    }
    let said = command.output().with_context(|| format!("{tool} is not installed; tests/run installs it"))?;
    Ok(String::from_utf8(said.stdout)?)
}

/// No word reaches over the edge of its page.
fn inside_the_paper(boxes: &str) {
    let number = |line: &str, name: &str| -> f64 {
        let rest = line.split_once(&format!("{name}=\"")).map_or("", |(_, rest)| rest);
        rest.split('"').next().and_then(|number| number.parse().ok()).unwrap_or(f64::NAN)
    };
    let (mut width, mut height, mut words) = (0.0, 0.0, 0);
    for line in boxes.lines().map(str::trim) {
        if line.starts_with("<page ") {
            (width, height) = (number(line, "width"), number(line, "height"));
        } else if line.starts_with("<word ") {
            let (left, right) = (number(line, "xMin"), number(line, "xMax"));
            let (top, foot) = (number(line, "yMin"), number(line, "yMax"));
            assert!(left >= 0.0 && right <= width && top >= 0.0 && foot <= height, "{line} on {width} x {height}");
            words += 1;
        }
    }
    assert!(words > 500, "{words} words");
}

fn has_every_part(text: &str) {
    for part in [
        "Record of an engine core wash, ZZ-RBA",
        "Maintenance entry",
        "Description of the work",
        "Date of completion",
        "Certificate number",
        "Approved maintenance data and the organisation's procedures take precedence",
        "The signer may be certifying; the tool is not",
        "Hot water",
        "Still open",
        "What was done",
        "Second looks",
        "From shift to shift",
        "Values against limits",
        "Findings",
        "Corrections",
        "Defects, and what was left out",
        "Timeline",
        "The facts as they were signed",
        "Who could sign",
        "Where it stands in the log",
        "rinsebook verify",
        "Good: what is shown is what was signed",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

//! The demonstration: three turn-rounds of an invented operator, played on a scripted clock through real stations, real
//! TLS on loopback and a real log. Every answer that it prints came over gRPC.

mod cast;
pub mod link;
pub mod shop;
pub mod stage;
pub mod story;

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::v1::{self, issue_pack_request::About};

use crate::query;
use crate::verify::{self, Fault};
pub use cast::Cast;
use shop::Shop;
use stage::Stage;
use story::Story;

/// How it is played.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Args {
    /// Leave the log, its key and all else in this new folder.
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
    /// Tell every answer whole: since when each item is open, what closes it, and who may.
    #[arg(long)]
    pub whole: bool,
    /// Go on serving at the end, until interrupted, so that the questions can be asked from another terminal.
    #[arg(long, requires = "keep")]
    pub serve: bool,
}

/// The three turn-rounds, in the order of their times.
pub fn stories() -> Result<Vec<Story>> {
    let scripts = [
        include_str!("demo/stories/morning.toml"),
        include_str!("demo/stories/shift.toml"),
        include_str!("demo/stories/late.toml"),
    ];
    scripts.into_iter().map(Story::parse).collect()
}

/// Plays it, telling the story to `out`; what is kept stays in its folder: the log in `log`, its verifier key in
/// `log.vkey`, a pack an aircraft in `packs`.
pub async fn run(args: Args, out: &mut (dyn Write + Send)) -> Result<()> {
    let keep = args.keep.as_deref();
    if let Some(dir) = keep.filter(|dir| dir.exists()) {
        bail!("{} exists already; name a new folder", dir.display());
    }
    let shop = match keep {
        Some(dir) => {
            std::fs::create_dir_all(dir)?;
            Shop::open_in(dir.join("shop"), None).await?
        }
        None => Shop::open().await?,
    };
    writeln!(
        out,
        "Everything here is invented: the operator and its aircraft ZZ-RBA, ZZ-RBB and ZZ-RBC, the engine types Ossavar\n\
         T2 and Tellmark R5 with their procedures, the stations, the people. No value of it is for work on an engine:\n\
         approved maintenance data and the organisation's procedures take precedence."
    )?;
    let mut stage = Stage::set(Cast::assemble(shop).await?, out).await?;
    stage.whole = args.whole;
    for story in stories()? {
        stage.play(&story).await?;
    }
    let mut shop = stage.close();
    packs(&shop, &args, out).await?;
    prove(&mut shop, keep, out).await?;
    if !args.whole {
        writeln!(
            out,
            "\nThat was in short; `--whole` tells since when each item is open, what closes it, and who may."
        )?;
    }
    if let (true, Some(dir)) = (args.serve, keep) {
        serve(&mut shop, dir, out).await?;
    }
    Ok(())
}

/// Gives out a pack an aircraft, and checks each as its receiver would.
async fn packs(shop: &Shop, args: &Args, out: &mut (dyn Write + Send)) -> Result<()> {
    let running = shop.service.as_ref().context("the service runs")?;
    let key = VerifierKey::parse(&running.verifier_key)?;
    let channel = crate::remote::connect(&shop.desk.home).await?;
    writeln!(out, "\n\n==== Packs: what an auditor is handed, checked with the log key alone")?;
    for aircraft in query::every_aircraft(channel.clone()).await? {
        let request = v1::IssuePackRequest {
            about: Some(About::Aircraft(aircraft.aircraft)),
            issued_to: "Quality, Northfell (invented)".to_owned(),
            purpose: "demonstration".to_owned(),
        };
        let bytes = query::pack::issued(channel.clone(), request).await?;
        let good =
            verify::pack::pack(&bytes, &verify::pack::AskedOfPack { log_key: Some(&key), ..Default::default() })?;
        let told = if args.whole { good.to_string() } else { good.sum().to_string() };
        writeln!(out, "\n-- {}, {} bytes\n{told}", aircraft.registration, bytes.len())?;
        if let Some(dir) = &args.keep {
            std::fs::create_dir_all(dir.join("packs"))?;
            std::fs::write(dir.join("packs").join(format!("{}.pack", aircraft.registration)), &bytes)?;
        }
    }
    Ok(())
}

/// Verifies the log, alters a copy, and shows that it is caught.
async fn prove(shop: &mut Shop, keep: Option<&Path>, out: &mut (dyn Write + Send)) -> Result<()> {
    let running = shop.service.take().context("the service runs")?;
    let key = VerifierKey::parse(&running.verifier_key)?;
    let stopped = running.stop().await?;
    let log = shop.data().join("log");
    writeln!(out, "\n\n==== The log ({} entries in {} groups)", stopped.entries, stopped.groups)?;
    writeln!(out, "{}", verify::log_dir(&log, Some(&key))?)?;

    let copy = shop.dir.join("altered-copy");
    copy_dir(&log, &copy)?;
    let (file, offset) = alter_one_byte(&copy)?;
    writeln!(out, "\n==== A copy of it, one bit of byte {offset} in {file} altered")?;
    match verify::log_dir(&copy, Some(&key)) {
        Err(fault @ Fault::Bad { .. }) => writeln!(out, "{fault}")?,
        other => bail!("the altered copy was not found bad: {other:?}"),
    }
    if let Some(dir) = keep {
        copy_dir(&log, &dir.join("log"))?;
        std::fs::write(dir.join("log.vkey"), format!("{key}\n"))?;
        writeln!(out, "\nkept in {}: log, log.vkey, packs", dir.display())?;
    }
    Ok(())
}

/// The service again, at the moment where the stories end, until somebody interrupts.
async fn serve(shop: &mut Shop, dir: &Path, out: &mut (dyn Write + Send)) -> Result<()> {
    shop.restart(&mut []).await?;
    let running = shop.service.as_ref().context("the service runs")?;
    writeln!(
        out,
        "\nserving on https://localhost:{} until interrupted; ask in another terminal:",
        running.address.port()
    )?;
    writeln!(out, "  rinsebook items --station {}", dir.join("shop/desk").display())?;
    out.flush()?;
    tokio::signal::ctrl_c().await?;
    shop.service.take().context("the service runs")?.stop().await?;
    Ok(())
}

fn copy_dir(from: &Path, to: &Path) -> Result<()> {
    std::fs::create_dir_all(to)?;
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        std::fs::copy(entry.path(), to.join(entry.file_name()))?;
    }
    Ok(())
}

/// One bit in the middle of what is written: the folder's first file.
fn alter_one_byte(log: &Path) -> Result<(String, usize)> {
    let entry = std::fs::read_dir(log)?.next().context("the log has a file")??;
    let mut bytes = std::fs::read(entry.path())?;
    let used = bytes.iter().rposition(|byte| *byte != 0).context("the log is not empty")?;
    let at = used / 2;
    bytes[at] ^= 1;
    std::fs::write(entry.path(), bytes)?;
    Ok((entry.file_name().to_string_lossy().into_owned(), at))
}

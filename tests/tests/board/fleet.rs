//! A board of a large operator: two thousand aircraft, five thousand items and more. How long things take is printed and
//! not judged, since that is the machine's.

use std::io::Write;
use std::time::Instant;

use anyhow::Result;
use rinsebook_client::enrol;
use rinsebook_client::station::Draft;
use rinsebook_client::sync::sync;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::v1::{self, EngineAt};
use rinsebook_tests::browser::Browser;
use rinsebook_tests::shop::{MORNING_MS, Shop, all_well, disconnected, reconnected};

use super::door;

const AIRCRAFT: usize = 2_000;
const ITEMS: u64 = 5_000;
/// So many facts are signed on one card and sent together.
const TOGETHER: usize = 500;

struct Craft {
    id: Id,
    wash: Id,
    engine: EngineAt,
    registration: String,
}

impl Craft {
    fn numbered(number: usize) -> Craft {
        let engine = EngineAt { position: 1, serial: format!("OT-{number:05}") };
        Craft { id: Id::random(), wash: Id::random(), engine, registration: format!("ZZ-F{number:04}") }
    }

    fn listed(&self) -> Draft {
        let kind = Kind::AircraftListed(v1::AircraftListed {
            aircraft: self.id.to_vec(),
            registration: self.registration.clone(),
            aircraft_type: "Invented 200".to_owned(),
            engines: vec![v1::InstalledEngine {
                engine: Some(self.engine.clone()),
                engine_type: "Ossavar T2".to_owned(),
            }],
        });
        let also = vec![Subject::Aircraft(self.id), Subject::Engine(self.engine.serial.clone())];
        enrol::roster_fact(kind, also, MORNING_MS)
    }

    fn opened(&self, shop: &Shop) -> Draft {
        let engine = v1::EngineInScope {
            engine: Some(self.engine.clone()),
            last_shutdown_ms: Some(MORNING_MS - 7_200_000),
            as_found: "no defect seen".to_owned(),
        };
        self.of_wash(Kind::WashOpened(v1::WashOpened {
            work_order: format!("WO-{}", &self.registration[4..]),
            procedure: Some(v1::ProcedureRef { digest: shop.procedure.to_vec() }),
            engines: vec![engine],
            devices: vec![],
            station: "North ramp".to_owned(),
        }))
    }

    fn of_wash(&self, kind: Kind) -> Draft {
        let engine = Subject::Engine(self.engine.serial.clone());
        self.fact(kind, vec![Subject::Aircraft(self.id), Subject::Wash(self.wash), engine])
    }

    fn fact(&self, kind: Kind, subjects: Vec<Subject>) -> Draft {
        Draft { happened_ms: MORNING_MS, kind, subjects, refers: vec![] }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_board_of_two_thousand_aircraft_can_be_used_and_a_change_arrives_without_a_reload() -> Result<()> {
    let mut shop = Shop::open().await?;
    let mut station = shop.station("ramp-1").await?;
    let fleet: Vec<Craft> = (0..AIRCRAFT).map(Craft::numbered).collect();
    for some in fleet.chunks(TOGETHER) {
        shop.desk.sign_card(&shop.custodian.key, some.iter().map(Craft::listed).collect())?;
        all_well(&sync(&mut shop.desk, 3).await?)?;
        let open = |craft: &Craft| [craft.opened(&shop), craft.of_wash(disconnected("PS-1")(craft.engine.clone()))];
        station.sign_card(&shop.technician.key, some.iter().flat_map(open).collect())?;
        all_well(&sync(&mut station, 3).await?)?;
    }

    let door = door(&shop).await?;
    let asked = Instant::now();
    let page = door.get("/").await?.text();
    let drawn_ms = asked.elapsed().as_millis();
    let number = |before: &str| -> u64 {
        let rest = page.split(before).nth(1).unwrap_or_else(|| panic!("no {before} in {page}"));
        rest.chars().take_while(|c| c.is_ascii_digit()).collect::<String>().parse().expect("digits")
    };
    let (aircraft, items) = (number("Aircraft: <b>"), number("Open items: <b>"));
    assert!(aircraft >= AIRCRAFT as u64 && items >= ITEMS, "{aircraft} aircraft, {items} items");
    writeln!(
        std::io::stderr(),
        "{aircraft} aircraft, {items} items: the page came in {drawn_ms} ms with {} kB",
        page.len() / 1000
    )?;

    let browser = Browser::open().await?;
    browser.sized(1920, 1080).await?;
    let opened = Instant::now();
    browser.goto(&door.url("/")).await?;
    browser.until("it is live", "return document.getElementById('live').innerText.startsWith('Live.')").await?;
    writeln!(std::io::stderr(), "a browser shows it live after {} ms", opened.elapsed().as_millis())?;
    let rows = browser.run("return document.querySelectorAll('.craft').length").await?;
    writeln!(std::io::stderr(), "{rows} aircraft on its first page")?;
    super::looks::keep(&browser, "fleet-wall").await?;

    // Whoever looks for one aircraft finds it, though it stands far down.
    browser.goto(&door.url("/?aircraft=F1987")).await?;
    browser.run("window.loadedOnce = true").await?;
    browser.until("it is live", "return document.getElementById('live').innerText.startsWith('Live.')").await?;
    let row = "return (document.querySelector('.craft')?.innerText ?? '')";
    browser.until("it is there", &format!("{row}.includes('PS-1 disconnected')")).await?;
    let craft = &fleet[1987];
    let signed = Instant::now();
    station.sign_card(&shop.technician.key, vec![craft.of_wash(reconnected("PS-1")(craft.engine.clone()))])?;
    all_well(&sync(&mut station, 3).await?)?;
    let acknowledged = Instant::now();
    browser.until("the change shows", &format!("{row}.includes('PS-1 not inspected')")).await?;
    writeln!(
        std::io::stderr(),
        "a change shows {} ms after its acknowledgement, {} ms after its signature",
        acknowledged.elapsed().as_millis(),
        signed.elapsed().as_millis()
    )?;
    assert_eq!(browser.run("return window.loadedOnce").await?, true, "the page was not loaded again");
    browser.close().await
}

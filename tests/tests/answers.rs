//! A question and its answer kept in the log: given again, word for word, whenever it is asked from the same size and time.

use prost::Message;
use rinsebook_client::remote;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::rpc::records_client::RecordsClient;
use rinsebook_client::sync::sync;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::v1::{self, get_fact_request::By};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};

const MINUTE_MS: u64 = 60_000;

async fn assess(shop: &Shop, request: v1::AssessRequest) -> v1::AssessResponse {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    OpenItemsClient::new(channel).assess(request).await.unwrap().into_inner()
}

/// The answer that the log holds the digest of, in a fact of the service.
async fn recorded(shop: &Shop, index: u64) -> v1::QuestionAnswered {
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let request = v1::GetFactRequest { by: Some(By::Index(index)) };
    let fact = RecordsClient::new(channel).get_fact(request).await.unwrap().into_inner().fact.unwrap();
    let signed = Signed::parse(&fact.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap();
    match signed.kind() {
        Some(Kind::QuestionAnswered(answered)) => answered.clone(),
        other => panic!("{other:?}"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_answer_that_was_kept_is_given_again_word_for_word_after_the_work_went_on() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let facts = vec![wash.opened(&shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS + MINUTE_MS)];
    shop.clock.set(MORNING_MS + 2 * MINUTE_MS);
    station.sign_card(&shop.technician.key, facts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();

    let question = v1::AssessRequest {
        aircraft: shop.aircraft.to_vec(),
        planned_start_ms: Some(MORNING_MS + 600 * MINUTE_MS),
        assume_closed: vec!["tool-check-due".to_owned()],
        record: true,
        ..v1::AssessRequest::default()
    };
    let first = assess(&shop, question.clone()).await;
    let told = first.assessment.unwrap();
    assert!(told.first_line.starts_with("Assuming"), "{}", told.first_line);
    let answered = recorded(&shop, first.recorded_as.unwrap().index).await;
    let as_of = told.as_of.unwrap();
    assert_eq!((answered.at_size, answered.at_time_ms), (as_of.size, as_of.time_ms));
    assert_eq!(answered.rules_version, told.rules_version);
    assert_eq!(answered.assessment.unwrap().digest, Hash::of(&told.encode_to_vec()).to_vec());

    shop.clock.set(MORNING_MS + 20 * MINUTE_MS);
    let closed = wash.on(2, reconnected("PS-1"), MORNING_MS + 10 * MINUTE_MS);
    station.sign_card(&shop.technician.key, vec![closed]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    shop.restart(&mut [&mut station]).await.unwrap();

    let then = |record: bool| v1::AssessRequest {
        at_size: Some(as_of.size),
        at_time_ms: Some(as_of.time_ms),
        record,
        ..question.clone()
    };
    assert_eq!(assess(&shop, then(false)).await.assessment.unwrap(), told);
    let now = assess(&shop, v1::AssessRequest { record: false, ..question.clone() }).await.assessment.unwrap();
    assert_ne!(now.first_line, told.first_line, "the line is connected by now");
}

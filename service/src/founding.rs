//! Whether a founding fact fits this service. It is the one fact that nobody enrolled before it can vouch for.

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::key::{self, VerifyingKey};
use rinsebook_proto::v1;

/// Whether a founding fact fits this service and the certificate it came over; otherwise why not.
pub fn check_founding(
    founded: &v1::RecordFounded,
    author: &Hash,
    identity: &crate::identity::Identity,
    peer_tls_key: &Hash,
) -> Result<VerifyingKey, &'static str> {
    let custodian = founded.custodian_key.as_ref().ok_or("it names no custodian's key")?;
    let key = key::public_key(&custodian.public_key).map_err(|_| "the custodian's key is not usable")?;
    let device = founded.custodian_device.as_ref().ok_or("it names no device")?;
    let report_key = key::public_key(&device.report_key).map_err(|_| "the device's report key is not usable")?;
    let checks = [
        (key::key_id(&key) == *author, "it is not signed by the custodian's key that it names"),
        (
            key::possesses(&key, &custodian.person, &custodian.possession),
            "the custodian's proof of possession does not hold",
        ),
        (
            key::possesses(&report_key, &device.device, &device.possession),
            "the device's proof of possession does not hold",
        ),
        (device.tls_key_digest == peer_tls_key.0, "the device that it names has another certificate"),
        (founded.origin_name == identity.origin_name, "it names another log than this service keeps"),
        (
            founded.log_public_key == identity.log_key.verifying_key().as_bytes(),
            "it names another log key than this service has",
        ),
        (
            founded.service_fact_key == identity.fact_key.verifying_key().as_bytes(),
            "it names another fact key than this service has",
        ),
        (founded.service_device == identity.device.0, "it names another service device"),
    ];
    match checks.iter().find(|(good, _)| !good) {
        Some((_, why)) => Err(why),
        None => Ok(key),
    }
}

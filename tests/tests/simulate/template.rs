//! What every story begins from: a record that is founded, with its folders, people and certificates.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum_server::tls::TlsInfo;
use pkcs8::{PrivateKeyInfoRef, pkcs5};
use rinsebook_client::sync::sync;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::journal::Disk;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::VerifierKey;
use rinsebook_tests::folder::copy_dir;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash};
use rinsebook_tests::world::disk::SimDisk;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

/// Stations of technicians in a story.
pub(crate) const STATIONS: usize = 3;
/// All that sign and send: those, and the custodian's desk.
pub(crate) const SENDERS: usize = STATIONS + 1;

/// See the module.
pub(crate) struct Template {
    dir: tempfile::TempDir,
    pub(crate) aircraft: Id,
    pub(crate) wash: Wash,
    pub(crate) technician: SigningKey,
    pub(crate) inspector: SigningKey,
    pub(crate) custodian: SigningKey,
    pub(crate) technician_id: Id,
    pub(crate) log_key: VerifierKey,
    /// What connections from a machine show, by its name in the network.
    pub(crate) shown: HashMap<String, Arc<TlsInfo>>,
}

impl Template {
    pub(crate) async fn make() -> Template {
        let dir = memory_dir();
        let mut shop = Shop::open_in(dir.path().to_owned(), None).await.unwrap();
        let wash = Wash::of(shop.aircraft);
        let desk = shop.desk.home.path("");
        let at_desk = ["desk", "planner", "witness"].map(|name| (name.to_owned(), shows(&desk)));
        let mut shown = HashMap::from(at_desk);
        for n in 0..STATIONS {
            let mut station = shop.station(&sender(n)).await.unwrap();
            if n == 0 {
                station.sign_card(&shop.technician.key, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
                sync(&mut station, 1).await.unwrap();
            }
            shown.insert(sender(n), shows(&station.home.path("")));
        }
        let running = shop.service.take().unwrap();
        let log_key = VerifierKey::parse(&running.verifier_key).unwrap();
        running.stop().await.unwrap();
        for home in (0..SENDERS).map(|n| shop.dir.join(sender(n))) {
            quicken(&home.join("report.pem"), &home.join("passphrase"));
        }
        let keys = shop.data().join("keys");
        for file in std::fs::read_dir(&keys).unwrap().map(|file| file.unwrap().path()) {
            if file.extension().is_some_and(|extension| extension == "pem") {
                quicken(&file, &keys.join("passphrase"));
            }
        }
        Template {
            aircraft: shop.aircraft,
            wash,
            technician: shop.technician.key.clone(),
            inspector: shop.inspector.key.clone(),
            custodian: shop.custodian.key.clone(),
            technician_id: shop.technician.id,
            log_key,
            shown,
            dir,
        }
    }

    /// A copy of all folders.
    pub(crate) fn copy(&self) -> tempfile::TempDir {
        let dir = memory_dir();
        copy_dir(self.dir.path(), dir.path());
        dir
    }
}

/// A sender's name.
pub(crate) fn sender(n: usize) -> String {
    if n < STATIONS { format!("ramp-{n}") } else { "desk".to_owned() }
}

/// In memory where the system has such a folder: what becomes of files is for the simulated disks to say.
fn memory_dir() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

/// Puts a folder of segments on a simulated disk, synced.
pub(crate) fn put_on(disk: &SimDisk, dir: &Path) {
    let mut above: Vec<&Path> = dir.ancestors().collect();
    above.reverse();
    for at in above {
        disk.create_dir(at).unwrap();
        disk.sync_dir(at.parent().unwrap_or(at)).unwrap();
    }
    let mut files: Vec<PathBuf> = std::fs::read_dir(dir).unwrap().map(|file| file.unwrap().path()).collect();
    files.sort();
    for path in files {
        let file = disk.create(&path).unwrap();
        file.write_at(&std::fs::read(&path).unwrap(), 0).unwrap();
        file.fdatasync().unwrap();
    }
    disk.sync_dir(dir).unwrap();
}

fn shows(home: &Path) -> Arc<TlsInfo> {
    let mut info = TlsInfo::default();
    info.peer_certificates = vec![CertificateDer::from_pem_file(home.join("device.crt")).unwrap().to_vec()];
    Arc::new(info)
}

/// Encrypts a key file anew so that it opens at once: thousands of starts open it, and how hard a passphrase is to guess
/// is no matter of theirs.
fn quicken(file: &Path, passphrase: &Path) {
    let passphrase = std::fs::read_to_string(passphrase).unwrap();
    let passphrase = passphrase.trim_end().as_bytes();
    let key = key::from_pem(&std::fs::read_to_string(file).unwrap(), passphrase).unwrap();
    let inner = [&[0x04, 0x20][..], key.as_bytes()].concat();
    let info = PrivateKeyInfoRef {
        algorithm: ed25519_dalek::pkcs8::ALGORITHM_ID,
        private_key: pkcs8::der::asn1::OctetStringRef::new(&inner).unwrap(),
        public_key: None,
    };
    let scrypt = pkcs5::scrypt::Params::new(1, 1, 1).unwrap();
    let parameters = pkcs5::pbes2::Parameters::generate_scrypt_aes256cbc(scrypt, &[7; 16], [9; 16]).unwrap();
    let document = info.encrypt_with_params(parameters, passphrase).unwrap();
    std::fs::write(file, document.to_pem("ENCRYPTED PRIVATE KEY", pkcs8::der::pem::LineEnding::LF).unwrap().as_bytes())
        .unwrap();
    assert_eq!(key::from_pem(&std::fs::read_to_string(file).unwrap(), passphrase).unwrap().to_bytes(), key.to_bytes());
}

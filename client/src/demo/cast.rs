//! The invented scenario: an operator with three aircraft of two types, two stations, seven people, one rig.

use std::collections::BTreeMap;

use anyhow::{Context, Result};
use rinsebook_proto::bytes::Id;
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::v1::{self, Authority};

use super::shop::{Shop, ask};
use crate::names::Names;

const TELLMARK: &[u8] = include_bytes!("../../../deploy/procedures/tellmark-r5.toml");

/// Everybody, and the shop that they work for.
pub struct Cast {
    /// The shop.
    pub shop: Shop,
    keys: BTreeMap<String, SigningKey>,
    /// What people are called on cards.
    pub names: Names,
    aircraft: BTreeMap<String, Id>,
}

impl Cast {
    /// Enrols who and what the shop has not yet.
    pub async fn assemble(mut shop: Shop) -> Result<Cast> {
        let mut keys = BTreeMap::new();
        let mut names = Names::default();
        let joren = shop.enrol("Joren Velt (invented)", &[Authority::Perform]).await?;
        let pell = shop.enrol("Pell Ostrava (invented)", &[Authority::Plan]).await?;
        let quill = shop.enrol("Quill Ansberg (invented)", &[]).await?;
        shop.grant(shop.certifier.id, &[Authority::Waive]).await?;
        shop.publish(TELLMARK).await?;
        let second = shop.list("ZZ-RBB", "Invented 200", "Ossavar T2", ["OT-0003", "OT-0004"]).await?;
        let third = shop.list("ZZ-RBC", "Invented 500", "Tellmark R5", ["TR-0001", "TR-0002"]).await?;
        let people = [
            ("mira", &shop.custodian),
            ("ida", &shop.technician),
            ("tuva", &shop.inspector),
            ("halka", &shop.certifier),
            ("joren", &joren),
            ("pell", &pell),
            ("quill", &quill),
        ];
        for (name, person) in people {
            keys.insert(name.to_owned(), person.key.clone());
            names.people.insert(name.to_owned(), person.id.to_string());
        }
        let listed = [("ZZ-RBA", shop.aircraft), ("ZZ-RBB", second), ("ZZ-RBC", third)];
        let aircraft = listed.into_iter().map(|(name, id)| (name.to_owned(), id)).collect();
        Ok(Cast { shop, keys, names, aircraft })
    }

    /// What somebody signs with.
    pub fn key(&self, name: &str) -> Result<SigningKey> {
        self.keys.get(name).cloned().with_context(|| format!("nobody is called {name}"))
    }

    /// What the service answers about an aircraft now, kept in the log.
    pub async fn assess(&self, registration: &str) -> Result<v1::Assessment> {
        let aircraft = self.aircraft.get(registration).with_context(|| format!("no aircraft is {registration}"))?;
        ask(&self.shop.desk.home, aircraft, true).await
    }
}

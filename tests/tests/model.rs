//! A small model of how a fact comes from a device into the log, checked in every order of events: a device signs in runs,
//! sends over a network that loses, doubles and delays, the service writes, syncs and acknowledges, and either crashes at
//! any moment. What the model leaves out is tried on the real code elsewhere; here no order of events is left out.
#![allow(clippy::print_stdout)] // It prints how many states it saw.

use std::collections::BTreeSet;

use stateright::{Checker, Model, Property};

/// A fact by its place: the run of its device, and its counter in it.
type Fact = (u8, u8);

/// What is checked, and what is taken away for a control.
#[derive(Debug, Clone, Copy)]
struct Protocol {
    syncs_before_acknowledging: bool,
    checks_the_counter: bool,
    facts: usize,
    crashes: u8,
}

const REAL: Protocol = Protocol { syncs_before_acknowledging: true, checks_the_counter: true, facts: 3, crashes: 2 };

#[derive(Debug, Clone, Hash, PartialEq, Eq)]
struct World {
    /// What the device has signed and saved, in order.
    outbox: Vec<Fact>,
    run: u8,
    /// Receipts that the device has; a crash may take those that it had not synced.
    receipts: BTreeSet<Fact>,
    /// On their way. They stay, so that each can come twice, late, in another order, or never.
    sent: BTreeSet<Fact>,
    acknowledgements: BTreeSet<Fact>,
    /// The log as its disk has it, and what is written and not synced.
    synced: Vec<Fact>,
    written: Vec<Fact>,
    /// Once acknowledged, always to be there: what no crash may undo.
    promised: BTreeSet<Fact>,
    crashes: u8,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Event {
    Sign,
    Send(Fact),
    Arrive(Fact),
    Sync,
    Receipt(Fact),
    ServiceCrash,
    DeviceCrash,
}

impl World {
    fn log(&self) -> impl Iterator<Item = &Fact> {
        self.synced.iter().chain(&self.written)
    }

    fn next_counter(&self, run: u8) -> u8 {
        self.log().filter(|(of, _)| *of == run).count() as u8
    }

    fn acknowledge(&mut self, fact: Fact) {
        self.acknowledgements.insert(fact);
        self.promised.insert(fact);
    }

    fn arrive(&mut self, fact: Fact, protocol: &Protocol) {
        if protocol.checks_the_counter && self.log().any(|held| *held == fact) {
            // Known: told again, once it is synced.
            if self.synced.contains(&fact) {
                self.acknowledge(fact);
            }
            return;
        }
        if protocol.checks_the_counter && fact.1 != self.next_counter(fact.0) {
            return;
        }
        self.written.push(fact);
        if !protocol.syncs_before_acknowledging {
            self.acknowledge(fact);
        }
    }

    fn sync(&mut self) {
        for fact in std::mem::take(&mut self.written) {
            self.synced.push(fact);
            self.acknowledge(fact);
        }
    }
}

impl Model for Protocol {
    type State = World;
    type Action = Event;

    fn init_states(&self) -> Vec<World> {
        vec![World {
            outbox: Vec::new(),
            run: 0,
            receipts: BTreeSet::new(),
            sent: BTreeSet::new(),
            acknowledgements: BTreeSet::new(),
            synced: Vec::new(),
            written: Vec::new(),
            promised: BTreeSet::new(),
            crashes: 0,
        }]
    }

    fn actions(&self, world: &World, events: &mut Vec<Event>) {
        if world.outbox.len() < self.facts {
            events.push(Event::Sign);
        }
        let unsent = world.outbox.iter().filter(|f| !world.receipts.contains(f) && !world.sent.contains(f));
        events.extend(unsent.map(|fact| Event::Send(*fact)));
        // Without the counter check a fact could come for ever: the log's length bounds the search.
        if world.log().count() < self.facts + 1 {
            events.extend(world.sent.iter().map(|fact| Event::Arrive(*fact)));
        }
        if !world.written.is_empty() {
            events.push(Event::Sync);
        }
        events.extend(world.acknowledgements.difference(&world.receipts).map(|fact| Event::Receipt(*fact)));
        if world.crashes < self.crashes {
            events.extend([Event::ServiceCrash, Event::DeviceCrash]);
        }
    }

    fn next_state(&self, before: &World, event: Event) -> Option<World> {
        let mut world = before.clone();
        match event {
            Event::Sign => {
                let counter = world.outbox.iter().filter(|(run, _)| *run == world.run).count() as u8;
                world.outbox.push((world.run, counter));
            }
            Event::Send(fact) => {
                world.sent.insert(fact);
            }
            Event::Arrive(fact) => world.arrive(fact, self),
            Event::Sync => world.sync(),
            Event::Receipt(fact) => {
                world.receipts.insert(fact);
            }
            Event::ServiceCrash => {
                world.written.clear();
                world.crashes += 1;
            }
            Event::DeviceCrash => {
                // Receipts are gone, so that all is sent again; the next fact begins a run.
                world.receipts.clear();
                world.run += 1;
                world.crashes += 1;
            }
        }
        (world != *before).then_some(world)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        vec![
            Property::always(LOST, |_, world: &World| {
                world.promised.iter().all(|fact| world.log().any(|held| held == fact))
            }),
            Property::always(DOUBLED, |_, world: &World| {
                world.log().collect::<BTreeSet<_>>().len() == world.log().count()
            }),
            Property::always(REORDERED, |_, world: &World| {
                let in_order = |run: u8| {
                    let counters = world.log().filter(move |(of, _)| *of == run).map(|(_, counter)| *counter);
                    counters.zip(0..).all(|(counter, expected): (u8, u8)| counter <= expected)
                };
                (0..=world.run).all(in_order)
            }),
            Property::sometimes(FINISHED, |protocol: &Protocol, world: &World| {
                world.receipts.len() == protocol.facts && world.crashes == protocol.crashes
            }),
        ]
    }
}

const LOST: &str = "what was acknowledged is in the log";
const DOUBLED: &str = "no fact is in the log twice";
const REORDERED: &str = "no fact stands before one that its device signed earlier in the run";
const FINISHED: &str = "everything is acknowledged in the end, crashes and all";

#[test]
fn in_every_order_of_events_nothing_acknowledged_is_lost_doubled_or_reordered() {
    let checker = REAL.checker().threads(2).spawn_bfs().join();
    println!("{} states", checker.unique_state_count());
    checker.assert_properties();
    assert!(checker.is_done() && checker.unique_state_count() > 2_000, "{}", checker.unique_state_count());
}

#[test]
fn acknowledging_before_the_sync_is_found_to_lose_a_fact() {
    let checker = Protocol { syncs_before_acknowledging: false, ..REAL }.checker().spawn_bfs().join();
    assert!(checker.discovery(LOST).is_some());
}

#[test]
fn leaving_the_counter_check_out_is_found_to_double_and_to_reorder_facts() {
    let checker = Protocol { checks_the_counter: false, ..REAL }.checker().spawn_bfs().join();
    assert!(checker.discovery(DOUBLED).is_some() && checker.discovery(REORDERED).is_some());
}

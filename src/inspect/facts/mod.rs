//! From frames to facts: a [`Sink`] that counts, measures and listens while a file streams by.
//!
//! Nothing is kept of the frames but sums and small tables, all of fixed size at most. Nearly all frames are counted
//! alone; what else is done with an identifier is decided when it is first seen.

mod bus;
mod clock;
mod engine;
mod identity;
mod ids;
mod summary;
mod timeline;
mod trouble;

use std::collections::{BTreeMap, BTreeSet};

use bus::Bus;
use clock::Clock;
pub use clock::{began, gps_turns, zone};
use engine::Engine;
use identity::Identity;
use ids::{Class, Ids};
pub use summary::{
    Began, BusLine, ClockLine, ClockSource, ClockStep, DamageLine, Drops, EngineLine, Gap, Meter, Node,
    Summary, TroubleCode, TroubleLine, VinLine, VinSource,
};
use summary::{seconds, stamp};
use timeline::Timeline;
use trouble::Troubles;

use super::canopen;
use super::damage::Damage;
use super::frame::{Frame, Kind, Sink};
use super::isotp::{self, Answers, Told};
use super::j1939::{self, Id, Message, Transport, VehicleTime};

/// Places of damage that are told one by one.
const DAMAGE: usize = 100;
/// Gaps that are told: of at least a second, and so many.
const GAP: i64 = 1_000_000_000;
const GAPS: usize = 10;
/// Bytes of a bus's name that are kept.
const NAME: usize = 64;
/// Nodes that a CANopen network may have.
const NODES: usize = 127;

/// The bit rates of the buses, bit/s, as far as they are known.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Rates {
    /// Of every frame, or of its arbitration (FD).
    pub nominal: Option<u32>,
    /// Of the payload of FD frames.
    pub data: Option<u32>,
}

/// Gathers the facts of one file.
#[derive(Debug, Default)]
pub struct Facts {
    rates: Rates,
    frames: u64,
    remote: u64,
    error: u64,
    fd: u64,
    timeline: Timeline,
    buses: Vec<Bus>,
    ids: Ids,
    engine: Engine,
    clock: Clock,
    identity: Identity,
    transport: Transport,
    answers: Answers,
    nodes: BTreeMap<u8, Node>,
    /// Times of the CANopen time object, which count only among heartbeats: others use its identifier, too.
    times: Clock,
    troubles: Troubles,
    drops: Drops,
    damage: Vec<DamageLine>,
    damaged_places: u64,
}

impl Sink for Facts {
    #[inline]
    fn frame(&mut self, frame: &Frame<'_>) {
        let Frame { at, id, kind, .. } = *frame;
        self.frames += 1;
        self.timeline.see(at);
        if let Some(before) = self.bus_of(frame.bus).see(frame) {
            self.clock.pass(before, at);
        }
        self.fd += u64::from(kind.has(Kind::FD));
        if kind.has(Kind::ERROR) {
            self.error += 1;
            return;
        }
        let class = self.ids.see(id, kind.has(Kind::EXTENDED));
        if kind.has(Kind::REMOTE) {
            self.remote += 1;
        } else if class != Class::Plain {
            self.listen(class, frame);
        }
    }

    fn dropped(&mut self, frames: Option<u64>) {
        self.drops.reports += 1;
        self.drops.frames = self.drops.frames.saturating_add(frames.unwrap_or(0));
    }

    fn damage(&mut self, at: u64, damage: Damage) {
        self.damaged_places += 1;
        if self.damage.len() < DAMAGE {
            let (code, text) = (damage.code().to_owned(), damage.to_string());
            self.damage.push(DamageLine { code, text, at_byte: at });
        }
    }

    fn bus(&mut self, bus: u8, name: &str) {
        // It is told on terminals and in mails.
        self.bus_of(bus).name = name.chars().filter(|c| !c.is_control()).take(NAME).collect();
    }
}

impl Facts {
    /// Facts of a file whose buses have these rates.
    pub fn new(rates: Rates) -> Self {
        Self { rates, ..Self::default() }
    }

    #[inline]
    fn bus_of(&mut self, bus: u8) -> &mut Bus {
        let place = usize::from(bus);
        while self.buses.len() <= place {
            self.buses.push(Bus::of(self.rates));
        }
        &mut self.buses[place]
    }

    /// A frame that says something.
    #[cold]
    fn listen(&mut self, class: Class, frame: &Frame<'_>) {
        let Frame { at, bus, id, data, .. } = *frame;
        let from = Id::of(id).source;
        let sender = |rank, number| (rank, number, bus, from);
        match class {
            Class::Plain => {}
            Class::EngineSpeed => {
                if let Some(rpm) = j1939::engine_speed(data) {
                    self.engine.speed(sender(0, 190), at, rpm);
                }
            }
            Class::Speed => {
                if let Some(speed) = j1939::wheel_speed(data) {
                    self.engine.road(sender(0, 84), at, speed);
                }
            }
            Class::TachographSpeed => {
                if let Some(speed) = j1939::tachograph_speed(data) {
                    self.engine.road(sender(1, 1624), at, speed);
                }
            }
            Class::Hours => {
                if let Some(hours) = j1939::engine_hours(data) {
                    self.engine.hours(sender(0, 247), hours);
                }
            }
            Class::FineDistance => {
                if let Some(km) = j1939::fine_distance(data) {
                    self.engine.distance(sender(0, 917), km);
                }
            }
            Class::Distance => {
                if let Some(km) = j1939::distance(data) {
                    self.engine.distance(sender(1, 245), km);
                }
            }
            Class::TimeDate => match j1939::time_date(data) {
                Some(VehicleTime::Utc(time)) => self.clock.told(ClockSource::J1939, from, false, at, time),
                Some(VehicleTime::Local(time)) => self.clock.told(ClockSource::J1939, from, true, at, time),
                None => {}
            },
            Class::Trouble => self.troubles.heard(from, data),
            Class::Identification => self.identity.heard(bus, VinSource::J1939, from, data),
            Class::Transport => match self.transport.frame(bus, Id::of(id), at, data) {
                Some(Message { pgn: j1939::VI, source, data, .. }) => {
                    self.identity.heard(bus, VinSource::J1939, source, data);
                }
                Some(Message { pgn: j1939::DM1, source, data, .. }) => self.troubles.heard(source, data),
                _ => {}
            },
            Class::Answer => self.answer(frame),
            Class::Time => {
                if let Some(time) = canopen::time(data) {
                    self.times.told(ClockSource::Canopen, 0, false, at, time);
                }
            }
            Class::Heartbeat => {
                if let Some(node) = canopen::heartbeat(id, data)
                    && self.nodes.len() < NODES
                {
                    self.nodes.entry(node).or_insert(Node { node, ..Node::default() });
                }
            }
            Class::Service => {
                if let Some(part) = canopen::identity(id, data) {
                    let node =
                        self.nodes.entry(part.node).or_insert(Node { node: part.node, ..Node::default() });
                    let place = match part.part {
                        1 => &mut node.vendor,
                        2 => &mut node.product,
                        3 => &mut node.revision,
                        _ => &mut node.serial,
                    };
                    *place = Some(part.value);
                }
            }
        }
    }

    fn answer(&mut self, frame: &Frame<'_>) {
        let Frame { at, bus, id, kind, data, .. } = *frame;
        let Some(from) = isotp::responder(id, kind.has(Kind::EXTENDED)) else { return };
        let Some(answer) = self.answers.frame(bus, id, at, data) else { return };
        let (identity, engine) = (&mut self.identity, &mut self.engine);
        // J1939 is believed first: it is said without being asked.
        let sender = |number| (2, number, bus, from);
        isotp::read(answer, |told| match told {
            Told::Vin(text, source) => identity.heard(bus, source, from, text),
            Told::EngineSpeed(rpm) => engine.speed(sender(0x0C), at, rpm),
            Told::Speed(speed) => engine.road(sender(0x0D), at, speed),
            Told::Odometer(km) => engine.distance(sender(0xA6), km),
        });
    }

    /// All of it.
    pub fn finish(self) -> Summary {
        let span = self.timeline.span;
        let steps_back = self.timeline.steps_back;
        let holes = self.timeline.largest();
        let mut pgns = BTreeSet::new();
        let mut addresses = BTreeSet::new();
        for (id, extended) in self.ids.all() {
            // Diagnostics of ISO 15765-4 uses identifiers that J1939 leaves to it.
            if extended && !matches!(id >> 16 & 0xFF, 0xDA | 0xDB) {
                let id = Id::of(id);
                pgns.insert(id.pgn);
                addresses.insert(id.source);
            }
        }
        let canopen = self.nodes.values().next().is_some();
        let clock = if canopen { self.clock.or(self.times) } else { self.clock };
        let (vin, vins) = self.identity.end();
        Summary {
            complete: self.damaged_places == 0,
            damage: self.damage,
            damaged_places: self.damaged_places,
            frames: self.frames,
            remote: self.remote,
            error: self.error,
            fd: self.fd,
            first: span.and_then(|(first, _)| stamp(first)),
            last: span.and_then(|(_, last)| stamp(last)),
            largest_gap_s: holes.first().map(|(from, to)| seconds(to.saturating_sub(*from))),
            gaps: holes
                .iter()
                .take(GAPS)
                .filter(|(from, to)| to.saturating_sub(*from) >= GAP)
                .filter_map(|&(from, to)| {
                    Some(Gap { from: stamp(from)?, to: stamp(to)?, s: seconds(to.saturating_sub(from)) })
                })
                .collect(),
            steps_back,
            ids: self.ids.count(),
            buses: self.buses.into_iter().map(Bus::end).collect(),
            pgns: pgns.into_iter().collect(),
            addresses: addresses.into_iter().collect(),
            vin,
            vins,
            engine: self.engine.end(),
            clock: clock.end(span),
            trouble: self.troubles.end(),
            drops: self.drops,
            nodes: self.nodes.into_values().collect(),
        }
    }
}

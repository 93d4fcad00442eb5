//! What is known of a file once it was read. Field for field what `yarder inspect --json` prints.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::inspect::j1939::Lamp;

/// Facts about one log file. Times are the logger's own.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Whether nothing is wrong with it.
    pub complete: bool,
    /// What is wrong; the first hundred places.
    pub damage: Vec<DamageLine>,
    /// How many places there are.
    pub damaged_places: u64,
    /// Readable frames, of every kind.
    pub frames: u64,
    /// Remote frames among them.
    pub remote: u64,
    /// Error frames among them.
    pub error: u64,
    /// CAN FD frames among them.
    pub fd: u64,
    /// Earliest time.
    pub first: Option<Timestamp>,
    /// Latest time.
    pub last: Option<Timestamp>,
    /// The longest time without a frame, on the sorted timeline, s.
    pub largest_gap_s: Option<f64>,
    /// The longest ones of a second and more, longest first, ten at most.
    pub gaps: Vec<Gap>,
    /// Frames earlier than the one before them in the file.
    pub steps_back: u64,
    /// Different identifiers of data and remote frames.
    pub ids: u64,
    /// The buses, in order of appearance.
    pub buses: Vec<BusLine>,
    /// J1939 parameter groups, where the identifiers are J1939's.
    pub pgns: Vec<u32>,
    /// J1939 source addresses.
    pub addresses: Vec<u8>,
    /// The vehicle's VIN.
    pub vin: Option<VinLine>,
    /// Every VIN that was heard, by sender.
    pub vins: Vec<VinLine>,
    /// Whether the engine ran, and how far the vehicle went.
    pub engine: EngineLine,
    /// Whether the logger's clock was right.
    pub clock: ClockLine,
    /// What the vehicle says is wrong with it.
    #[serde(default)]
    pub trouble: TroubleLine,
    /// What the recorder says that it lost.
    pub drops: Drops,
    /// Nodes of a CANopen machine.
    pub nodes: Vec<Node>,
}

/// One thing that is wrong with a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DamageLine {
    /// `cut-line`, `torn-record` ...
    pub code: String,
    /// In words.
    pub text: String,
    /// Where, in bytes of the unpacked content.
    pub at_byte: u64,
}

/// A time without a frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// The last frame before.
    pub from: Timestamp,
    /// The first frame after.
    pub to: Timestamp,
    /// In seconds.
    pub s: f64,
}

/// A bus.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BusLine {
    /// As the recorder calls it.
    pub name: String,
    /// Frames.
    pub frames: u64,
    /// The bit rate that loads are computed for, bit/s.
    pub bit_rate: Option<u32>,
    /// Percent of the time between its first and last frame that frames held the bus, stuff bits counted.
    pub load: Option<f64>,
    /// The same without any stuff bit.
    pub load_low: Option<f64>,
    /// The same with as many as there can be.
    pub load_high: Option<f64>,
    /// Most frames in a second of the logger's clock.
    pub peak_frames_per_s: u32,
    /// Frames beyond what the bit rate allows in a second: wrong times, two buses in one, or doubled records.
    pub impossible_frames: u64,
    /// Earliest time.
    pub first: Option<Timestamp>,
    /// Latest time.
    pub last: Option<Timestamp>,
}

/// Who told a VIN.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VinSource {
    /// J1939, group 65260.
    J1939,
    /// OBD, service 09.
    Obd,
    /// UDS, identifier F190h.
    Uds,
}

/// A VIN that was heard.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct VinLine {
    /// 17 characters.
    pub value: String,
    /// How it was told.
    pub source: VinSource,
    /// By whom: J1939 source address, or the low byte of the answering identifier.
    pub address: u8,
    /// Whether its ninth character is the check digit of 49 CFR 565.15, which binds in North America alone.
    pub check_digit: bool,
}

/// The engine, and the road. What nobody sent is null.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct EngineLine {
    /// Whether it ran for ten seconds or more.
    pub ran: Option<bool>,
    /// How long it ran by its speed, s.
    pub running_s: Option<f64>,
    /// Highest speed of the engine, rpm.
    pub rpm_max: Option<f64>,
    /// Highest speed of the vehicle, km/h.
    pub speed_max_km_h: Option<f64>,
    /// Way within the file, km: by the odometer, or else by the speed.
    pub distance_km: Option<f64>,
    /// Total engine hours, h.
    pub hours: Option<Meter>,
    /// Total distance, km.
    pub odometer: Option<Meter>,
}

/// A counter at the beginning and at the end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Meter {
    /// Which: the J1939 parameter (SPN), or the OBD one below 256.
    pub number: u32,
    /// Who counts.
    pub address: u8,
    /// First value.
    pub first: f64,
    /// Last value.
    pub last: f64,
}

/// Who tells the time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockSource {
    /// J1939, group 65254.
    J1939,
    /// The CANopen time object.
    Canopen,
}

/// Where a clock begins that lost its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Began {
    /// Unix, and loggers that know no time at all.
    #[serde(rename = "1970-01-01")]
    Y1970,
    /// FAT.
    #[serde(rename = "1980-01-01")]
    Y1980,
    /// GPS.
    #[serde(rename = "1980-01-06")]
    Gps1980,
    /// CANopen.
    #[serde(rename = "1984-01-01")]
    Y1984,
    /// J1939.
    #[serde(rename = "1985-01-01")]
    Y1985,
    /// Most clock chips.
    #[serde(rename = "2000-01-01")]
    Y2000,
}

/// The logger's clock.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ClockLine {
    /// By how much it was ahead of the vehicle's, when that was last told, s.
    pub offset_s: Option<f64>,
    /// The same when it was first told.
    pub offset_first_s: Option<f64>,
    /// Who told.
    pub source: Option<ClockSource>,
    /// Its address.
    pub address: Option<u8>,
    /// Whether the vehicle tells its local time, of a zone that is not known.
    pub local: bool,
    /// Where it began, if the earliest time of the file is one that only a clock without its time shows.
    pub began: Option<Began>,
    /// Turns of the GPS week (7168 days) by which it is off.
    pub gps_turns: Option<i64>,
    /// The zone by which it seems to be off, s.
    pub zone_s: Option<i64>,
    /// The earliest time of the file by the vehicle's clock; the recorded one stays what it is.
    pub first: Option<Timestamp>,
    /// The latest one.
    pub last: Option<Timestamp>,
    /// When it was set, sixteen times at most.
    pub steps: Vec<ClockStep>,
}

/// A step of the logger's clock.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ClockStep {
    /// The first time after it.
    pub at: Timestamp,
    /// By how much, s; below 0 for a step back.
    pub by_s: f64,
}

/// Active trouble codes of a J1939 vehicle (group 65226).
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TroubleLine {
    /// Lamps that were lit at any time.
    pub lamps: Vec<Lamp>,
    /// Codes that were active at any time, fifty at most.
    pub codes: Vec<TroubleCode>,
}

/// A trouble code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct TroubleCode {
    /// Who says so.
    pub address: u8,
    /// Suspect parameter number.
    pub spn: u32,
    /// Failure mode, 0 to 31.
    pub fmi: u8,
    /// How often it came, where that is counted; the last that was told.
    pub count: Option<u8>,
}

/// Losses that a recorder admits.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Drops {
    /// How often it says so.
    pub reports: u64,
    /// Frames, where it tells how many.
    pub frames: u64,
}

/// A node of a CANopen network.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Node {
    /// 1 to 127.
    pub node: u8,
    /// Vendor, of its object 1018h, if somebody read it.
    pub vendor: Option<u32>,
    /// Product.
    pub product: Option<u32>,
    /// Revision.
    pub revision: Option<u32>,
    /// Serial number.
    pub serial: Option<u32>,
}

/// Nanoseconds as seconds.
pub(super) fn seconds(ns: i64) -> f64 {
    ns as f64 / 1e9
}

/// Nanoseconds since 1970 as a time.
pub(super) fn stamp(ns: i64) -> Option<Timestamp> {
    Timestamp::from_nanosecond(i128::from(ns)).ok()
}

/// To so many decimals: sums of floats tell no more.
pub(super) fn round(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    (value * scale).round() / scale
}

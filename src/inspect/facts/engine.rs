//! Whether the engine ran, and how far the vehicle went.

use super::summary::{EngineLine, Meter, round, seconds};

/// An engine that turns at least this fast runs, rpm (common practice, no source).
const RUNS: f64 = 400.0;
/// Running for less than this is an attempt, s (common practice, no source).
const RAN: f64 = 10.0;
/// What was said this long ago says nothing about now, ns.
const HOLDS: i64 = 5_000_000_000;
/// Senders that are told apart, of each sort.
const MOST: usize = 8;

/// Who says something: the rank of what is said (lower is believed first), its number, the bus and the address.
type Sender = (u8, u32, u8, u8);

/// A quantity that is summed up over time.
#[derive(Debug, Default)]
struct Rate {
    sender: Sender,
    at: i64,
    value: f64,
    most: f64,
    /// Of a road speed, km; of an engine speed, seconds that it ran.
    sum: f64,
}

#[derive(Debug)]
struct Counter {
    sender: Sender,
    first: f64,
    last: f64,
}

/// What the frames say, sender by sender.
#[derive(Debug, Default)]
pub(super) struct Engine {
    speeds: Vec<Rate>,
    roads: Vec<Rate>,
    hours: Vec<Counter>,
    distances: Vec<Counter>,
}

fn rate(all: &mut Vec<Rate>, sender: Sender) -> Option<&mut Rate> {
    let place = match all.iter().position(|rate| rate.sender == sender) {
        Some(place) => place,
        None if all.len() < MOST => {
            all.push(Rate { sender, at: i64::MIN, ..Rate::default() });
            all.len() - 1
        }
        None => return None,
    };
    all.get_mut(place)
}

impl Rate {
    /// The seconds since the last reading, 0 where that is too long ago.
    fn since(&mut self, at: i64) -> f64 {
        let since = at.saturating_sub(self.at);
        self.at = at;
        if (0..=HOLDS).contains(&since) { seconds(since) } else { 0.0 }
    }
}

fn count(all: &mut Vec<Counter>, sender: Sender, value: f64) {
    if let Some(counter) = all.iter_mut().find(|counter| counter.sender == sender) {
        counter.last = value;
    } else if all.len() < MOST {
        all.push(Counter { sender, first: value, last: value });
    }
}

impl Engine {
    /// Engine speed in rpm, at a time in ns.
    pub fn speed(&mut self, sender: Sender, at: i64, rpm: f64) {
        let Some(rate) = rate(&mut self.speeds, sender) else { return };
        let since = rate.since(at);
        if rate.value >= RUNS && rpm >= RUNS {
            rate.sum += since;
        }
        (rate.value, rate.most) = (rpm, rate.most.max(rpm));
    }

    /// Road speed in km/h.
    pub fn road(&mut self, sender: Sender, at: i64, speed: f64) {
        let Some(rate) = rate(&mut self.roads, sender) else { return };
        let since = rate.since(at);
        rate.sum += since * (rate.value + speed) / 2.0 / 3600.0;
        (rate.value, rate.most) = (speed, rate.most.max(speed));
    }

    /// Total engine hours.
    pub fn hours(&mut self, sender: Sender, hours: f64) {
        count(&mut self.hours, sender, hours);
    }

    /// Total distance in km.
    pub fn distance(&mut self, sender: Sender, km: f64) {
        count(&mut self.distances, sender, km);
    }

    pub fn end(self) -> EngineLine {
        let speed = self.speeds.into_iter().min_by_key(|rate| rate.sender);
        let road = self.roads.into_iter().min_by_key(|rate| rate.sender);
        let meter = |all: Vec<Counter>| {
            all.into_iter().min_by_key(|counter| counter.sender).map(|counter| Meter {
                number: counter.sender.1,
                address: counter.sender.3,
                first: round(counter.first, 3),
                last: round(counter.last, 3),
            })
        };
        let odometer = meter(self.distances);
        let driven = odometer.as_ref().map(|meter| meter.last - meter.first).filter(|km| *km >= 0.0);
        EngineLine {
            ran: speed.as_ref().map(|rate| rate.sum >= RAN),
            running_s: speed.as_ref().map(|rate| round(rate.sum, 3)),
            rpm_max: speed.as_ref().map(|rate| round(rate.most, 3)),
            speed_max_km_h: road.as_ref().map(|rate| round(rate.most, 3)),
            distance_km: driven.or(road.map(|rate| rate.sum)).map(|km| round(km, 3)),
            hours: meter(self.hours),
            odometer,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ECU: Sender = (0, 190, 0, 0);

    #[test]
    fn an_engine_runs_while_it_says_so_often_enough() {
        let mut engine = Engine::default();
        let second = 1_000_000_000;
        for n in 0..30 {
            engine.speed(ECU, n * second, if (5..25).contains(&n) { 800.0 } else { 0.0 });
        }
        let line = engine.end();
        assert_eq!((line.ran, line.running_s, line.rpm_max), (Some(true), Some(19.0), Some(800.0)));
        let mut engine = Engine::default();
        for n in 0..3 {
            engine.speed(ECU, n * 10 * second, 800.0);
        }
        assert_eq!(engine.end().ran, Some(false), "nothing is known of the time in between");
        assert_eq!(Engine::default().end().ran, None);
    }

    #[test]
    fn one_sender_is_believed_the_finest_first() {
        let mut engine = Engine::default();
        for (sender, first, last) in [
            ((1, 245, 0, 0), 100.0, 101.5),
            ((0, 917, 0, 0xEE), 99.99, 101.495),
            ((0, 917, 0, 0xEF), 5.0, 6.0),
        ] {
            engine.distance(sender, first);
            engine.distance(sender, last);
        }
        let line = engine.end();
        assert_eq!(line.odometer.map(|m| (m.number, m.address)), Some((917, 0xEE)));
        assert_eq!(line.distance_km, Some(1.505));
    }

    #[test]
    fn without_a_distance_the_speed_tells_it() {
        let mut engine = Engine::default();
        for n in 0..=3600 {
            engine.road((0, 84, 0, 0), n * 1_000_000_000, 60.0);
        }
        assert_eq!(engine.end().distance_km, Some(60.0));
        let mut engine = Engine::default();
        for n in 0..1000 {
            let sender = (0, 84, 0, n as u8);
            engine.road(sender, i64::MAX, 1.0);
            engine.hours(sender, 1.0);
        }
        assert!(engine.roads.len() <= MOST && engine.hours.len() <= MOST);
    }
}

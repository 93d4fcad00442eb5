//! When a card will be full.

use super::Row;

const DAY: i64 = 86_400_000;
const HOUR: f64 = 3_600.0;
/// Days that are looked back on.
const BACK: i64 = 14;
/// Days with data that a forecast needs (common practice, no source).
const LEAST: usize = 3;

/// A logger's card, sizes in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Card {
    /// How much it holds.
    pub size: u64,
    /// What of it is taken, by the last whole listing.
    pub used: u64,
    /// What on it is not home yet.
    pub waiting: u64,
    /// Whether the logger overwrites its oldest files when the card is full; otherwise it stops.
    pub overwrites: bool,
}

/// How fast a card fills, from the last two weeks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// Bytes a day with data: the median of such days.
    pub a_day: f64,
    /// Bytes an hour of the engine running, where that is known.
    pub an_hour: Option<f64>,
    /// When data is lost if the two weeks go on like this, ms; the earliest and the latest by the busiest and by the
    /// quietest of those days (their tenths).
    pub full: i64,
    /// With the busiest tenth of days.
    pub earliest: i64,
    /// With the quietest tenth of days.
    pub latest: i64,
}

impl Card {
    /// Bytes until something is lost.
    pub fn room(&self) -> u64 {
        self.size.saturating_sub(if self.overwrites { self.waiting } else { self.used })
    }
}

/// What became of a card, from the files that came home, as of a moment in ms. `None` with too few days.
pub fn forecast(rows: &[Row], card: Card, now: i64) -> Option<Forecast> {
    let mut days = [0u64; BACK as usize];
    let (mut bytes, mut running, mut first) = (0.0, 0.0, now);
    for row in rows {
        let Some(home) = row.home.filter(|home| (now - BACK * DAY..now).contains(home)) else { continue };
        if let Some(day) = days.get_mut(((now - 1 - home) / DAY) as usize) {
            *day += row.size;
        }
        first = first.min(home);
        if let Some(ran) =
            row.facts.as_ref().and_then(|facts| facts.engine.running_s).filter(|ran| *ran > 0.0)
        {
            (bytes, running) = (bytes + row.size as f64, running + ran);
        }
    }
    let mut busy: Vec<u64> = days.into_iter().filter(|bytes| *bytes > 0).collect();
    if busy.len() < LEAST {
        return None;
    }
    busy.sort_unstable();
    // Days of rest come again, too.
    let span = ((now - first) as f64 / DAY as f64).ceil().clamp(busy.len() as f64, BACK as f64);
    let share = busy.len() as f64 / span;
    let quantile = |q: f64| {
        let place = q * (busy.len() - 1) as f64;
        let (low, high) = (busy[place.floor() as usize] as f64, busy[place.ceil() as usize] as f64);
        low + (high - low) * place.fract()
    };
    let mean = busy.iter().sum::<u64>() as f64 / busy.len() as f64;
    let until = |a_day: f64| {
        let days = card.room() as f64 / (a_day * share).max(1.0);
        now.saturating_add((days * DAY as f64).min(1e14) as i64)
    };
    Some(Forecast {
        a_day: quantile(0.5),
        an_hour: (running >= HOUR).then(|| bytes / running * HOUR),
        full: until(mean),
        earliest: until(quantile(0.9)),
        latest: until(quantile(0.1)),
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::*;
    use crate::inspect::check_values::{number, topic};

    const GB: u64 = 1_000_000_000;

    /// `card_fill`: hours = bytes / (frames a second x bytes a frame x 3600), decimal gigabytes.
    #[test]
    fn published_cards_are_full_when_the_arithmetic_says() {
        for entry in topic("card_fill", 7) {
            let is = |at: &str| number(&entry, at);
            let an_hour = is("/input/frames_per_s") * is("/input/bytes_per_frame") * 3600.0;
            // A machine that never rests: 24 hours a day.
            let rows: Vec<Row> =
                (0..14).map(|day| Row { size: (an_hour * 24.0) as u64, ..row(day, day * DAY + 1) }).collect();
            let size = (is("/input/card_gb") * 1e9) as u64;
            let card = Card { size, used: 0, waiting: 0, overwrites: false };
            let forecast = forecast(&rows, card, 14 * DAY).expect("days");
            let hours = (forecast.full - 14 * DAY) as f64 / 3_600_000.0;
            assert!((hours - is("/expected/hours")).abs() < 0.1, "{hours} in {entry}");
        }
    }

    #[test]
    fn days_of_rest_are_counted_and_the_spread_is_told() {
        // Five days of work a week, one of which is twice as busy.
        let working = (0..14).filter(|day| day % 7 < 5);
        let rows: Vec<Row> = working
            .map(|day| Row { size: if day % 7 == 0 { 2 * GB } else { GB }, ..row(day, day * DAY + 1) })
            .collect();
        let card = Card { size: 32 * GB, used: 12 * GB, waiting: 0, overwrites: false };
        let forecast = forecast(&rows, card, 14 * DAY).expect("days");
        let days = |at: i64| (at - 14 * DAY) as f64 / DAY as f64;
        assert_eq!(forecast.a_day, 1e9);
        assert!((days(forecast.full) - 20.0 / 12.0 * 14.0).abs() < 0.01, "{}", days(forecast.full));
        assert!(forecast.earliest < forecast.full && forecast.full < forecast.latest);
        let over = Card { overwrites: true, waiting: 26 * GB, ..card };
        let soon = super::forecast(&rows, over, 14 * DAY).expect("days");
        assert!((days(soon.full) - 6.0 / 12.0 * 14.0).abs() < 0.01, "what is not home is overwritten");
        assert_eq!(super::forecast(&rows[..2], card, 14 * DAY), None);
    }
}

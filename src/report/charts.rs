//! The pictures that answer faster than a number: what each access point carried by the hour, and how full the spool and
//! the cards are and will be. Zero-based, each with its numbers in words. Pure.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan as _};

use super::markup::Markup;
use super::phrases::Told;
use super::value::CardLine;
use super::words::{megabytes, of, plain, size};

/// The plot within its picture: left and right edge, top and base, in the units of the style.
const LEFT: f64 = 60.0;
const RIGHT: f64 = 300.0;
const TOP: f64 = 10.0;
const BASE: f64 = 74.0;
/// Access points, and cards, that have a picture.
const MOST: usize = 6;
/// Days that are looked ahead.
const AHEAD: i64 = 14;
const DAY: f64 = 86_400.0;

/// A picture.
#[derive(Debug, Default)]
pub struct Chart {
    /// What it shows, in a line.
    pub caption: String,
    /// All that it shows, for those who do not see it.
    words: String,
    /// The value at the top.
    top: String,
    /// Labels at the base: where, which side of them is there, and what they say.
    ticks: Vec<(f64, &'static str, String)>,
    /// Outlines of what is known.
    bars: String,
    /// What is to come, and within which bounds.
    line: String,
    bounds: String,
}

/// How full something is and will be, in bytes.
struct Fill<'f> {
    name: String,
    past: &'f [(Date, u64)],
    taken: u64,
    size: u64,
    full: Option<Timestamp>,
    between: Option<(Timestamp, Timestamp)>,
    proviso: &'static str,
}

/// What each access point carried by the hour, the busiest ones; of a depot without any, all loggers.
pub fn air(told: &Told<'_>) -> Vec<Chart> {
    let report = told.report;
    let bytes = |each: &[u64]| each.iter().fold(0, |sum: u64, hour| sum.saturating_add(*hour));
    let points = report.access_points.iter().map(|a| (plain(&a.name), a.bytes_by_hour.clone()));
    let mut all: Vec<(String, Vec<u64>)> = points.collect();
    let rest = (0..report.totals.bytes_by_hour.len()).map(|hour| {
        let at = |each: &[u64]| each.get(hour).copied().unwrap_or(0);
        let named = all.iter().fold(0, |sum: u64, (_, each)| sum.saturating_add(at(each)));
        at(&report.totals.bytes_by_hour).saturating_sub(named)
    });
    let rest = rest.collect();
    let name = if all.is_empty() { "All loggers" } else { "No access point" };
    all.push((name.to_owned(), rest));
    all.retain(|(_, each)| bytes(each) > 0);
    all.sort_by_key(|(_, each)| std::cmp::Reverse(bytes(each)));
    all.truncate(MOST);
    let top = all.iter().flat_map(|(_, each)| each).copied().max().unwrap_or(0);
    all.iter().map(|(name, each)| hours(told, name, each, top)).collect()
}

/// How full the spool and the cards that will be full soonest are, and of how many more cards nothing is shown.
pub fn fills(told: &Told<'_>) -> (Vec<Chart>, Option<String>) {
    let (safety, as_of) = (&told.report.safety, told.report.as_of);
    let mut all = Vec::new();
    // Of a spool with room for months the sentence says enough.
    if let Some(days) = safety.spool_days.filter(|days| safety.spool_limit > 0 && *days <= 2.0 * AHEAD as f64)
    {
        let past: Vec<_> = safety.spool_past.iter().map(|past| (past.date, past.used)).collect();
        all.push(fill(
            told,
            &Fill {
                name: "Spool".to_owned(),
                past: &past,
                taken: safety.spool_used,
                size: safety.spool_limit,
                full: as_of.checked_add(SignedDuration::from_secs_f64((days * DAY).max(0.0))).ok(),
                between: None,
                proviso: " if no archive takes anything",
            },
        ));
    }
    let horizon = as_of.checked_add(SignedDuration::from_hours(24 * AHEAD)).ok();
    let soon =
        |card: &CardLine| card.size > 0 && card.full.is_some_and(|full| horizon.is_some_and(|h| full <= h));
    let lines = told.report.vehicles.iter().flat_map(|v| v.loggers.iter().map(move |l| (v, l)));
    let mut cards: Vec<_> =
        lines.filter_map(|(v, l)| Some((v, l, l.card.as_ref().filter(|c| soon(c))?))).collect();
    cards.sort_by_key(|(_, _, card)| card.full);
    let more = cards.len().saturating_sub(MOST) as u64;
    cards.truncate(MOST);
    all.extend(cards.into_iter().map(|(vehicle, logger, card)| {
        let name = match vehicle.loggers.len() {
            1 => format!("Card of {}", plain(&vehicle.id)),
            _ => format!("Card of {} in {}", plain(&logger.id), plain(&vehicle.id)),
        };
        let between = card.earliest.zip(card.latest);
        let (taken, size, full) = (card.taken, card.size, card.full);
        fill(told, &Fill { name, past: &[], taken, size, full, between, proviso: "" })
    }));
    let within = format!("within {AHEAD} days");
    (all, (more > 0).then(|| format!("{} will be full {within}: ", of(more, "more card"))))
}

/// Bars of a day's hours against a `top` that is the same for all.
fn hours(told: &Told<'_>, name: &str, each: &[u64], top: u64) -> Chart {
    let clock = |hour: usize| {
        let at = told.report.from.saturating_add(SignedDuration::from_hours(hour as i64));
        at.map_or(String::new(), |at| at.to_zoned_datetime(told.zone.clone()).strftime("%H:%M").to_string())
    };
    let width = (RIGHT - LEFT) / each.len().max(1) as f64;
    let place = |hour: usize| LEFT + width * hour as f64;
    let (mut words, mut bars) = (Vec::new(), String::new());
    for (hour, bytes) in each.iter().enumerate().filter(|(_, bytes)| **bytes > 0) {
        words.push(format!("{} {}", clock(hour), megabytes(*bytes)));
        bars += &bar(place(hour), width, *bytes, top);
    }
    let most = each.iter().enumerate().max_by_key(|(hour, bytes)| (**bytes, std::cmp::Reverse(*hour)));
    let (hour, bytes) = most.map_or((0, 0), |(hour, bytes)| (hour, *bytes));
    let (from, to, bytes) = (clock(hour), clock(hour + 1), size(bytes));
    Chart {
        caption: format!("{name}, MB by the hour: most from {from} to {to}, {bytes}"),
        words: format!("MB by the hour that begins at: {}", words.join(", ")),
        top: megabytes(top),
        ticks: (0..=each.len())
            .filter(|hour| hour % 6 == 0)
            .map(|hour| (place(hour), "middle", clock(hour)))
            .collect(),
        bars,
        ..Chart::default()
    }
}

/// Bars of the days behind, and a line that goes on.
fn fill(told: &Told<'_>, fill: &Fill<'_>) -> Chart {
    let report = told.report;
    let today = report.as_of.to_zoned_datetime(told.zone.clone()).date();
    let ago = |date: Date| i64::from((report.date - date).get_days()).clamp(0, AHEAD);
    let behind = fill.past.iter().map(|(date, _)| ago(*date)).max().unwrap_or(0);
    let width = (RIGHT - LEFT) / (behind + 1 + AHEAD) as f64;
    let place = |ago: i64| LEFT + width * (behind - ago) as f64;
    let now = place(-1);
    let height = |bytes: u64| BASE - (BASE - TOP) * share(bytes, fill.size);
    // Where a line that reaches the top at a moment leaves the picture.
    let until = |full: Timestamp| {
        let days = (full.duration_since(report.as_of).as_secs_f64() / DAY).max(0.0);
        let (x, start) = (now + days * width, height(fill.taken));
        let seen = if x > RIGHT { (RIGHT - now) / (x - now) } else { 1.0 };
        format!("M{now:.1} {start:.1}L{:.1} {:.1}", x.min(RIGHT), start + (TOP - start) * seen)
    };
    let day = |at: Timestamp| told.day(at.to_zoned_datetime(told.zone.clone()).date());
    let mut caption = format!("{}: {} of {}", fill.name, size(fill.taken), size(fill.size));
    if fill.taken >= fill.size {
        caption += ", full";
    } else if let Some(full) = fill.full {
        caption += &format!("; full on {}{}", day(full), fill.proviso);
        if let Some((earliest, latest)) = fill.between.map(|(a, b)| (day(a), day(b))).filter(|(a, b)| a != b)
        {
            caption += &format!(" ({earliest} to {latest})");
        }
    }
    let past: Vec<String> =
        fill.past.iter().map(|(date, bytes)| format!("{} {}", told.day(*date), size(*bytes))).collect();
    let words = match past.is_empty() {
        true => caption.clone(),
        false => format!("{caption}. Before: {}", past.join(", ")),
    };
    let mut ticks = vec![(now, "middle", "now".to_owned())];
    if behind >= 4 {
        ticks.insert(0, (LEFT, "start", told.day(report.date.saturating_sub(behind.days()))));
    }
    ticks.push((RIGHT, "end", told.day(today.saturating_add(AHEAD.days()))));
    let days = fill.past.iter().filter(|(date, _)| *date < report.date);
    let days = days.map(|(date, bytes)| bar(place(ago(*date)), width, *bytes, fill.size));
    Chart {
        caption,
        words,
        top: size(fill.size),
        ticks,
        bars: days.chain([bar(place(0), width, fill.taken, fill.size)]).collect(),
        line: fill.full.map(until).unwrap_or_default(),
        bounds: fill.between.map(|(earliest, latest)| until(earliest) + &until(latest)).unwrap_or_default(),
    }
}

/// How much of the whole something is, at most all of it.
fn share(part: u64, whole: u64) -> f64 {
    (part as f64 / whole.max(1) as f64).min(1.0)
}

/// What is there is seen, however little.
fn bar(x: f64, width: f64, bytes: u64, top: u64) -> String {
    let high = if bytes == 0 { 0.0 } else { ((BASE - TOP) * share(bytes, top)).max(1.0) };
    if high == 0.0 {
        return String::new();
    }
    format!("M{x:.1} {:.1}h{:.1}V{BASE}H{x:.1}z", BASE - high, width - 1.0)
}

impl Markup {
    /// Pictures beside each other.
    pub fn charts(&mut self, all: &[Chart]) -> &mut Self {
        if all.is_empty() {
            return self;
        }
        self.raw("<div class=\"charts\">\n");
        for chart in all {
            self.chart(chart);
        }
        self.raw("</div>\n")
    }

    fn chart(&mut self, chart: &Chart) {
        self.element("<figure><figcaption class=\"small\">", &chart.caption, "</figcaption>");
        self.raw("<svg class=\"chart\" viewBox=\"0 0 328 96\" role=\"img\"><title>")
            .text(&chart.words)
            .raw("</title>");
        self.raw("<path class=\"grid\" d=\"M60 10H300M60 74.5H300\"/><path d=\"")
            .text(&chart.bars)
            .raw("\"/>");
        for (kind, line) in [("\"bounds", &chart.bounds), ("\"line", &chart.line)] {
            if !line.is_empty() {
                self.raw("<path class=").raw(kind).raw("\" d=\"").text(line).raw("\"/>");
            }
        }
        self.raw("<text x=\"54\" y=\"15\" class=\"end\">").text(&chart.top).raw("</text>");
        self.raw("<text x=\"54\" y=\"79\" class=\"end\">0</text>");
        for (x, side, label) in &chart.ticks {
            self.raw("<text y=\"92\" class=\"").raw(side).raw("\" x=\"").text(&format!("{x:.1}")).raw("\">");
            self.text(label).raw("</text>");
        }
        self.raw("</svg></figure>\n");
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample::{at, best, worst};
    use super::super::tests::oslo;
    use super::super::value::{AccessPointLine, Report};
    use super::*;

    fn captions(all: &[Chart]) -> Vec<&str> {
        all.iter().map(|chart| chart.caption.as_str()).collect()
    }

    fn of_air(report: &Report) -> Vec<Chart> {
        air(&Told { report, zone: &oslo() })
    }

    fn of_fills(report: &Report) -> (Vec<Chart>, Option<String>) {
        fills(&Told { report, zone: &oslo() })
    }

    #[test]
    fn what_points_carried_is_drawn_to_one_scale_and_nothing_is_left_out() {
        let mut report = best();
        report.access_points = ["east", "west", "quiet"]
            .map(|name| AccessPointLine { name: name.into(), ..AccessPointLine::default() })
            .into();
        // 12:00 to 13:00 in Oslo, and so on.
        report.totals.bytes_by_hour = vec![0, 5_000_000, 40_000_000, 1_000];
        report.access_points[0].bytes_by_hour = vec![0, 1_000_000, 0, 0];
        report.access_points[1].bytes_by_hour = vec![0, 4_000_000, 20_000_000, 0];
        let all = of_air(&report);
        let told = [
            "west, MB by the hour: most from 14:00 to 15:00, 20.0 MB",
            "No access point, MB by the hour: most from 14:00 to 15:00, 20.0 MB",
            "east, MB by the hour: most from 13:00 to 14:00, 1.00 MB",
        ];
        assert_eq!(captions(&all), told);
        assert_eq!(all[0].words, "MB by the hour that begins at: 13:00 4.00, 14:00 20.0");
        // Of 64 in height: a fifth, all; a twentieth in another picture; what is next to nothing is seen.
        assert_eq!(all[0].bars, "M120.0 61.2h59.0V74H120.0zM180.0 10.0h59.0V74H180.0z");
        assert_eq!(all[2].bars, "M120.0 70.8h59.0V74H120.0z");
        assert!(all[1].bars.contains("M240.0 73.0h"), "{}", all[1].bars);
        report.access_points.clear();
        assert_eq!(
            captions(&of_air(&report)),
            ["All loggers, MB by the hour: most from 14:00 to 15:00, 40.0 MB"]
        );
        report.totals.bytes_by_hour.clear();
        assert!(of_air(&report).is_empty());
    }

    #[test]
    fn a_line_reaches_the_top_when_all_is_taken() {
        let mut report = best();
        report.safety.spool_past.clear();
        (report.safety.spool_used, report.safety.spool_limit) = (50, 100);
        let mut line = |days: f64| {
            report.safety.spool_days = Some(days);
            of_fills(&report).0.remove(0).line
        };
        // A day is 16 wide; 14 of them are seen.
        assert_eq!(line(7.0), "M76.0 42.0L188.0 10.0");
        assert_eq!(line(28.0), "M76.0 42.0L300.0 26.0");
        assert_eq!(line(0.0), "M76.0 42.0L76.0 10.0");
        for days in [None, Some(28.1), Some(f64::INFINITY), Some(f64::NAN)] {
            report.safety.spool_days = days;
            assert!(of_fills(&report).0.is_empty(), "{days:?}");
        }
    }

    #[test]
    fn days_behind_stand_where_they_were() {
        let mut report = best();
        // As of 05:00, so that the day before is one before this day's first moment.
        report.safety.spool_past.retain(|past| [15, 19, 23].contains(&past.date.day()));
        (report.safety.spool_used, report.safety.spool_limit) = (0, 10_000_000_000);
        let chart = of_fills(&report).0.remove(0);
        let width = 240.0 / 24.0;
        assert!(chart.caption.starts_with("Spool: 0 MB of 10.0 GB; full on "), "{}", chart.caption);
        assert!(chart.words.ends_with("Before: Sun 15 Nov 5.00 GB, Thu 19 Nov 4.00 GB, Mon 23 Nov 3.00 GB"));
        let bar = |ago: f64, top: f64| format!("M{:.1} {top:.1}h9.0V74H{0:.1}z", 60.0 + (9.0 - ago) * width);
        assert_eq!(chart.bars, bar(9.0, 42.0) + &bar(5.0, 48.4) + &bar(1.0, 54.8));
    }

    #[test]
    fn cards_that_are_full_soonest_come_first_and_the_others_are_counted() {
        let mut report = worst();
        report.safety.spool_days = None;
        let (all, more) = of_fills(&report);
        let told = "Card of PLOW-03: 13.9 GB of 16.0 GB; full on Fri 27 Nov (Thu 26 Nov to Mon 30 Nov)";
        assert_eq!((captions(&all), more), (vec![told], None));
        assert_eq!(all[0].bounds.matches('M').count(), 2);
        let mut card = report.vehicles[1].loggers[0].card.clone().expect("card");
        for (nth, vehicle) in report.vehicles.iter_mut().filter(|v| !v.loggers.is_empty()).enumerate() {
            card.full = Some(at("2026-12-09T04:00:00Z") - SignedDuration::from_hours(nth as i64));
            vehicle.loggers[0].card = Some(card.clone());
        }
        report.vehicles[0].loggers[0].card.as_mut().expect("card").full = Some(at("2026-12-09T04:00:01Z"));
        report.vehicles[1].loggers[0].card = Some(CardLine { taken: card.size, ..card });
        let second = report.vehicles[2].loggers[0].clone();
        report.vehicles[1].loggers.push(second);
        let (all, more) = of_fills(&report);
        assert_eq!(
            captions(&all)[1],
            "Card of GRIT-12: 13.9 GB of 16.0 GB; full on Tue 8 Dec (Thu 26 Nov to Mon 30 Nov)"
        );
        assert_eq!((all.len(), more.as_deref()), (MOST, Some("13 more cards will be full within 14 days: ")));
        report.vehicles.truncate(2);
        let (all, _) = of_fills(&report);
        assert_eq!(captions(&all)[0], "Card of L-PLOW-03 in PLOW-03: 16.0 GB of 16.0 GB, full");
        assert_eq!(all.len(), 2, "the other one, and none that is full later than that");
    }
}

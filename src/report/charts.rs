//! The pictures that answer faster than a number: what each access point carried by the hour, and how full the spool and
//! the cards are and will be. Zero-based, each with its numbers in words. Pure.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp, ToSpan as _};

use super::build::sum;
use super::markup::Markup;
use super::phrases::Told;
use super::value::{FindingLine, FindingState, LoggerLine};
use super::words::{count, megabytes, plain, size};

/// The plot within its picture: left and right edge, top and base, in the units of the style.
const LEFT: f64 = 70.0;
const RIGHT: f64 = 310.0;
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

/// What each access point carried by the hour, the busiest ones, and what is to be said of the others; of a depot without
/// any, all loggers.
pub fn air(told: &Told<'_>) -> (Vec<Chart>, Option<String>) {
    let report = told.report;
    let bytes = |each: &[u64]| sum(each.iter().copied());
    let points = report.access_points.iter().map(|a| (plain(&a.name), a.bytes_by_hour.clone()));
    let mut all: Vec<(String, Vec<u64>)> = points.collect();
    let rest = (0..report.totals.bytes_by_hour.len()).map(|hour| {
        let at = |each: &[u64]| each.get(hour).copied().unwrap_or(0);
        at(&report.totals.bytes_by_hour).saturating_sub(sum(all.iter().map(|(_, each)| at(each))))
    });
    let rest = rest.collect();
    let name = if all.is_empty() { "All loggers" } else { "Other loggers" };
    all.push((name.to_owned(), rest));
    all.retain(|(_, each)| bytes(each) > 0);
    all.sort_by_key(|(_, each)| std::cmp::Reverse(bytes(each)));
    let others = all.split_off(all.len().min(MOST));
    let top = all.iter().flat_map(|(_, each)| each).copied().max().unwrap_or(0);
    let less = sum(others.iter().map(|(_, each)| bytes(each)));
    let more = format!("The other {} carried {}.", count(others.len() as u64), size(less));
    (all.iter().map(|(name, each)| hours(told, name, each, top)).collect(), (less > 0).then_some(more))
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
    // Those of which a person is told.
    let told_of = |f: &FindingLine, logger: &LoggerLine| {
        let there = !matches!(f.state, FindingState::Gone | FindingState::Snoozed);
        there && f.id.strip_prefix("card-fills:") == Some(&*logger.id)
    };
    let lines = told.report.vehicles.iter().flat_map(|v| v.loggers.iter().map(move |l| (v, l)));
    let lines = lines.filter(|(v, l)| v.findings.iter().any(|f| told_of(f, l)));
    let mut cards: Vec<_> = lines.filter_map(|(v, l)| Some((v, l, l.card.as_ref()?))).collect();
    cards.sort_by_key(|(_, _, card)| card.full);
    let more = cards.len().saturating_sub(MOST) as u64;
    cards.truncate(MOST);
    all.extend(cards.into_iter().map(|(vehicle, logger, card)| {
        let name = match vehicle.loggers.len() {
            1 => format!("Card of {}", plain(&vehicle.id)),
            _ => format!("Card of {} in {}", plain(&logger.id), plain(&vehicle.id)),
        };
        let between = card.earliest.zip(card.latest);
        let proviso = if card.overwrites { " if nothing comes home" } else { " if nothing is removed" };
        let (taken, size, full) = (card.taken, card.size, card.full);
        fill(told, &Fill { name, past: &[], taken, size, full, between, proviso })
    }));
    let more = match more {
        0 => None,
        1 => Some("One more card is full soon: ".to_owned()),
        n => Some(format!("{} more cards are full soon: ", count(n))),
    };
    (all, more)
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
    Chart {
        caption: format!("{name}, MB by the hour: most in the one from {}, {}", clock(hour), size(bytes)),
        words: format!("{name}, MB by the hour that begins at: {}", words.join(", ")),
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
    let short = |date: Date| date.strftime("%-d %b").to_string();
    let day = |at: Timestamp| told.day(at.to_zoned_datetime(told.zone.clone()).date());
    let mut caption = format!("{}: {} of {}", fill.name, size(fill.taken), size(fill.size));
    // As the finding has it.
    if fill.size.saturating_sub(fill.taken) < fill.size / 50 {
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
    let ahead = match fill.full.map(day) {
        Some(full) => format!("{} now, rising to {} on {full}", size(fill.taken), size(fill.size)),
        None => format!("{} now, of {}", size(fill.taken), size(fill.size)),
    };
    let words = [past, vec![ahead]].concat().join(", ");
    let mut ticks = vec![(now, "middle", "now".to_owned())];
    if behind >= 8 {
        ticks.insert(0, (LEFT, "start", short(report.date.saturating_sub(behind.days()))));
    }
    ticks.push((RIGHT, "end", short(today.saturating_add(AHEAD.days()))));
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
        self.raw("<path class=\"grid\" d=\"M70 10H310M70 74.5H310\"/><path d=\"")
            .text(&chart.bars)
            .raw("\"/>");
        for (kind, line) in [("\"bounds", &chart.bounds), ("\"line", &chart.line)] {
            if !line.is_empty() {
                self.raw("<path class=").raw(kind).raw("\" d=\"").text(line).raw("\"/>");
            }
        }
        self.raw("<text x=\"64\" y=\"15\" class=\"end\">").text(&chart.top).raw("</text>");
        self.raw("<text x=\"64\" y=\"79\" class=\"end\">0</text>");
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
    use super::super::value::{AccessPointLine, CardLine, Report};
    use super::*;

    fn captions(all: &[Chart]) -> Vec<&str> {
        all.iter().map(|chart| chart.caption.as_str()).collect()
    }

    fn of_air(report: &Report) -> (Vec<Chart>, Option<String>) {
        air(&Told { report, zone: &oslo() })
    }

    fn of_fills(report: &Report) -> (Vec<Chart>, Option<String>) {
        fills(&Told { report, zone: &oslo() })
    }

    #[test]
    fn what_points_carried_is_drawn_to_one_scale_and_nothing_is_left_out() {
        let mut report = best();
        let point = |name: &str, each: &[u64]| AccessPointLine {
            name: name.into(),
            bytes_by_hour: each.into(),
            ..AccessPointLine::default()
        };
        // 12:00 to 13:00 in Oslo, and so on.
        report.totals.bytes_by_hour = vec![0, 5_000_000, 40_000_000, 1_000];
        report.access_points = vec![
            point("east", &[0, 1_000_000]),
            point("west", &[0, 4_000_000, 20_000_000]),
            point("quiet", &[0]),
        ];
        let (all, more) = of_air(&report);
        let told = [
            "west, MB by the hour: most in the one from 14:00, 20.0 MB",
            "Other loggers, MB by the hour: most in the one from 14:00, 20.0 MB",
            "east, MB by the hour: most in the one from 13:00, 1.00 MB",
        ];
        assert_eq!((captions(&all), more), (told.to_vec(), None));
        assert_eq!(all[0].words, "west, MB by the hour that begins at: 13:00 4.00, 14:00 20.0");
        // Of 64 in height: a fifth, all; a twentieth in another picture; what is next to nothing is seen.
        assert_eq!(all[0].bars, "M150.0 61.2h79.0V74H150.0zM230.0 10.0h79.0V74H230.0z");
        assert_eq!(all[2].bars, "M190.0 70.8h119.0V74H190.0z");
        assert!(all[1].bars.contains("M250.0 73.0h"), "{}", all[1].bars);
        report.access_points.clear();
        let told = ["All loggers, MB by the hour: most in the one from 14:00, 40.0 MB"];
        assert_eq!(captions(&of_air(&report).0), told);
        report.access_points = (1..9).map(|n| point("p", &[n * 1_000_000])).collect();
        let (all, more) = of_air(&report);
        assert_eq!((all.len(), more.as_deref()), (MOST, Some("The other 3 carried 6.00 MB.")));
        report.totals.bytes_by_hour.clear();
        report.access_points.clear();
        assert!(of_air(&report).0.is_empty());
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
        assert_eq!(line(7.0), "M86.0 42.0L198.0 10.0");
        assert_eq!(line(28.0), "M86.0 42.0L310.0 26.0");
        assert_eq!(line(0.0), "M86.0 42.0L86.0 10.0");
        for days in [None, Some(28.1), Some(f64::INFINITY), Some(f64::NAN)] {
            report.safety.spool_days = days;
            assert!(of_fills(&report).0.is_empty(), "{days:?}");
        }
    }

    #[test]
    fn days_behind_stand_where_they_were() {
        let mut report = best();
        report.safety.spool_past.retain(|past| [15, 19, 23].contains(&past.date.day()));
        (report.safety.spool_used, report.safety.spool_limit) = (0, 10_000_000_000);
        let chart = of_fills(&report).0.remove(0);
        let width = 240.0 / 24.0;
        assert!(chart.caption.starts_with("Spool: 0 MB of 10.0 GB; full on "), "{}", chart.caption);
        let words = "Sun 15 Nov 5.00 GB, Thu 19 Nov 4.00 GB, Mon 23 Nov 3.00 GB, 0 MB now, rising to 10.0 GB on Fri 11 Dec";
        assert_eq!(chart.words, words);
        let bar = |ago: f64, top: f64| format!("M{:.1} {top:.1}h9.0V74H{0:.1}z", 70.0 + (9.0 - ago) * width);
        assert_eq!(chart.bars, bar(9.0, 42.0) + &bar(5.0, 48.4) + &bar(1.0, 54.8));
    }

    #[test]
    fn cards_of_which_a_person_is_told_have_a_picture_the_soonest_first() {
        let mut report = worst();
        report.safety.spool_days = None;
        let (all, more) = of_fills(&report);
        let told = "Card of PLOW-03: 13.9 GB of 16.0 GB; full on Fri 27 Nov if nothing comes home (Thu 26 Nov to Mon 30 Nov)";
        assert_eq!((captions(&all), more), (vec![told], None));
        assert_eq!(all[0].words, "13.9 GB now, rising to 16.0 GB on Fri 27 Nov");
        assert_eq!(all[0].bounds.matches('M').count(), 2);
        // The others fill as well, and nobody is told.
        let card = report.vehicles[1].loggers[0].card.clone().expect("card");
        let finding =
            report.vehicles[1].findings.iter().find(|f| f.code == "card-fills").expect("finding").clone();
        let mut later = CardLine { overwrites: false, ..card.clone() };
        for (nth, vehicle) in report.vehicles.iter_mut().filter(|v| !v.loggers.is_empty()).enumerate() {
            later.full = Some(at("2026-12-09T04:00:00Z") - SignedDuration::from_hours(nth as i64));
            vehicle.loggers[0].card = Some(later.clone());
        }
        assert_eq!(of_fills(&report).0.len(), 1);
        for vehicle in report.vehicles.iter_mut().filter(|v| v.id.starts_with("GRIT")) {
            vehicle.findings =
                vec![FindingLine { id: format!("card-fills:L-{}", vehicle.id), ..finding.clone() }];
        }
        report.vehicles[1].loggers[0].card = Some(CardLine { taken: 15_700_000_000, ..card });
        report.vehicles.last_mut().expect("one").findings[0].state = FindingState::Snoozed;
        let (all, more) = of_fills(&report);
        let told = [
            "Card of PLOW-03: 15.7 GB of 16.0 GB, full",
            "Card of GRIT-11: 13.9 GB of 16.0 GB; full on Tue 8 Dec if nothing is removed (Thu 26 Nov to Mon 30 Nov)",
        ];
        assert_eq!(captions(&all)[..2], told);
        assert_eq!((all.len(), more.as_deref()), (MOST, Some("6 more cards are full soon: ")));
        report.vehicles.truncate(2);
        let second = report.vehicles[0].loggers[0].clone();
        report.vehicles[1].loggers.push(second);
        assert_eq!(
            captions(&of_fills(&report).0),
            ["Card of L-PLOW-03 in PLOW-03: 15.7 GB of 16.0 GB, full"]
        );
    }
}

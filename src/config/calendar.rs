//! On which days a vehicle is expected: `works`, `season`, `holidays` and `away`.
//!
//! An error of a parser is the sentence that helps: what to write instead.

use jiff::civil::{Date, Weekday};

use super::raw::{Table, nearest};
use super::{Config, Vehicle};

/// The days of a week, Monday first, as they are written.
const DAYS: [(&str, Weekday, &str); 7] = [
    ("Mon", Weekday::Monday, "Monday"),
    ("Tue", Weekday::Tuesday, "Tuesday"),
    ("Wed", Weekday::Wednesday, "Wednesday"),
    ("Thu", Weekday::Thursday, "Thursday"),
    ("Fri", Weekday::Friday, "Friday"),
    ("Sat", Weekday::Saturday, "Saturday"),
    ("Sun", Weekday::Sunday, "Sunday"),
];

/// Some days of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weekdays([bool; 7]);

impl Weekdays {
    /// Monday to Friday.
    pub const DEFAULT: Self = Self([true, true, true, true, true, false, false]);

    fn has(self, day: Weekday) -> bool {
        DAYS.iter().zip(self.0).any(|((_, of, _), is)| *of == day && is)
    }

    /// `Mon-Fri`, `Mon,Wed,Fri`, `Sat-Tue`.
    pub(crate) fn parse(text: &str) -> Result<Self, String> {
        let mut days = [false; 7];
        for part in text.split(',').map(str::trim) {
            let (first, last) = part.split_once('-').unwrap_or((part, part));
            let (mut nth, last) = (nth_day(first.trim())?, nth_day(last.trim())?);
            loop {
                if let Some(day) = days.get_mut(nth) {
                    *day = true;
                }
                if nth == last {
                    break;
                }
                nth = (nth + 1) % 7;
            }
        }
        Ok(Self(days))
    }
}

/// A day of the week by its short name.
pub(super) fn weekday(word: &str) -> Result<Weekday, String> {
    let nth = nth_day(word)?;
    DAYS.get(nth).map(|(_, day, _)| *day).ok_or_else(|| word.to_owned())
}

fn nth_day(word: &str) -> Result<usize, String> {
    if let Some(nth) = DAYS.iter().position(|(short, ..)| *short == word) {
        return Ok(nth);
    }
    let lower = word.to_lowercase();
    let begins = DAYS.iter().find(|(short, ..)| lower.starts_with(&short.to_lowercase()));
    let known = !word.contains([';', ' ', '/']);
    let begins = begins.filter(|_| known);
    let near = begins.map(|(short, ..)| *short).or_else(|| nearest(word, DAYS.map(|(short, ..)| short)));
    Err(match near {
        Some(near) => format!("`{word}` is no day here, did you mean `{near}`?"),
        None => "write days with `-` and `,` between them, like \"Mon-Fri\" or \"Mon,Wed,Sat\"".to_owned(),
    })
}

/// A part of each year, both ends included; it may go over the year's end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Season {
    first: (i8, i8),
    last: (i8, i8),
}

impl Season {
    fn has(self, date: Date) -> bool {
        let at = (date.month(), date.day());
        match self.first <= self.last {
            true => self.first <= at && at <= self.last,
            false => self.first <= at || at <= self.last,
        }
    }

    /// `11-01/04-15`: months and days.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let help = "write month and day of its first and its last day, like \"11-01/04-15\"";
        let (first, last) = text.split_once('/').ok_or(help)?;
        Ok(Self { first: month_day(first.trim(), help)?, last: month_day(last.trim(), help)? })
    }
}

fn month_day(text: &str, help: &str) -> Result<(i8, i8), String> {
    let two = |t: &str| (t.len() == 2 && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse().ok());
    let parsed = text.split_once('-').and_then(|(month, day)| Some((two(month)??, two(day)??)));
    let (month, day): (i8, i8) = parsed.ok_or(help)?;
    // A leap year, so that February has all its days.
    Date::new(2024, month, day)
        .map(|_| (month, day))
        .map_err(|_| format!("there is no {text} in a year; {help}"))
}

/// A span in which a vehicle is away, both ends included.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Away {
    from: Option<Date>,
    to: Option<Date>,
    /// Why; may be empty.
    reason: String,
}

impl Away {
    fn has(&self, date: Date) -> bool {
        self.from.is_none_or(|from| from <= date) && self.to.is_none_or(|to| date <= to)
    }

    /// `2026-12-20/2027-01-03 workshop`; one of the two dates may be left out.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        const HELP: &str = "write first day, last day and why, like \"2026-12-20/2027-01-03 workshop\"";
        let text = text.trim();
        let (span, reason) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
        let (from, to) = span.split_once('/').ok_or(HELP)?;
        let date = |text: &str| match text {
            "" => Ok(None),
            text => day(text).map(Some).map_err(|_| format!("`{text}` is no date; {HELP}")),
        };
        let (from, to) = (date(from)?, date(to)?);
        match (from, to) {
            (None, None) => return Err(HELP.to_owned()),
            (Some(from), Some(to)) if to < from => {
                return Err(format!("it ends before it begins; write {to}/{from} if that was meant"));
            }
            _ => {}
        }
        Ok(Self { from, to, reason: reason.trim().chars().filter(|c| !c.is_control()).take(200).collect() })
    }
}

/// The value of `works`.
pub(super) fn works(table: &mut Table<'_>) -> Option<Weekdays> {
    table.parsed("works", "days of the week", "\"Mon-Fri\"", Weekdays::parse)
}

/// The value of `season`.
pub(super) fn season(table: &mut Table<'_>) -> Option<Season> {
    table.parsed("season", "a part of the year", "\"11-01/04-15\"", Season::parse)
}

/// The value of `away`.
pub(super) fn away(table: &mut Table<'_>) -> Vec<Away> {
    table.parsed_list("away", "two dates and a reason", "[\"2026-12-20/2027-01-03 workshop\"]", Away::parse)
}

/// A date as `2026-12-24`, and in no other form.
pub(super) fn day(text: &str) -> Result<Date, String> {
    let help = || "write a date, like \"2026-12-24\"".to_owned();
    let plain = text.len() == 10 && text.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    if plain { text.parse().map_err(|_| help()) } else { Err(help()) }
}

impl Config {
    /// Why a vehicle is not expected on the depot's day of that date; `None` where it is. What a
    /// vehicle says of itself wins over what the depot says.
    pub fn not_expected(&self, vehicle: &Vehicle, date: Date) -> Option<String> {
        self.away(vehicle, date).or_else(|| self.day_off(vehicle, date))
    }

    /// Why a vehicle is away on that date, be it a working day or not: by `away` or `season`.
    pub fn away(&self, vehicle: &Vehicle, date: Date) -> Option<String> {
        if let Some(away) = vehicle.away.iter().find(|away| away.has(date)) {
            return Some(match away.reason.as_str() {
                "" => "away".to_owned(),
                reason => format!("away: {reason}"),
            });
        }
        let season = vehicle.season.or(self.depot.season);
        season.is_some_and(|season| !season.has(date)).then(|| "out of season".to_owned())
    }

    fn day_off(&self, vehicle: &Vehicle, date: Date) -> Option<String> {
        if self.depot.holidays.contains(&date) {
            return Some("holiday".to_owned());
        }
        let day = date.weekday();
        if vehicle.works.unwrap_or(self.depot.works).has(day) {
            return None;
        }
        DAYS.iter().find(|(_, of, _)| *of == day).map(|(.., name)| (*name).to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn works(text: &str) -> String {
        let days = Weekdays::parse(text).unwrap_or_else(|e| panic!("{text}: {e}"));
        DAYS.iter().filter(|(_, day, _)| days.has(*day)).map(|(short, ..)| *short).collect()
    }

    #[test]
    fn days_are_spans_and_lists_and_may_go_over_the_end_of_the_week() {
        assert_eq!(works("Mon-Fri"), "MonTueWedThuFri");
        assert_eq!(works("Mon,Wed,Fri"), "MonWedFri");
        assert_eq!(works("Sat-Mon, Thu"), "MonThuSatSun");
        assert_eq!(works("Sun-Sat"), "MonTueWedThuFriSatSun");
        assert_eq!(Weekdays::parse("Mon-Fri"), Ok(Weekdays::DEFAULT));
        for text in ["", "Mon-", "-", "Mon-Fri-Sun", "Mon,", "mon", "1-5"] {
            assert!(Weekdays::parse(text).is_err(), "{text}");
        }
        assert!(Weekdays::parse("Monday").expect_err("long").contains("did you mean `Mon`?"));
        assert!(Weekdays::parse("Mon-Fry").expect_err("slip").contains("did you mean `Fri`?"));
    }

    #[test]
    fn a_season_goes_over_the_year_and_holds_both_its_ends() {
        let winter = Season::parse("11-01/04-15").expect("season");
        for (day, is) in [
            (date(2026, 10, 31), false),
            (date(2026, 11, 1), true),
            (date(2027, 1, 1), true),
            (date(2027, 4, 15), true),
            (date(2027, 4, 16), false),
        ] {
            assert_eq!(winter.has(day), is, "{day}");
        }
        let summer = Season::parse("04-16/10-31").expect("season");
        assert!(summer.has(date(2026, 7, 1)) && !summer.has(date(2026, 12, 1)));
        assert!(Season::parse("02-29/03-01").is_ok());
        for text in ["", "11-01", "11-31/04-15", "13-01/04-15", "1-1/4-15", "2026-11-01/2027-04-15"] {
            assert!(Season::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn who_is_away_is_away_on_the_first_and_the_last_day_and_an_end_may_be_open() {
        let has = |text: &str, day| Away::parse(text).unwrap_or_else(|e| panic!("{text}: {e}")).has(day);
        let span = "2026-12-20/2027-01-03 workshop";
        for (day, is) in [
            (date(2026, 12, 19), false),
            (date(2026, 12, 20), true),
            (date(2027, 1, 3), true),
            (date(2027, 1, 4), false),
        ] {
            assert_eq!(has(span, day), is, "{day}");
        }
        assert!(has("2026-12-20/ sold", date(2041, 1, 1)) && !has("2026-12-20/ sold", date(2026, 12, 19)));
        assert!(has("/2027-01-03", date(1999, 1, 1)) && !has("/2027-01-03", date(2027, 1, 4)));
        for text in ["", "/", "2026-12-20", "2027-01-03/2026-12-20 x", "20.12.2026/ x", "2026-12-20T10:00/ x"]
        {
            assert!(Away::parse(text).is_err(), "{text}");
        }
    }
}

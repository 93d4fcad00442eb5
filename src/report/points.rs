//! Access points: how many loggers answer there, and how many usually do. Pure.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::sight::{DAY, Sight, Span};
use crate::config::{Config, Logger, Vehicle};
use crate::ledger::Visit;
use crate::model::Day;

/// The loggers of a cell, or those without one.
#[derive(Debug)]
pub(super) struct Cell<'c> {
    /// The access point; `None` for the loggers whose list names none.
    pub name: Option<&'c str>,
    /// Their visits, each oldest first.
    pub visits: Vec<&'c [Visit]>,
    /// Their vehicles.
    vehicles: Vec<&'c Vehicle>,
}

/// A cell in which fewer answer than usual.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Silence {
    /// Since when, ms.
    pub since: i64,
    /// How many answered in that time.
    pub answered: usize,
    /// How many usually do.
    pub usual: usize,
}

/// So few loggers may all have gone out by chance.
const FEW: usize = 3;
/// A cell is not silent before.
const HOUR: i64 = 3_600_000;

/// The cells of a configuration, those without loggers too.
pub(super) fn cells<'c>(config: &'c Config, visits: &'c BTreeMap<String, Vec<Visit>>) -> Vec<Cell<'c>> {
    let mut names: Vec<Option<&str>> = config.access_points.iter().map(|p| Some(p.name.as_str())).collect();
    names.push(None);
    let of = |name: Option<&'c str>| {
        let loggers = || config.loggers.iter().filter(move |l| l.access_point.as_deref() == name);
        let visits =
            |l: &std::sync::Arc<Logger>| visits.get(l.id.as_str()).map_or(&[] as &[Visit], Vec::as_slice);
        let vehicle = |v: &&std::sync::Arc<Vehicle>| loggers().any(|l| l.vehicle == v.id);
        Cell {
            name,
            visits: loggers().map(visits).collect(),
            vehicles: config.vehicles.iter().filter(vehicle).map(|v| &**v).collect(),
        }
    };
    names.into_iter().map(of).collect()
}

impl Cell<'_> {
    fn answered(&self, (from, to): Span) -> usize {
        self.visits.iter().filter(|all| all.iter().any(|v| v.from < to && v.to >= from)).count()
    }

    /// How many came in a span, or were there for an hour of it: who was just driving off was not.
    fn stood(&self, (from, to): Span) -> usize {
        let stood = |v: &Visit| v.from < to && (v.from >= from || v.to >= from + HOUR);
        self.visits.iter().filter(|all| all.iter().any(stood)).count()
    }

    /// How many of its vehicles the calendar lets be expected on a day.
    fn expected(&self, config: &Config, date: Date) -> usize {
        self.vehicles.iter().filter(|v| config.not_expected(v, date).is_none()).count()
    }

    /// The median, over the two weeks before a day, of what is counted in the part of the day that is
    /// given. Only days like this one are compared with it: those on which neither half nor double
    /// as many vehicles were expected. Days on which none answered at all, or Yarder mostly could not
    /// see, say nothing; `None` where fewer than three are left.
    fn median(
        &self,
        config: &Config,
        sight: &Sight,
        day: &Day,
        part: Span,
        counted: impl Fn(Span) -> usize,
    ) -> Option<usize> {
        let today = self.expected(config, day.date);
        let mut counts: Vec<usize> = (1..=14)
            .filter_map(|back| {
                let date = day.date.checked_sub(jiff::Span::new().days(back)).ok()?;
                let then = self.expected(config, date);
                (then > 0 && then * 2 > today && then < today * 2).then_some(())?;
                let past = Day::of(date, config.depot.day_starts, &config.depot.time_zone)?;
                let shift = day.from.as_millisecond() - past.from.as_millisecond();
                let whole = (past.from.as_millisecond(), past.to.as_millisecond());
                (self.answered(whole) > 0 && sight.saw(whole))
                    .then(|| counted((part.0 - shift, part.1 - shift)))
            })
            .collect();
        counts.sort_unstable();
        if counts.len() < 3 { None } else { counts.get(counts.len() / 2).copied() }
    }

    /// How many usually answer in the part of the day that is given; `None` where too few days like
    /// this one are known.
    pub fn usual(&self, config: &Config, sight: &Sight, day: &Day, part: Span) -> Option<usize> {
        self.median(config, sight, day, part, |part| self.answered(part))
    }

    /// Whether it is silent on a working day at a moment, `part` being the day so far: none has
    /// answered for at least an hour in which some usually do, or far fewer have than usual.
    pub fn silence(&self, config: &Config, sight: &Sight, day: &Day, part: Span) -> Option<Silence> {
        if self.expected(config, day.date) == 0 {
            return None;
        }
        let ends = self.visits.iter().flat_map(|all| all.iter());
        let last = ends.map(|v| v.to).filter(|to| *to < part.1).max()?;
        let all_day = self.usual(config, sight, day, (part.0, part.0 + DAY))?;
        let there = self.visits.iter().any(|all| all.iter().any(|v| v.to >= part.1));
        let quiet = (last.max(part.0), part.1);
        if !there && quiet.1 - quiet.0 - sight.unseen(quiet) >= HOUR && sight.saw(quiet) {
            let usual = self.median(config, sight, day, quiet, |part| self.stood(part))?;
            if usual >= FEW.max(all_day / 4) {
                return Some(Silence { since: last, answered: 0, usual });
            }
        }
        let (answered, usual) = (self.answered(part), self.usual(config, sight, day, part)?);
        let few = usual > FEW && answered * 4 < usual && sight.saw(part);
        few.then_some(Silence { since: part.0, answered, usual })
    }
}

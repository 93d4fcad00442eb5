//! What the last report derived itself: kept for as long as nothing has mended it, days off
//! included, and told as gone once something has. Pure.

use super::causes::Ground;
use super::points::{Cell, Silence};
use super::value::{FindingLine, FindingState, LoggerLine, Report, VehicleLine, Verdict};
use super::words::calendar_day;

/// Whether an evidence names a logger, or an access point, in a list.
fn names(told: &FindingLine, list: &str, name: &str) -> bool {
    told.evidence[list].as_array().is_some_and(|all| all.iter().any(|one| one == name))
}

impl<'g> Ground<'g> {
    /// What the last report told under that code about that subject.
    pub fn told(&self, code: &str, subject: &str) -> Option<&'g FindingLine> {
        self.facts.past.derived.get(&format!("{code}:{subject}"))
    }

    /// Whether a vehicle is away this day, and not only off duty.
    fn is_away(&self, line: &VehicleLine) -> bool {
        let mut all = self.config.vehicles.iter();
        let vehicle = all.find(|v| v.id.as_str() == line.id);
        vehicle.is_some_and(|v| self.facts.is_away(self.config, v, self.day.date))
    }

    /// Loggers of a vehicle that are missed: this day, or since they were told as missed.
    pub fn missing<'l>(&self, line: &'l VehicleLine) -> Vec<&'l LoggerLine> {
        let told = self.told("not-seen", &line.id).filter(|_| !self.is_away(line));
        let still = |logger: &LoggerLine| {
            told.is_some_and(|told| {
                names(told, "loggers", &logger.id)
                    && logger.last_seen.is_none_or(|at| at < told.since)
                    && logger.verdict != Verdict::Elsewhere
                    && self.facts.noted(crate::ledger::About::Logger, &logger.id, self.day.date).is_none()
            })
        };
        line.loggers.iter().filter(|l| l.verdict == Verdict::NotSeen || still(l)).collect()
    }

    /// Whether a logger is told to record nothing, and has given nothing new since.
    pub fn still_no_data(&self, line: &VehicleLine, logger: &LoggerLine) -> bool {
        let Some(told) = self.told("no-data", &logger.id).filter(|_| !self.is_away(line)) else {
            return false;
        };
        let until = told.evidence["data_until"].as_str().and_then(|at| at.parse().ok());
        let new = self.facts.loggers.iter().any(|row| row.logger == logger.id && row.new > 0);
        !new && logger.data_until <= until
    }

    /// Access points that were told as silent and at which no more loggers have answered since;
    /// without those that are found anew.
    pub fn still_silent(
        &self,
        found: &[(Vec<Option<&'g str>>, Silence)],
    ) -> Vec<(Vec<Option<&'g str>>, Silence)> {
        let told = self.facts.past.derived.values().filter(|f| f.code == "access-point-silent");
        let still = |told: &FindingLine| {
            let subject = told.id.split_once(':')?.1;
            let of = |cell: &&Cell<'_>| match cell.name {
                Some(name) => names(told, "access_points", name),
                None => subject == "yard",
            };
            let mine: Vec<_> = self.cells.iter().filter(of).collect();
            let there: Vec<Option<&'g str>> =
                self.config.access_points.iter().map(|p| Some(p.name.as_str())).collect();
            let names: Vec<Option<&'g str>> =
                there.into_iter().chain([None]).filter(|n| mine.iter().any(|cell| cell.name == *n)).collect();
            let covered = found.iter().any(|(of, _)| names.iter().any(|name| of.contains(name)));
            let expected = self.config.vehicles.iter().any(|v| {
                names.contains(&v.access_point.as_deref())
                    && !self.facts.is_away(self.config, v, self.day.date)
            });
            let since = told.since.as_millisecond();
            let came = mine.iter().flat_map(|cell| &cell.visits);
            let came = came.filter(|all| all.iter().any(|v| v.to > since && v.from < self.part.1)).count();
            let count = |key: &str| told.evidence[key].as_u64().and_then(|n| usize::try_from(n).ok());
            let (answered, usual) = (count("answered")?, count("usual")?);
            (!covered && expected && came <= answered).then_some((names, Silence { since, answered, usual }))
        };
        told.filter_map(still).collect()
    }

    /// Adds what was told and is not so any more.
    pub fn gone(&self, report: &mut Report) {
        let vehicles = report.vehicles.iter().flat_map(|v| &v.findings);
        let there: Vec<&str> = report.findings.iter().chain(vehicles).map(|f| f.id.as_str()).collect();
        let over: Vec<_> =
            self.facts.past.derived.values().filter(|f| !there.contains(&f.id.as_str())).collect();
        for told in over {
            let subject = told.id.split_once(':').map_or("", |(_, subject)| subject);
            let line = report.vehicles.iter().position(|v| match told.code.as_str() {
                "not-seen" => v.id == subject,
                _ => v.loggers.iter().any(|l| l.id == subject),
            });
            let line = line.and_then(|nth| report.vehicles.get_mut(nth));
            let Some(cause) = self.mended(told, line.as_deref(), &report.findings) else { continue };
            let finding = FindingLine { state: FindingState::Gone, until: None, cause, ..told.clone() };
            match (told.code.as_str(), line) {
                ("access-point-silent" | "could-not-see", _) | (_, None) => report.findings.push(finding),
                (_, Some(line)) => line.findings.push(finding),
            }
        }
    }

    /// How it stands with what was told and is not found any more; `None` where another finding
    /// stands for it, or its vehicle or logger is off the list.
    fn mended(
        &self,
        told: &FindingLine,
        line: Option<&VehicleLine>,
        depot: &[FindingLine],
    ) -> Option<String> {
        let zone = &self.config.depot.time_zone;
        let since = calendar_day(told.since.to_zoned_datetime(zone.clone()).date(), self.day.date);
        let away = |line: &VehicleLine| match (&line.away, self.is_away(line)) {
            (Some(why), true) => format!(", and now not expected: {why}"),
            _ => String::new(),
        };
        match told.code.as_str() {
            "not-seen" => {
                let line = line?;
                if !self.is_away(line) && !self.missing(line).is_empty() {
                    return None;
                }
                let seen = line.last_seen.filter(|at| *at >= told.since && !self.is_away(line));
                let seen = seen.map_or(away(line), |at| format!("; last seen {}", self.moment(at)));
                Some(format!("not seen on {since} and after{seen}"))
            }
            "no-data" => {
                let line = line?;
                let logger = line.loggers.iter().find(|l| told.id.ends_with(&format!(":{}", l.id)))?;
                if self.still_no_data(line, logger) {
                    return None;
                }
                let until = logger.data_until.filter(|_| !self.is_away(line));
                let until =
                    until.map_or(away(line), |at| format!("; now it has data until {}", self.moment(at)));
                Some(format!("{} recorded nothing from {since} on{until}", logger.id))
            }
            "access-point-silent" => {
                let covers = |f: &&FindingLine| f.code == told.code && f.state != FindingState::Gone;
                let names_one = |f: &FindingLine| {
                    let mine = told.evidence["access_points"].as_array();
                    mine.is_some_and(|all| {
                        all.iter().filter_map(|n| n.as_str()).any(|n| names(f, "access_points", n))
                    })
                };
                if depot.iter().filter(covers).any(names_one) {
                    return None;
                }
                Some(format!("{} (since {since})", told.cause))
            }
            "could-not-see" => Some(told.cause.replace("of this day", &format!("from {since} on"))),
            // Nobody tells any more of a logger that is off the list.
            _ => line.map(|_| format!("{} (since {since})", told.cause)),
        }
    }
}

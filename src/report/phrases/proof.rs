//! The proof: how safe the data is, what came over the air, what is not home, what became known.

use jiff::Timestamp;

use super::super::audits;
use super::super::value::{AccessPointLine, Blind, Correction, NotHomeLine, VehicleLine, Verdict};
use super::super::words::{count, megabytes, of, plain, size};
use super::{FEW, NAMED, Told, listed};

/// A sort of files that are not home, some of them named.
#[derive(Debug)]
pub struct Pending {
    /// What they are.
    pub text: String,
    /// `(vehicle, path)` of a few.
    pub names: Vec<(String, String)>,
    /// How many more there are.
    pub more: u64,
}

impl Told<'_> {
    /// Whether the data is safe: what, and how it stands.
    pub fn safe(&self) -> Vec<(String, String)> {
        let safety = &self.report.safety;
        let mut rows = Vec::new();
        let proven = |proof: &str, n: u64| match proof {
            "digest" => format!("{} by the logger's checksum", count(n)),
            "reread" => format!("{} by a second reading", count(n)),
            "secured" => format!("{} by a secured connection", count(n)),
            "length" => format!("{} by {} length alone", count(n), if n == 1 { "its" } else { "their" }),
            "none" => format!("{} whose length was never told", count(n)),
            other => format!("{} by {}", count(n), plain(other)),
        };
        let known = ["digest", "reread", "secured", "length"];
        let others = safety.proof.keys().map(|p| &**p).filter(|p| !known.contains(p));
        let proofs: Vec<String> = known
            .into_iter()
            .chain(others)
            .filter_map(|p| safety.proof.get(p).filter(|n| **n > 0).map(|n| proven(p, *n)))
            .collect();
        if !proofs.is_empty() {
            let all = of(safety.proof.values().sum(), "file");
            rows.push(("proof".to_owned(), format!("{all} proven whole: {}", proofs.join(", "))));
        }
        for archive in &self.report.archives {
            let mut text = match archive.files_waiting {
                0 => "has everything".to_owned(),
                n => {
                    let wait = if n == 1 { "waits" } else { "wait" };
                    format!("{}, {}, {wait} for it in the spool", of(n, "file"), size(archive.bytes_waiting))
                }
            };
            if let Some(since) = archive.away_since {
                text = format!("away since {}; {text}", self.clock(since));
            }
            text += if archive.required { "" } else { " (not required)" };
            rows.push((plain(&archive.name), text));
        }
        rows.extend(audits::told(&safety.audits, |at| self.clock(at)));
        if safety.spool_limit > 0 {
            let used = format!("{} of {} in use", size(safety.spool_used), size(safety.spool_limit));
            let room = match safety.spool_days {
                None => String::new(),
                Some(days) => {
                    format!("; room for {} if no archive takes anything", about(days))
                }
            };
            rows.push(("spool".to_owned(), used + &room));
        }
        rows
    }

    /// The night on the air, a row an access point and one of all: name, loggers that answered, how
    /// many usually do, MB delivered, MB of them fetched twice, cuts. None where nothing was.
    pub fn air(&self) -> Vec<[String; 6]> {
        let row = |a: &AccessPointLine| {
            [
                plain(&a.name),
                format!("{} of {}", count(a.answered), count(a.loggers)),
                a.usual.map_or_else(|| "unknown".to_owned(), count),
                megabytes(a.bytes_delivered),
                megabytes(a.bytes_fetched_twice),
                count(a.cuts),
            ]
        };
        let mut rows: Vec<_> = self.report.access_points.iter().map(row).collect();
        let totals = &self.report.totals;
        if !rows.is_empty() || totals.bytes_delivered > 0 {
            let loggers = self.report.vehicles.iter().flat_map(|v| &v.loggers);
            let seen = |at: Option<Timestamp>| at.is_some_and(|at| at >= self.report.from);
            let answered = loggers.clone().filter(|l| seen(l.last_seen)).count() as u64;
            rows.push([
                "all".to_owned(),
                format!("{} of {}", count(answered), count(loggers.count() as u64)),
                String::new(),
                megabytes(totals.bytes_delivered),
                megabytes(totals.bytes_fetched_twice),
                count(totals.cuts),
            ]);
        }
        rows
    }

    /// What is not home yet, old stock last.
    pub fn not_home(&self) -> Vec<Pending> {
        let sum = |f: fn(&VehicleLine) -> u64| {
            let all: Vec<u64> = self.report.vehicles.iter().map(f).filter(|n| *n > 0).collect();
            // Sizes are what loggers claim.
            let sum = all.iter().fold(0, |sum: u64, n| sum.saturating_add(*n));
            (sum, of(all.len() as u64, "vehicle"))
        };
        let named = |open: bool, all: u64, text: String| {
            let name = |f: &NotHomeLine| (plain(&f.vehicle), plain(&f.path));
            let names: Vec<_> =
                self.report.not_home.iter().filter(|f| f.open == open).take(NAMED).map(name).collect();
            // Where none is named the number is in the sentence already.
            let more = if names.is_empty() { 0 } else { all.saturating_sub(names.len() as u64) };
            Pending { text, names, more }
        };
        let mut lists = Vec::new();
        let (closed, on) = sum(|v| v.files.listed);
        let (bytes, _) = sum(|v| v.bytes.to_fetch);
        if closed > 0 {
            let text = format!("{}, {}, on {on}: not fetched yet.", of(closed, "closed file"), size(bytes));
            lists.push(named(false, closed, text));
        }
        let (open, on) = sum(|v| v.files.open);
        if open > 0 {
            let text =
                format!("{} on {on}: may still be written, and fetched once closed.", of(open, "file"));
            lists.push(named(true, open, text));
        }
        let (old, _) = sum(|v| v.files.backlog);
        let (bytes, _) = sum(|v| v.bytes.backlog);
        if old > 0 {
            let have = self.report.vehicles.iter().filter(|v| v.files.backlog > 0);
            let on: Vec<String> = have.map(|v| v.id.clone()).collect();
            let mut text = format!(
                "Old stock: {}, {}, on {}, from before Yarder first met the logger; fetched when nothing new waits.",
                of(old, "file"),
                size(bytes),
                listed(&on, FEW)
            );
            match self.report.safety.backlog_ends {
                Some(end) => {
                    text += &format!(" At the pace of the last week it is home on {}.", self.day(end))
                }
                None if self.report.safety.backlog_files > 0 => {
                    text += " When it will be home is unknown: none came in the last week.";
                }
                None => {}
            }
            lists.push(Pending { text, names: Vec::new(), more: 0 });
        }
        lists
    }

    /// What became known of earlier days: the vehicle, and what is so. What is so of several is said once.
    pub fn corrections(&self) -> Vec<(String, String)> {
        let one = |c: &Correction| {
            let came = match c.files {
                0 => String::new(),
                n => format!("; {} came home since", of(n, "file")),
            };
            let how = match c.is {
                Verdict::Complete => "finished after the last report",
                _ => "corrected",
            };
            format!("{}: {how}, was {}, is {}{came}.", self.day(c.date), c.was.words(), c.is.words())
        };
        let mut said: Vec<(Vec<String>, String)> = Vec::new();
        for correction in &self.report.corrections {
            let text = one(correction);
            match said.iter_mut().find(|(_, before)| *before == text) {
                Some((who, _)) => who.push(correction.vehicle.clone()),
                None => said.push((vec![correction.vehicle.clone()], text)),
            }
        }
        let several = |(who, text): (Vec<String>, String)| match who.as_slice() {
            [one] => (plain(one), text),
            all => (of(all.len() as u64, "vehicle"), format!("{text} These are {}.", listed(all, 2 * NAMED))),
        };
        said.into_iter().map(several).collect()
    }

    /// When Yarder could not see.
    pub fn blind(&self) -> Vec<String> {
        let one = |b: &Blind| {
            let why = match b.why {
                "down" => "it did not run",
                "network" => "the depot PC had no network link",
                "clock" => "the depot PC's clock was not plausible",
                other => other,
            };
            let (from, to) = (self.clock(b.from), self.clock(b.to));
            format!("Yarder itself could not see from {from} to {to}: {}.", plain(why))
        };
        self.report.blind.iter().map(one).collect()
    }
}

/// A number of days, never more than there are.
pub(super) fn about(days: f64) -> String {
    match days {
        d if d.is_nan() || d < 1.0 => "less than a day".to_owned(),
        d if d < 2.0 => "one more day".to_owned(),
        d if d > 999.0 => "more than 999 days".to_owned(),
        d => format!("{:.0} more days", d.floor()),
    }
}

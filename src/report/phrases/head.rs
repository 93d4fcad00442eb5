//! The head: which day, what matters most, what came home, who is not complete.

use super::super::value::{FindingLine, FindingState, VehicleLine, Verdict};
use super::super::words::{count, moment, of, opening, plain, sentence, size};
use super::proof::about;
use super::{ROLL, Told, by_state};

/// One sentence of the head.
#[derive(Debug, PartialEq, Eq)]
pub struct Sentence {
    /// With its full stop.
    pub text: String,
    /// It tells of a loss, and bears the mark of one.
    pub loss: bool,
}

impl<'r> Told<'r> {
    /// `Tue 24 to Wed 25 Nov 2026`.
    pub fn span(&self) -> String {
        let (from, to) = (self.report.date, self.report.to.to_zoned_datetime(self.zone.clone()).date());
        let long = "%a %-d %b %Y";
        let first = match (from.year() == to.year(), from.month() == to.month()) {
            (true, true) => "%a %-d",
            (true, false) => "%a %-d %b",
            _ => long,
        };
        format!("{} to {}", from.strftime(first), to.strftime(long))
    }

    /// The moment of the report.
    pub fn as_of(&self) -> String {
        let report = self.report;
        let near = report.as_of >= report.from && report.as_of <= report.to;
        let as_of = report.as_of.to_zoned_datetime(self.zone.clone());
        as_of.strftime(if near { "%H:%M" } else { "%a %-d %b %H:%M" }).to_string()
    }

    /// How the page was made, where that matters.
    pub fn made(&self) -> Option<&'static str> {
        match (self.report.made_afterwards(), self.report.is_final) {
            (true, _) => Some("Made afterwards: what came home since that day counts as home."),
            (false, true) => Some("The last report of this day."),
            (false, false) => None,
        }
    }

    /// What matters most: the depot, then losses, then the vehicles.
    pub fn sentences(&self) -> Vec<Sentence> {
        let mut said = Vec::new();
        let mut say = |text: String| said.push(Sentence { text, loss: false });
        let act = by_state(&self.report.findings, FindingLine::needs_person);
        // What explains vehicles comes first even if nobody has to do anything about it.
        let here = |f: &FindingLine| !matches!(f.state, FindingState::Gone | FindingState::Snoozed);
        let explains = by_state(&self.report.findings, |f| here(f) && !f.vehicles.is_empty());
        if let Some(first) = act.first().or(explains.first()) {
            say(opening(&sentence(&first.cause)));
            if !first.vehicles.is_empty() {
                say(format!("That explains {}.", of(first.vehicles.len() as u64, "vehicle")));
            }
        }
        match act.len() {
            0 | 1 => {}
            2 => say("One more thing at the depot needs you.".to_owned()),
            n => say(format!("{} more things at the depot need you.", n - 1)),
        }
        let lost = self.report.totals.files_lost;
        if lost > 0 {
            let text = format!("{} {} lost.", of(lost, "file"), if lost == 1 { "was" } else { "were" });
            said.push(Sentence { text, loss: true });
        }
        said.extend(self.fleet().into_iter().map(|text| Sentence { text, loss: false }));
        said
    }

    /// The vehicles in numbers.
    fn fleet(&self) -> Vec<String> {
        let totals = &self.report.totals;
        let all = totals.vehicles;
        if all == 0 {
            return vec!["No vehicle is in the list.".to_owned()];
        }
        let need = self.report.vehicles.iter().filter(|v| v.needs_person()).count() as u64;
        if totals.not_seen == all {
            let since = moment(self.report.from, self.report.from, self.zone);
            let mut said = vec![format!("No vehicle was seen since {since} (of {}).", count(all))];
            said.extend((need > 0).then(|| "What was found before still needs you.".to_owned()));
            return said;
        }
        let mut said = vec![match (totals.complete, all) {
            (1, 1) => "The vehicle is complete.".to_owned(),
            (2, 2) => "Both vehicles complete.".to_owned(),
            (some, n) if some == n => format!("All {} vehicles complete.", count(n)),
            (_, 1) => {
                format!("The vehicle is {}.", self.report.vehicles.first().map_or("unknown", one_alone))
            }
            (0, n) => format!("None of {} vehicles complete.", count(n)),
            (some, n) => format!("{} of {} vehicles complete.", count(some), count(n)),
        }];
        match (need, all) {
            (0, _) => {}
            (_, 1) => said.push("It needs you.".to_owned()),
            (1, _) => said.push("1 needs you.".to_owned()),
            (n, _) => said.push(format!("{} need you.", count(n))),
        }
        for verdict in Verdict::ALL.iter().rev().filter(|v| all > 1 && **v != Verdict::Complete) {
            let calm = |v: &&VehicleLine| v.verdict == *verdict && !v.needs_person();
            let n = self.report.vehicles.iter().filter(calm).count() as u64;
            if n > 0 {
                let word = if *verdict == Verdict::NoData { "without data" } else { verdict.words() };
                said.push(format!("{} {word}.", count(n)));
            }
        }
        if !self.report.needs_person() {
            said.push("Nothing needs you.".to_owned());
        }
        said
    }

    /// What came home.
    pub fn home(&self) -> String {
        let totals = &self.report.totals;
        let mut home = match totals.files_archived {
            0 => "No file came home yet".to_owned(),
            n => format!("{} in {} came home", size(totals.bytes_archived), of(n, "file")),
        };
        home += if totals.files_lost == 0 { "; nothing lost" } else { "" };
        if totals.bytes_delivered > 0 {
            home += &match (totals.cuts, totals.bytes_fetched_twice) {
                (0, 0) => "; no transfer was cut".to_owned(),
                (0, twice) => format!("; {} fetched twice", size(twice)),
                (cuts, twice) => format!("; {} fetched twice over {}", size(twice), of(cuts, "cut")),
            };
        }
        if totals.duplicates_avoided > 0 {
            home += &format!("; {} known already", of(totals.duplicates_avoided, "file"));
        }
        let kept = self.kept();
        home + "." + if kept.is_empty() { "" } else { " " } + &kept
    }

    /// Whether what came home lies in the archives, in one sentence.
    fn kept(&self) -> String {
        let archives = &self.report.archives;
        let most =
            archives.iter().filter(|a| a.files_waiting > 0).max_by_key(|a| (a.required, a.bytes_waiting));
        let Some(archive) = most else {
            return match archives.as_slice() {
                [] => String::new(),
                [one] => format!("Archive \"{}\" has everything.", plain(&one.name)),
                _ => "Every archive has everything.".to_owned(),
            };
        };
        let wait = if archive.files_waiting == 1 { "waits" } else { "wait" };
        let files = of(archive.files_waiting, "file");
        let away = archive.away_since.map_or(String::new(), |at| format!(", away since {}", self.clock(at)));
        let room =
            self.report.safety.spool_days.map(|days| format!("; the spool has room for {}", about(days)));
        let room = room.unwrap_or_default();
        let (size, name) = (size(archive.bytes_waiting), plain(&archive.name));
        format!("{files}, {size}, {wait} in the spool for archive \"{name}\"{away}{room}.")
    }

    /// Who is not complete, by verdict, in the order of the table; none where there is one vehicle.
    /// Whom a finding of the depot explains is counted and not named.
    pub fn roll(&self) -> Vec<Roll<'r>> {
        let mut roll: Vec<Roll<'r>> = Vec::new();
        let here = |f: &&FindingLine| !matches!(f.state, FindingState::Gone | FindingState::Snoozed);
        let explained: Vec<&String> =
            self.report.findings.iter().filter(here).flat_map(|f| &f.vehicles).collect();
        let rows = self.rows();
        for vehicle in rows.iter().filter(|v| v.verdict != Verdict::Complete && rows.len() > 1) {
            if roll.iter().all(|r| r.verdict != vehicle.verdict) {
                roll.push(Roll { verdict: vehicle.verdict, named: Vec::new(), more: 0, explained: 0 });
            }
            for row in roll.iter_mut().filter(|r| r.verdict == vehicle.verdict) {
                match row.named.len() {
                    _ if explained.contains(&&vehicle.id) => row.explained += 1,
                    ROLL.. => row.more += 1,
                    _ => row.named.push(vehicle),
                }
            }
        }
        roll
    }
}

/// The vehicles of one verdict, in a line.
#[derive(Debug)]
pub struct Roll<'r> {
    /// The verdict.
    pub verdict: Verdict,
    /// Those that are named.
    pub named: Vec<&'r VehicleLine>,
    more: usize,
    explained: usize,
}

impl Roll<'_> {
    /// Those that are not named.
    pub fn rest(&self) -> Option<String> {
        let more = (self.more > 0).then(|| format!("{} more", count(self.more as u64)));
        let told = (self.explained > 0).then(|| format!("{} explained below", count(self.explained as u64)));
        let rest: Vec<String> = more.into_iter().chain(told).collect();
        (!rest.is_empty()).then(|| rest.join(", "))
    }
}

/// The word for a list of one that is not complete.
fn one_alone(vehicle: &VehicleLine) -> &'static str {
    match vehicle.verdict {
        Verdict::Complete | Verdict::Incomplete => "not complete",
        Verdict::NoData => "seen, and has no data",
        other => other.words(),
    }
}

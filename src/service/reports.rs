//! Makes reports when they are due, and stores them as they were made.
//!
//! A day is opened when the service lives in it, and closed when it has ended: days that a jump of
//! the clock leaps over were never opened and get no report, and a closed one is never opened again.
//! Days that the service missed, because it was down or the machine slept, are opened afterwards.
//! While the clock is not plausible neither happens.
//!
//! # Crash
//! Report, what it said of findings and the closing of its day are one commit. Before it nothing is
//! stored, and the report is made again at the next start.

use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::json;

use super::ServiceError;
use super::belief::{Belief, Sleep};
use super::lived::ALIVE;
use crate::ledger::{self, Finding, LedgerError, Severity, ToStore, Told};
use crate::model::Day;
use crate::report::moments::{Due, due, missed, next};
use crate::report::{Facts, FindingState, Report, build, words};
use crate::yard::Yard;

/// The finding that a report is due and not made.
const NOT_MADE: &str = "report-cannot-be-made";
/// Missed days that are made up for at most, the newest ones.
const MISSED: usize = 400;

/// The days and reports of a yard.
pub(super) struct Keeper<'y> {
    yard: &'y Yard,
    belief: Belief,
    sleep: Sleep,
    /// What was missed before the start, or while the machine slept, has been looked for.
    looked_back: bool,
}

/// Makes reports until the service stops.
pub(super) async fn keep(yard: Yard) -> Result<(), ServiceError> {
    let mut keeper = Keeper::begin(&yard).await?;
    loop {
        let pause = keeper.goes_on().await?;
        tokio::select! {
            biased;
            () = yard.stop.cancelled() => return Ok(()),
            () = yard.edges.clock.sleep(pause) => {}
        }
    }
}

impl<'y> Keeper<'y> {
    pub async fn begin(yard: &'y Yard) -> Result<Self, ServiceError> {
        let known = yard.ledger.last_moment().await?.and_then(|ms| Timestamp::from_millisecond(ms).ok());
        let sleep = Sleep::new(yard.edges.clock.as_ref());
        Ok(Self { yard, belief: Belief::new(known), sleep, looked_back: false })
    }

    /// Opens the running day, makes what is due, and says how long nothing else will be.
    pub async fn goes_on(&mut self) -> Result<Duration, ServiceError> {
        let clock = &self.yard.edges.clock;
        let now = clock.now();
        self.looked_back &= !self.sleep.slept(clock.as_ref());
        if !self.belief.look(now, clock.boot()) {
            return Ok(ALIVE);
        }
        let config = self.yard.config.borrow().clone();
        let (starts, zone) = (config.depot.day_starts, config.depot.time_zone.clone());
        let Some(today) = Day::at(now, starts, &zone) else { return Ok(ALIVE) };
        let ledger = &self.yard.ledger;
        let lived = if self.looked_back {
            // Since the last look, or since a jump of the clock.
            now.checked_sub(2 * ALIVE).ok()
        } else {
            self.looked_back = true;
            let lived = ledger.last_lived().await?.and_then(|ms| Timestamp::from_millisecond(ms).ok());
            let days = lived.map(|lived| missed(lived, now, starts, &zone, MISSED)).unwrap_or_default();
            let days = days.into_iter().map(|day| (day.date, day.from.as_millisecond())).collect();
            ledger.missed_days(days).await?;
            lived
        };
        // Moments of this day that passed while the service was down are made up for; others are not.
        let from = lived.map_or(now, |lived| lived.max(today.from));
        ledger.live_day(today.date, from.as_millisecond()).await?;
        for open in ledger.open_days().await? {
            if let Some(due) = due(&open, &config.report.at, starts, &zone, now) {
                if self.yard.stop.is_cancelled() {
                    break;
                }
                self.make(due, now).await?;
            }
        }
        let then = next(&config.report.at, starts, &zone, now).map(|then| then.duration_since(now));
        Ok(then.and_then(|span| Duration::try_from(span).ok()).unwrap_or(ALIVE).min(ALIVE))
    }

    /// Makes one report and stores it.
    async fn make(&self, due: Due, now: Timestamp) -> Result<(), ServiceError> {
        let yard = self.yard;
        yard.ledger.settled().await?;
        let config = yard.config.borrow().clone();
        let keep = config.report.keep;
        let made = yard.edges.blocking(move |disk| -> Result<Report, LedgerError> {
            let query = ledger::read_on(disk, &config.depot.state_dir)?;
            let mut facts = Facts::read(&query, &config, &due.day, now)?;
            let over = now.min(due.day.to).as_millisecond() - 1;
            let mine = format!("{NOT_MADE}:{}", due.day.date);
            for row in facts.findings.iter_mut().filter(|f| f.id == mine) {
                row.gone = row.gone.or(Some(over));
            }
            let mut report = build(&config, &facts, &due.day, now);
            report.is_final = due.is_final;
            Ok(report)
        });
        let report = match made.await {
            Ok(report) => report,
            // No reason to end what brings files home; it is tried again at the next look.
            Err(e) => {
                tracing::error!(date = %due.day.date, "the report could not be made: {e}");
                yard.ledger.raise(not_made(due.day.date, &e))?;
                return Ok(());
            }
        };
        // Whoever reads it needs not be told that it could not be made.
        yard.ledger.clear(NOT_MADE, &due.day.date.to_string())?;
        if yard.ledger.store_report(to_store(&report), keep).await? {
            let (complete, of) = (report.totals.complete, report.totals.vehicles);
            let (date, needs_person) = (report.date, report.needs_person());
            tracing::info!(%date, complete, of, needs_person, last = report.is_final, "report stored");
        }
        Ok(())
    }
}

fn not_made(date: Date, error: &LedgerError) -> Finding {
    Finding {
        code: NOT_MADE,
        subject: date.to_string(),
        severity: Severity::Act,
        vehicle: None,
        logger: None,
        evidence: json!({ "date": date, "error": error.to_string() }),
        cause: format!("the report of {} could not be made: {error}", date.strftime("%a %-d %b")),
        action: "See to the depot PC's disk; files come home meanwhile, and the report is tried again each minute."
            .into(),
    }
}

/// A report in the form in which the ledger keeps it.
fn to_store(report: &Report) -> ToStore {
    let all = report.findings.iter().chain(report.vehicles.iter().flat_map(|v| &v.findings));
    let there = all.filter(|f| f.state != FindingState::Gone).map(|f| {
        let severity = Severity::parse(f.severity).unwrap_or(Severity::Act);
        (f.id.clone(), Told { severity, evidence: f.evidence.clone() })
    });
    ToStore {
        date: report.date,
        as_of: report.as_of.as_millisecond(),
        is_final: report.is_final,
        json: words::json(report),
        findings: there.collect(),
    }
}

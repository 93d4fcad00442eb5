//! What went over access points of which a person bounds the volume, by the depot's day.
//!
//! The ledger counts along while a transfer runs, so that a restart does not forget.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::civil::Date;
use serde_json::json;

use super::Yard;
use super::visit::Visit;
use crate::config::AccessPoint;
use crate::fetch::Volume;
use crate::ledger::{Finding, Ledger, LedgerError, Severity};
use crate::model::Day;
use crate::model::amount::size;

/// The ledger is told what a transfer has brought so often.
const TELL: Duration = Duration::from_secs(10);

/// The volumes of a yard's access points, each of one day.
pub(super) type Volumes = Arc<Mutex<BTreeMap<String, (Date, Arc<Volume>)>>>;

/// One visit's part of an access point's volume.
#[derive(Debug, Clone)]
pub(super) struct Meter {
    point: String,
    day: Date,
    /// What all of its visits may bring together.
    pub volume: Arc<Volume>,
}

/// Bytes of a visit that its access point's volume knows, and those that the ledger knows.
#[derive(Debug, Default)]
pub(super) struct Metered {
    taken: u64,
    told: AtomicU64,
}

impl Metered {
    /// A transfer brought so many bytes, and took them from the volume as they came.
    pub fn came(&mut self, bytes: u64) {
        self.taken += bytes;
    }

    /// Tells the ledger that a visit has brought so many bytes.
    pub fn tell(&self, ledger: &Ledger, meter: &Meter, bytes: u64) -> Result<(), LedgerError> {
        let told = self.told.fetch_max(bytes, Ordering::Relaxed);
        if bytes <= told { Ok(()) } else { ledger.metered(&meter.point, meter.day, bytes - told) }
    }

    /// The visit's bytes up to now; what came besides transfers is taken too.
    pub fn settle(&mut self, ledger: &Ledger, meter: &Meter, bytes: u64) -> Result<(), LedgerError> {
        meter.volume.take(bytes.saturating_sub(self.taken));
        self.taken = bytes.max(self.taken);
        self.tell(ledger, meter, bytes)
    }

    /// Goes on telling what a transfer brings on top of what came before it; ends where the ledger fails.
    pub async fn keep_telling(
        &self,
        yard: &Yard,
        meter: Option<&Meter>,
        before: u64,
        came: impl Fn() -> u64,
    ) -> LedgerError {
        let Some(meter) = meter else { return std::future::pending().await };
        loop {
            yard.edges.clock.sleep(TELL).await;
            if let Err(e) = self.tell(&yard.ledger, meter, before + came()) {
                return e;
            }
        }
    }
}

impl Visit<'_> {
    /// The logger's access point.
    fn point(&self) -> Option<&AccessPoint> {
        let name = self.logger.access_point.as_deref()?;
        self.config.access_points.iter().find(|point| point.name == name)
    }

    /// Whether its volume costs.
    pub(super) fn is_metered(&self) -> bool {
        self.point().is_some_and(|point| point.metered)
    }

    /// The volume of this day; `None` where nobody bounds it.
    pub(super) async fn meter(&mut self) -> Result<Option<Meter>, LedgerError> {
        let Some((point, most)) = self.point().and_then(|p| Some((p.name.clone(), p.max_per_day?))) else {
            return Ok(None);
        };
        let depot = &self.config.depot;
        let now = self.yard.edges.clock.now();
        let Some(day) = Day::at(now, depot.day_starts, &depot.time_zone).map(|day| day.date) else {
            return Ok(None);
        };
        let known = |volumes: &BTreeMap<String, (Date, Arc<Volume>)>| {
            volumes.get(&point).filter(|(of, _)| *of == day).map(|(_, volume)| volume.clone())
        };
        let volumes = || self.yard.volumes.lock().unwrap_or_else(PoisonError::into_inner);
        let found = known(&volumes());
        let volume = match found {
            Some(volume) => volume,
            None => {
                let used = self.yard.ledger.metered_bytes(&point, day).await?;
                let mut volumes = volumes();
                // Another visit may have asked meanwhile, and have taken of it.
                known(&volumes).unwrap_or_else(|| {
                    let volume = Arc::new(Volume::of(most, used));
                    volumes.insert(point.clone(), (day, volume.clone()));
                    volume
                })
            }
        };
        volume.set_most(most);
        Ok(Some(Meter { point, day, volume }))
    }

    /// The access point's volume is used up: one finding for all who wait for it.
    pub(super) fn tell_used_up(&self, meter: &Meter) -> Result<(), LedgerError> {
        let (point, (most, used)) = (&meter.point, meter.volume.state());
        let starts = self.config.depot.day_starts.strftime("%H:%M");
        self.yard.ledger.raise(Finding {
            code: "link-used-up",
            subject: point.clone(),
            severity: Severity::Watch,
            vehicle: None,
            logger: None,
            evidence: json!({ "access_point": point, "carried": used, "max_per_day": most }),
            cause: format!(
                "access point \"{point}\" has carried {} of the {} that it may carry a day: what is not home yet waits",
                size(used),
                size(most)
            ),
            action: format!(
                "Nothing if it can wait: it goes on after {starts}, the newest files first where `metered` is set. Otherwise raise `max_per_day` of \"{point}\" in yarder.toml."
            ),
        })
    }

    /// A volume that nobody bounds any more is never used up.
    pub(super) fn clear_unbounded(&self) -> Result<(), LedgerError> {
        match self.point() {
            Some(point) if point.max_per_day.is_none() => self.yard.ledger.clear("link-used-up", &point.name),
            _ => Ok(()),
        }
    }

    /// A visit got all that it wanted: the volume suffices.
    pub(super) fn clear_used_up(&self, meter: &Meter) -> Result<(), LedgerError> {
        self.yard.ledger.clear("link-used-up", &meter.point)
    }
}

//! In which order a logger's files are fetched. Pure.

use std::collections::BTreeMap;

use crate::config::{Kind, Order};
use crate::ledger::{Pending, VersionId};
use crate::listing::in_order;
use crate::model::RemotePath;

/// Times stuck at one byte after which a file is a finding.
pub const STUCK_VISITS: u32 = 3;
/// Ends without a new byte after which a file goes behind the others of its vehicle.
pub const TRIES: u32 = 2;

/// The files to fetch now, first first: oldest first; behind them those that ended twice in this
/// visit without a new byte; behind those old stock; last the files that have been stuck for three
/// visits, and those of which a visit without resume brought no more than a part. Open files are left
/// out. Where each byte costs (`metered`), old stock is left out too, and the newest come first.
pub fn queue(
    kind: &Kind,
    pending: Vec<Pending>,
    fruitless: &BTreeMap<VersionId, u32>,
    credible: bool,
    metered: bool,
) -> Vec<Pending> {
    let wanted = |item: &Pending| !(item.open || metered && item.backlog);
    let closed: Vec<Pending> = pending.into_iter().filter(wanted).collect();
    let place: BTreeMap<RemotePath, usize> = in_order(closed.iter().map(|item| item.path.clone()).collect())
        .into_iter()
        .enumerate()
        .map(|(at, path)| (path, at))
        .collect();
    let by_time = kind.order == Order::Time && credible;
    let mut queue = closed;
    queue.sort_by_key(|item| {
        let tries = fruitless.get(&item.id).copied().unwrap_or(0);
        let never_fitted = item.stuck > 0 && item.stuck_at == Some(0);
        let time = if by_time { item.look.time.map(|t| t.as_millisecond()) } else { None };
        let place = place.get(&item.path).and_then(|place| i64::try_from(*place).ok());
        let turned = |at: Option<i64>| if metered { at.map(|at| -at) } else { at };
        (
            item.stuck >= STUCK_VISITS || never_fitted,
            tries >= TRIES,
            item.backlog && kind.backlog == crate::config::Backlog::AfterNew,
            turned(time),
            turned(place),
        )
    });
    queue
}

/// The open files that may be fetched ahead, when nothing closed waits: those that hold more than is
/// here, each the only open one of its stream (the others close by a second listing). One that was
/// written over in place is left until it is closed: all of it would come again for each listing.
pub fn ahead(pending: Vec<Pending>) -> Vec<Pending> {
    let mut open: BTreeMap<Vec<u8>, Vec<Pending>> = BTreeMap::new();
    for item in pending.into_iter().filter(|item| item.open) {
        open.entry(item.path.folder().to_vec()).or_default().push(item);
    }
    let fits = |item: &Pending| {
        item.look.size.is_some_and(|size| size > item.mark.offset)
            && (item.mark.offset > 0 || item.furthest == 0)
    };
    open.into_values()
        .filter_map(|mut files| files.pop().filter(|last| files.is_empty() && fits(last)))
        .collect()
}

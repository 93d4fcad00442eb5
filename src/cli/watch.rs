//! What a person sees while a round runs: bars on a terminal, lines elsewhere. On stderr, so that
//! the report on stdout stays clean.

use std::collections::BTreeMap;
use std::fmt;
use std::future::Future;
use std::io::{IsTerminal as _, Write as _};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::TryRecvError;
use tokio_util::sync::CancellationToken;

use crate::progress::{Progress, Tick};
use crate::report::words::{Glyphs, of, plain, size};

/// How often it is looked for ticks.
const PACE: Duration = Duration::from_millis(100);

/// Runs work to its end while its ticks are shown.
pub(super) async fn during<T>(progress: &Progress, glyphs: Glyphs, work: impl Future<Output = T>) -> T {
    let stderr = std::io::stderr();
    let mut show: Box<dyn Show> = if stderr.is_terminal() {
        Box::new(Bars::new(ProgressDrawTarget::stderr_with_hz(10), glyphs))
    } else {
        Box::new(Lines { out: stderr, met: Met::new(), text: String::new() })
    };
    let ticks = progress.listen();
    let over = CancellationToken::new();
    let (value, ()) = tokio::join!(
        async {
            let value = work.await;
            over.cancel();
            value
        },
        watch(ticks, &mut *show, &over),
    );
    value
}

/// Shows every tick that came before the work was over. It looks for them now and then, so that a tick
/// wakes nobody.
async fn watch(mut ticks: Receiver<Tick>, show: &mut dyn Show, over: &CancellationToken) {
    let mut last = false;
    while !last {
        last = tokio::time::timeout(PACE, over.cancelled()).await.is_ok();
        loop {
            match ticks.try_recv() {
                Ok(tick) => show.tick(&tick),
                Err(TryRecvError::Lagged(_)) => {}
                Err(TryRecvError::Empty | TryRecvError::Closed) => break,
            }
        }
        show.rest();
    }
    show.end();
}

trait Show: Send {
    fn tick(&mut self, tick: &Tick);
    /// There are no more ticks for a moment.
    fn rest(&mut self) {}
    fn end(&mut self);
}

/// What each logger's last listing left to fetch, in this run: files and bytes.
type Met = BTreeMap<String, (u64, u64)>;

/// What a tick says, where it says something; bytes and begun transfers do not, nor does a listing
/// that tells nothing new.
fn line(tick: &Tick, met: &mut Met) -> Option<String> {
    Some(match tick {
        Tick::Visit { vehicle, logger, files, bytes } => {
            let before = met.insert(logger.clone(), (*files, *bytes));
            match (files, before) {
                // Files that may still be written are not told apart from none here.
                (0, None) => format!("{}: in range", plain(vehicle)),
                (0, Some(_)) => return None,
                (_, Some(before)) if before == (*files, *bytes) => return None,
                _ => {
                    format!("{}: in range, {} to fetch, {}", plain(vehicle), of(*files, "file"), size(*bytes))
                }
            }
        }
        Tick::Begun { .. } | Tick::Bytes { .. } => return None,
        Tick::CaughtUp { vehicle, path, at, .. } => {
            format!("{}: {} may still be written, {} of it here", plain(vehicle), plain(path), size(*at))
        }
        Tick::Cut { vehicle, path, at, why, .. } => {
            format!("{}: {}: {} after {}", plain(vehicle), plain(path), ended(why), size(*at))
        }
        Tick::Whole { vehicle, path, size: bytes, .. } => {
            format!("{}: {} is here, {}", plain(vehicle), plain(path), size(*bytes))
        }
        Tick::Archived { archive, files, bytes } => {
            format!("archive {}: {} verified, {}", plain(archive), of(*files, "file"), size(*bytes))
        }
        Tick::Left { vehicle, why, .. } => format!("{}: visit over: {}", plain(vehicle), ended(why)),
        Tick::Trouble { vehicle: Some(vehicle), text } => format!("{}: {}", plain(vehicle), plain(text)),
        Tick::Trouble { vehicle: None, text } => plain(text),
    })
}

/// How a transfer or a visit ended, in the words before the first colon: what a library says behind it helps
/// nobody who watches.
fn ended(why: &str) -> String {
    let first = why.split([':', ';', '(']).next().unwrap_or_default().trim();
    if first.is_empty() { "the connection ended".to_owned() } else { plain(first) }
}

struct Lines {
    out: std::io::Stderr,
    met: Met,
    text: String,
}

impl Show for Lines {
    fn tick(&mut self, tick: &Tick) {
        if let Some(line) = line(tick, &mut self.met) {
            self.text.push_str(&line);
            self.text.push('\n');
        }
    }
    fn rest(&mut self) {
        // A closed stderr is no reason to stop the work.
        let _ = self.out.write_all(self.text.as_bytes());
        self.text.clear();
    }
    fn end(&mut self) {}
}

/// Bytes that are known to come, over all loggers.
#[derive(Debug, Default)]
struct Sum {
    to_come: BTreeMap<String, u64>,
    done: u64,
}

impl Sum {
    fn take(&mut self, tick: &Tick) {
        match tick {
            // A listing tells anew what is still to come.
            Tick::Visit { logger, bytes, .. } => drop(self.to_come.insert(logger.clone(), *bytes)),
            Tick::Bytes { logger, count } => {
                self.done += count;
                if let Some(left) = self.to_come.get_mut(logger) {
                    *left = left.saturating_sub(*count);
                }
            }
            // What it did not deliver is not under way any more.
            Tick::Left { logger, .. } => drop(self.to_come.remove(logger)),
            _ => {}
        }
    }

    fn all(&self) -> u64 {
        self.done + self.to_come.values().sum::<u64>()
    }
}

struct Bars {
    all: MultiProgress,
    overall: ProgressBar,
    active: BTreeMap<String, ProgressBar>,
    sum: Sum,
    met: Met,
    style: ProgressStyle,
}

impl Bars {
    fn new(target: ProgressDrawTarget, glyphs: Glyphs) -> Self {
        let amount = |state: &ProgressState, to: &mut dyn fmt::Write| {
            let _ = match state.len() {
                Some(len) => write!(to, "{} of {}", size(state.pos()), size(len)),
                None => write!(to, "{}", size(state.pos())),
            };
        };
        let style = ProgressStyle::with_template("{prefix:14} [{bar:22}] {amount:20} {msg}")
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .with_key("amount", amount)
            .progress_chars(if glyphs.ascii { "#> " } else { "■◧ " });
        let all = MultiProgress::with_draw_target(target);
        let overall = all.add(ProgressBar::new(0).with_style(style.clone()).with_prefix("all vehicles"));
        Self { all, overall, active: BTreeMap::new(), sum: Sum::default(), met: Met::new(), style }
    }

    fn stop(&mut self, logger: &str) {
        if let Some(bar) = self.active.remove(logger) {
            bar.finish_and_clear();
            self.all.remove(&bar);
        }
    }
}

impl Show for Bars {
    fn tick(&mut self, tick: &Tick) {
        self.sum.take(tick);
        self.overall.set_length(self.sum.all());
        self.overall.set_position(self.sum.done);
        match tick {
            Tick::Begun { vehicle, logger, path, from, size } => {
                self.stop(logger);
                let bar = match size {
                    Some(size) => ProgressBar::new(*size),
                    None => ProgressBar::no_length(),
                };
                let bar = bar.with_style(self.style.clone()).with_prefix(plain(vehicle));
                let bar = self.all.add(bar.with_message(plain(path)).with_position(*from));
                self.active.insert(logger.clone(), bar);
            }
            Tick::Bytes { logger, count } => {
                if let Some(bar) = self.active.get(logger) {
                    bar.inc(*count);
                }
            }
            Tick::Cut { logger, .. }
            | Tick::CaughtUp { logger, .. }
            | Tick::Whole { logger, .. }
            | Tick::Left { logger, .. } => {
                self.stop(logger);
            }
            _ => {}
        }
        // Files that go well are what the bars show.
        if !matches!(tick, Tick::Whole { .. } | Tick::Archived { .. })
            && let Some(line) = line(tick, &mut self.met)
        {
            let _ = self.all.println(line);
        }
    }

    fn end(&mut self) {
        self.overall.finish_and_clear();
        let _ = self.all.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ticks() -> Vec<Tick> {
        let (vehicle, logger, path) = ("PLOW-03".to_owned(), "L-0403".to_owned(), "a.log".to_owned());
        vec![
            Tick::Visit { vehicle: vehicle.clone(), logger: logger.clone(), files: 1, bytes: 1_000_000 },
            Tick::Begun {
                vehicle: vehicle.clone(),
                logger: logger.clone(),
                path: path.clone(),
                from: 0,
                size: Some(1_000_000),
            },
            Tick::Bytes { logger: logger.clone(), count: 400_000 },
            Tick::Cut {
                vehicle: vehicle.clone(),
                logger,
                path,
                at: 400_000,
                why: "the connection ended\x1b[2J: reset by peer".into(),
            },
            Tick::Trouble { vehicle: None, text: "archive central is away".into() },
        ]
    }

    struct Kept(Vec<String>, bool);

    impl Show for Kept {
        fn tick(&mut self, tick: &Tick) {
            self.0.extend(line(tick, &mut Met::new()));
        }
        fn end(&mut self) {
            self.1 = true;
        }
    }

    #[tokio::test]
    async fn every_tick_before_the_end_is_shown_and_names_are_harmless() {
        let progress = Progress::default();
        let listener = progress.listen();
        ticks().into_iter().for_each(|t| progress.tell(t));
        let over = CancellationToken::new();
        over.cancel();
        let mut kept = Kept(Vec::new(), false);
        watch(listener, &mut kept, &over).await;
        assert_eq!(
            kept.0,
            [
                "PLOW-03: in range, 1 file to fetch, 1.00 MB",
                "PLOW-03: a.log: the connection ended\\u{1b}[2J after 0.400 MB",
                "archive central is away",
            ]
        );
        assert!(kept.1);
    }

    #[test]
    fn a_logger_with_nothing_to_fetch_is_told_of_once() {
        let mut met = Met::new();
        let visit =
            |files| Tick::Visit { vehicle: "PLOW-03".into(), logger: "L-0403".into(), files, bytes: 7 };
        assert_eq!(line(&visit(0), &mut met).as_deref(), Some("PLOW-03: in range"));
        assert_eq!(line(&visit(0), &mut met), None);
        assert!(line(&visit(2), &mut met).is_some());
        assert_eq!(line(&visit(2), &mut met), None);
    }

    #[test]
    fn the_sum_follows_listings_bytes_and_departures() {
        let mut sum = Sum::default();
        ticks().iter().for_each(|t| sum.take(t));
        assert_eq!((sum.done, sum.all()), (400_000, 1_000_000));
        sum.take(&Tick::Left { vehicle: "PLOW-03".into(), logger: "L-0403".into(), why: "left".into() });
        assert_eq!(sum.all(), 400_000);
    }

    #[test]
    fn bars_come_and_go_with_transfers() {
        let mut bars = Bars::new(ProgressDrawTarget::hidden(), Glyphs::PLAIN);
        let ticks = ticks();
        ticks[..3].iter().for_each(|t| bars.tick(t));
        assert_eq!(bars.active["L-0403"].position(), 400_000);
        assert_eq!(bars.overall.length(), Some(1_000_000));
        ticks[3..].iter().for_each(|t| bars.tick(t));
        assert!(bars.active.is_empty());
        bars.end();
    }
}

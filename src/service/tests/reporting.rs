//! When reports are made, what they remember, and what people note.

use std::sync::atomic::AtomicU64;

use serde_json::{Value, json};

use super::super::reports::Keeper;
use super::super::{Parts, person};
use super::*;
use crate::ledger::{Change, Finding, Grant, Kept, Seen, Severity, VersionId, WholeFacts};
use crate::model::{Blocks, Digest, Edges as Ends, Look, Proof, RemotePath};

/// Clocks that stand where they are put.
#[derive(Debug)]
struct Set {
    wall: AtomicI64,
    mono: AtomicU64,
    slept: AtomicU64,
}

impl Clock for Set {
    fn now(&self) -> Timestamp {
        Timestamp::from_second(self.wall.load(Ordering::SeqCst)).expect("time")
    }

    fn mono(&self) -> Duration {
        Duration::from_secs(self.mono.load(Ordering::SeqCst))
    }

    fn boot(&self) -> Duration {
        self.mono() + Duration::from_secs(self.slept.load(Ordering::SeqCst))
    }

    fn sleep(&self, _: Duration) -> BoxFuture<'static, ()> {
        Box::pin(std::future::pending())
    }
}

fn moment(text: &str) -> Timestamp {
    text.parse().expect("moment")
}

/// A depot in Oslo that nobody drives into, and a service's parts that a test moves by hand.
struct Office {
    dir: TempDir,
    clock: Arc<Set>,
    config: Config,
}

/// A service that runs there.
struct Running<'o> {
    office: &'o Office,
    parts: Parts,
}

impl Office {
    fn new(now: &str, report: &str) -> Self {
        let dir = tempfile::tempdir().expect("dir");
        std::fs::create_dir(dir.path().join("archive")).expect("archive");
        let depot = format!(
            "[depot]\nname = \"north-yard\"\ntime_zone = \"Europe/Oslo\"\nworks = \"Mon-Sun\"\nstate_dir = {:?}\nspool_reserve = \"1 kB\"\n\
             [[archive]]\nname = \"central\"\nurl = \"file://{}\"\n[report]\n{report}\n",
            dir.path().join("state"),
            dir.path().join("archive").display()
        );
        let vehicles = "[kind.wifi]\nurl = \"http://{host}/\"\n\
            [[vehicle]]\nid = \"PLOW-03\"\n[[logger]]\nid = \"L-0403\"\nvehicle = \"PLOW-03\"\nkind = \"wifi\"\nhost = \"127.0.0.1:1\"\n";
        std::fs::write(dir.path().join("yarder.toml"), depot).expect("written");
        std::fs::write(dir.path().join("vehicles.toml"), vehicles).expect("written");
        let config = load(&dir.path().join("yarder.toml")).map_err(|e| e.to_string()).expect("good").config;
        let clock =
            Set { wall: moment(now).as_second().into(), mono: AtomicU64::new(0), slept: AtomicU64::new(0) };
        Self { dir, clock: Arc::new(clock), config }
    }

    async fn start(&self) -> Running<'_> {
        let edges = Edges { clock: self.clock.clone(), ..Edges::real() };
        let dialer = Arc::new(NetDialer::new(edges.clock.clone()));
        let (progress, stop) = (Progress::default(), CancellationToken::new());
        let parts = Parts::build(edges, dialer, progress, self.config.clone(), "test", stop).await;
        Running { office: self, parts: parts.expect("started") }
    }

    /// The wall clock is put somewhere, and no time passes.
    fn set(&self, now: &str) {
        self.clock.wall.store(moment(now).as_second(), Ordering::SeqCst);
    }

    /// The machine is suspended until then.
    fn suspend(&self, until: &str) {
        let slept = moment(until).duration_since(self.clock.now()).as_secs();
        self.clock.slept.fetch_add(u64::try_from(slept).expect("later"), Ordering::SeqCst);
        self.set(until);
    }

    fn query(&self) -> Query {
        ledger::read(&self.dir.path().join("state")).expect("ledger")
    }

    /// Date, moment and whether it is the last, of every stored report in the order of their making.
    fn stored(&self) -> Vec<String> {
        let mut all = Vec::new();
        let each = |s: crate::ledger::Stored| {
            let at = Timestamp::from_millisecond(s.as_of).expect("time");
            all.push(format!("{} {at}{}", s.date, if s.is_final { " last" } else { "" }));
        };
        self.query().stored_of(jiff::civil::Date::MIN, jiff::civil::Date::MAX, each).expect("stored");
        all
    }

    /// The last report of a day.
    fn last_of(&self, date: &str) -> Value {
        let stored = self.query().stored(date.parse().expect("date")).expect("read").expect("stored");
        serde_json::from_str(&stored.json).expect("json")
    }
}

impl Running<'_> {
    async fn keeper(&self) -> Keeper<'_> {
        Keeper::begin(&self.parts.yard).await.expect("begun")
    }

    /// Lets both clocks go on to a moment, as the service looks at them: each minute, and at what is
    /// due.
    async fn until(&self, keeper: &mut Keeper<'_>, end: &str) {
        let clock = &self.office.clock;
        loop {
            let pause = keeper.goes_on().await.expect("goes on").as_secs().max(1);
            if clock.now() >= moment(end) {
                return;
            }
            clock.wall.fetch_add(pause as i64, Ordering::SeqCst);
            clock.mono.fetch_add(pause, Ordering::SeqCst);
        }
    }

    /// It ends, and lets go of the folder.
    async fn end(self) {
        self.parts.yard.ledger.settled().await.expect("committed");
        let Parts { yard, finishing, .. } = self.parts;
        drop(yard);
        finishing.await.expect("ended");
    }

    async fn raise(&self, severity: Severity, evidence: Value) {
        let finding = Finding {
            code: "file-lost",
            subject: "L-0403/1.log".into(),
            severity,
            vehicle: Some("PLOW-03".into()),
            logger: Some("L-0403".into()),
            evidence,
            cause: "it vanished".into(),
            action: "Look at the card.".into(),
        };
        self.parts.yard.ledger.raise(finding).expect("raised");
        self.parts.yard.ledger.settled().await.expect("committed");
    }

    async fn note(&self, id: &str, until: Option<&str>, reason: Option<&str>) -> Result<String, String> {
        let until = until.map(|date| date.parse().expect("date"));
        let noted =
            person::note(&self.parts.yard, id.into(), until, reason.map(str::to_owned), "kari".into());
        noted.await.map_err(|e| e.to_string())
    }

    /// A closed file is listed, by a whole listing.
    async fn list(&self, name: &str) {
        self.list_sized(name, 5000).await;
    }

    async fn list_sized(&self, name: &str, size: u64) {
        let ledger = &self.parts.yard.ledger;
        let row = ledger.logger("L-0403", "PLOW-03").await.expect("row");
        let look = Look { size: Some(size), ..Look::default() };
        let path = RemotePath::new(name.as_bytes()).expect("path");
        let seen = Seen { path, listed: size.to_string(), look };
        let new = vec![Change::New { seen, backlog: false, same_as: None, why: "listed" }];
        ledger.apply(&row, "PLOW-03", true, new).await.expect("applied");
    }

    /// What is listed comes home.
    async fn bring_home(&self) {
        self.bring_some_home(usize::MAX).await;
    }

    /// So many of it do, at most.
    async fn bring_some_home(&self, most: usize) {
        let ledger = &self.parts.yard.ledger;
        let row = ledger.logger("L-0403", "PLOW-03").await.expect("row");
        for pending in ledger.pending(row.key).await.expect("pending").into_iter().take(most) {
            let VersionId(n) = pending.id;
            let sha256 = Digest::of(&n.to_be_bytes());
            let facts = WholeFacts {
                id: pending.id,
                spool: format!("s{n}"),
                look: Look { size: Some(5000), ..Look::default() },
                size: 5000,
                sha256,
                edges: Ends { head: sha256, tail: sha256 },
                blocks: Blocks(vec![sha256]),
                proof: Proof::Length,
                extends: None,
                owed: vec!["central".into()],
                detail: json!({}),
            };
            ledger.grant(Grant { id: pending.id, spool: facts.spool.clone(), reserved: 0 }).expect("granted");
            ledger.whole(vec![(facts, false)]).await.expect("whole");
            let (id, place) = (pending.id, format!("at/{n}"));
            ledger
                .intend("central", vec![(id, place.clone(), place.clone(), place.clone())])
                .await
                .expect("claim");
            ledger.stored("central", vec![(id, place.clone(), place.clone(), false)]).await.expect("stored");
            let kept = Kept { id, location: place, seq: n, verified: "disk-read", folder: None, note: "" };
            ledger.verified("central", vec![kept], Vec::new()).await.expect("verified");
        }
    }
}

const NIGHT: &str = "at = [\"05:00\"]";

#[tokio::test]
async fn each_day_has_its_reports_and_one_that_is_the_last() {
    let office = Office::new("2026-11-23T20:00:00Z", "at = [\"22:00\", \"05:00\"]");
    let running = office.start().await;
    running.until(&mut running.keeper().await, "2026-11-25T12:00:00Z").await;
    assert_eq!(
        office.stored(),
        [
            "2026-11-23 2026-11-23T21:00:00Z",
            "2026-11-23 2026-11-24T04:00:00Z",
            "2026-11-23 2026-11-24T11:00:00Z last",
            "2026-11-24 2026-11-24T21:00:00Z",
            "2026-11-24 2026-11-25T04:00:00Z",
            "2026-11-24 2026-11-25T11:00:00Z last",
        ]
    );
    let report = office.last_of("2026-11-24");
    assert_eq!((&report["final"], &report["as_of"]), (&json!(true), &json!("2026-11-25T11:00:00Z")));
    let strip = &report["vehicles"][0]["strip"];
    assert_eq!(strip[0], json!({ "date": "2026-11-23", "verdict": "not-seen", "lost": false }));
    assert_eq!(strip.as_array().map(Vec::len), Some(2));
    assert_eq!(report["safety"]["spool_past"], json!([{ "date": "2026-11-23", "used": 0 }]));
}

/// The European Union's clocks change at 01:00 UTC on the last Sundays of March and October
/// (directive 2000/84/EC).
#[tokio::test]
async fn days_on_which_the_clocks_change_are_closed_once() {
    for (from, to, stored) in [
        (
            "2026-10-24T12:00:00Z",
            "2026-10-25T12:00:00Z",
            ["2026-10-24 2026-10-25T00:30:00Z", "2026-10-24 2026-10-25T11:00:00Z last"],
        ),
        (
            "2027-03-27T12:00:00Z",
            "2027-03-28T11:00:00Z",
            ["2027-03-27 2027-03-28T01:00:00Z", "2027-03-27 2027-03-28T10:00:00Z last"],
        ),
    ] {
        let office = Office::new(from, "at = [\"02:30\"]");
        let running = office.start().await;
        running.until(&mut running.keeper().await, to).await;
        assert_eq!(office.stored(), stored);
    }
}

#[tokio::test]
async fn days_that_the_service_missed_are_written_at_its_start() {
    let office = Office::new("2026-11-20T20:00:00Z", NIGHT);
    let running = office.start().await;
    running.until(&mut running.keeper().await, "2026-11-20T20:05:00Z").await;
    running.end().await;
    assert!(office.stored().is_empty());
    office.set("2026-11-23T06:00:00Z");
    let running = office.start().await;
    running.until(&mut running.keeper().await, "2026-11-23T06:05:00Z").await;
    assert_eq!(
        office.stored(),
        [
            "2026-11-20 2026-11-23T06:00:00Z last",
            "2026-11-21 2026-11-23T06:00:00Z last",
            "2026-11-22 2026-11-23T06:00:00Z"
        ],
        "and this morning's, at 07:00 instead of 05:00"
    );
    running.end().await;
    let running = office.start().await;
    running.until(&mut running.keeper().await, "2026-11-23T06:10:00Z").await;
    assert_eq!(office.stored().len(), 3, "each of them once");
}

#[tokio::test]
async fn days_that_the_machine_slept_through_are_written_when_it_wakes() {
    let office = Office::new("2026-11-20T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.until(&mut keeper, "2026-11-20T20:05:00Z").await;
    office.suspend("2026-11-23T06:00:00Z");
    running.until(&mut keeper, "2026-11-23T06:10:00Z").await;
    let all = [
        "2026-11-20 2026-11-23T06:00:00Z last",
        "2026-11-21 2026-11-23T06:00:00Z last",
        "2026-11-22 2026-11-23T06:00:00Z",
    ];
    assert_eq!(office.stored(), all, "at once: no clock has jumped");
    // A lid that is closed for a moment.
    office.suspend("2026-11-23T06:11:00Z");
    running.until(&mut keeper, "2026-11-23T06:20:00Z").await;
    assert_eq!(office.stored(), all);
    office.suspend("2026-11-23T10:59:00Z");
    running.until(&mut keeper, "2026-11-23T11:01:00Z").await;
    assert_eq!(office.stored().last().map(String::as_str), Some("2026-11-22 2026-11-23T11:00:00Z last"));
}

#[tokio::test]
async fn a_clock_that_jumps_closes_no_day_twice_and_makes_no_report_of_days_that_never_were() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.until(&mut keeper, "2026-11-23T20:05:00Z").await;
    // Ten days ahead: not believed at once, and believed once it stays.
    office.set("2026-12-03T20:05:00Z");
    running.until(&mut keeper, "2026-12-03T20:15:00Z").await;
    assert_eq!(office.stored(), [""; 0]);
    running.until(&mut keeper, "2026-12-03T20:25:00Z").await;
    let closed = "2026-11-23 2026-12-03T20:20:00Z last";
    assert_eq!(office.stored(), [closed], "the day that was lived, and none between");
    // And back.
    office.set("2026-11-23T20:30:00Z");
    running.until(&mut keeper, "2026-11-25T12:00:00Z").await;
    let all = [closed, "2026-11-24 2026-11-25T04:00:00Z", "2026-11-24 2026-11-25T11:00:00Z last"];
    assert_eq!(office.stored(), all, "the first day stays closed");
}

#[tokio::test]
async fn a_clock_that_is_not_plausible_opens_and_closes_nothing() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    running.until(&mut running.keeper().await, "2026-11-23T20:05:00Z").await;
    running.end().await;
    office.set("1970-01-01T00:00:00Z");
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.until(&mut keeper, "1970-01-03T00:00:00Z").await;
    assert_eq!(office.stored(), [""; 0]);
    // A time server answers: what lies between was missed.
    office.set("2026-11-25T20:00:00Z");
    running.until(&mut keeper, "2026-11-25T20:30:00Z").await;
    assert_eq!(
        office.stored(),
        ["2026-11-23 2026-11-25T20:15:00Z last", "2026-11-24 2026-11-25T20:15:00Z last"]
    );
}

#[tokio::test]
async fn a_report_is_made_whatever_sizes_are_claimed() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    for name in ["1.log", "2.log", "3.log"] {
        running.list_sized(name, i64::MAX as u64).await;
    }
    running.until(&mut running.keeper().await, "2026-11-24T04:00:00Z").await;
    let report = office.last_of("2026-11-23");
    assert_eq!(report["vehicles"][0]["files"]["listed"], 3);
    assert_eq!(report["vehicles"][0]["bytes"]["to_fetch"], 3_u64 << 44);
}

#[tokio::test]
async fn a_report_that_cannot_be_made_is_a_finding_until_it_is_made() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.until(&mut keeper, "2026-11-23T20:05:00Z").await;
    let (disk, state) = (OsDisk::new(), office.dir.path().join("state"));
    let (there, aside) = (state.join(ledger::FILE), state.join("aside"));
    disk.rename(&there, &aside).expect("aside");
    running.until(&mut keeper, "2026-11-24T04:02:00Z").await;
    disk.rename(&aside, &there).expect("back");
    running.parts.yard.ledger.settled().await.expect("committed");
    let open = || -> Vec<String> {
        let all = office.query().findings(i64::MAX).expect("findings");
        all.into_iter().filter(|f| f.gone.is_none()).map(|f| f.id).collect()
    };
    assert_eq!((open(), office.stored()), (vec!["report-cannot-be-made:2026-11-23".to_owned()], vec![]));
    running.until(&mut keeper, "2026-11-24T04:04:00Z").await;
    running.parts.yard.ledger.settled().await.expect("committed");
    assert_eq!((open().len(), office.stored().len()), (0, 1));
    let told = office.last_of("2026-11-23");
    let told = (&told["findings"][0]["code"], &told["findings"][0]["state"]);
    assert_eq!(told, (&json!("report-cannot-be-made"), &json!("gone")));
}

#[tokio::test]
async fn reports_are_kept_for_lived_time_and_by_no_clock_that_jumps() {
    let office = Office::new("2026-11-23T20:00:00Z", "keep = \"2d\"");
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.until(&mut keeper, "2026-11-24T12:00:00Z").await;
    assert_eq!(office.stored().len(), 2);
    // Two days by the wall clock are no time lived: the test's ledger is told of none.
    running.until(&mut keeper, "2026-11-27T12:00:00Z").await;
    assert_eq!(office.stored().len(), 8);
    running.parts.yard.ledger.lived(Duration::from_secs(2 * 86_400 + 1)).expect("told");
    running.until(&mut keeper, "2026-11-28T04:01:00Z").await;
    assert_eq!(office.stored(), ["2026-11-27 2026-11-28T04:00:00Z"]);
}

/// The finding of a report about the file that was lost; the vehicle is missed besides.
fn lost(report: &Value) -> Value {
    let mut all = report["vehicles"][0]["findings"].as_array().into_iter().flatten();
    all.find(|f| f["code"] == "file-lost").cloned().unwrap_or_default()
}

#[tokio::test]
async fn the_ledger_remembers_what_the_last_report_said_of_a_finding() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    let state = |date: &str| {
        let finding = lost(&office.last_of(date));
        (finding["state"].as_str().map(str::to_owned), finding["severity"].as_str().map(str::to_owned))
    };
    let told = |state: &str, severity: &str| (Some(state.to_owned()), Some(severity.to_owned()));
    running.raise(Severity::Watch, json!({ "count": 2 })).await;
    running.until(&mut keeper, "2026-11-24T04:01:00Z").await;
    assert_eq!(state("2026-11-23"), told("new", "watch"));
    running.until(&mut keeper, "2026-11-24T11:01:00Z").await;
    assert_eq!(state("2026-11-23"), told("known", "watch"));
    running.raise(Severity::Act, json!({ "count": 2 })).await;
    running.until(&mut keeper, "2026-11-25T04:01:00Z").await;
    assert_eq!(state("2026-11-24"), told("worse", "act"));
    // It grows little by little: three, then four.
    running.raise(Severity::Act, json!({ "count": 3 })).await;
    running.until(&mut keeper, "2026-11-25T11:01:00Z").await;
    assert_eq!(state("2026-11-24"), told("known", "act"));
    running.raise(Severity::Act, json!({ "count": 4 })).await;
    running.until(&mut keeper, "2026-11-26T04:01:00Z").await;
    assert_eq!(state("2026-11-25"), told("worse", "act"));
    running.parts.yard.ledger.clear("file-lost", "L-0403/1.log").expect("cleared");
    running.until(&mut keeper, "2026-11-26T11:01:00Z").await;
    assert_eq!(state("2026-11-25"), told("gone", "act"));
    running.until(&mut keeper, "2026-11-27T04:01:00Z").await;
    assert_eq!(state("2026-11-26"), (None, None), "told once");
    running.raise(Severity::Act, json!({ "count": 4 })).await;
    running.until(&mut keeper, "2026-11-27T11:01:00Z").await;
    assert_eq!(state("2026-11-26"), told("new", "act"));
}

#[tokio::test]
async fn a_snooze_ends_with_its_day_or_when_the_finding_is_worse() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    let state = |date: &str| lost(&office.last_of(date))["state"].clone();
    let (id, why) = ("file-lost:L-0403/1.log", Some("the card is being replaced"));
    let refused = running.note(id, Some("2026-11-24"), why).await.expect_err("not there");
    assert!(refused.contains("no vehicle, logger or finding"), "{refused}");
    running.raise(Severity::Act, json!({ "count": 2 })).await;
    assert!(running.note(id, None, why).await.expect_err("endless").contains("never for good"));
    assert!(running.note(id, Some("2026-11-22"), why).await.expect_err("over").contains("is over"));
    let noted = running.note(id, Some("2026-11-24"), why).await.expect("noted");
    assert_eq!(noted, "file-lost:L-0403/1.log is snoozed until 2026-11-24, or until it becomes worse.");
    running.raise(Severity::Act, json!({ "count": 3 })).await;
    running.until(&mut keeper, "2026-11-25T11:01:00Z").await;
    assert_eq!((state("2026-11-23"), state("2026-11-24")), (json!("snoozed"), json!("snoozed")));
    assert_eq!(lost(&office.last_of("2026-11-24"))["until"], "2026-11-24");
    running.until(&mut keeper, "2026-11-26T04:01:00Z").await;
    assert_eq!(state("2026-11-25"), "known", "its day is over");
    // Again, and it becomes worse.
    running.note(id, Some("2026-12-24"), why).await.expect("noted");
    running.raise(Severity::Act, json!({ "count": 6 })).await;
    running.until(&mut keeper, "2026-11-26T11:01:00Z").await;
    assert_eq!(state("2026-11-25"), "worse");
    assert!(running.note(id, None, None).await.is_err(), "it has ended");
}

#[tokio::test]
async fn a_vehicle_with_a_note_is_away_from_that_day_to_the_last_one_or_until_it_is_ended() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    let verdict = |date: &str| office.last_of(date)["vehicles"][0]["verdict"].clone();
    running.until(&mut keeper, "2026-11-24T20:00:00Z").await;
    running.note("PLOW-03", Some("2026-11-25"), Some("workshop")).await.expect("noted");
    running.until(&mut keeper, "2026-11-27T20:00:00Z").await;
    let days = ["2026-11-23", "2026-11-24", "2026-11-25", "2026-11-26"];
    assert_eq!(days.map(verdict), ["not-seen", "away", "away", "not-seen"]);
    assert_eq!(office.last_of("2026-11-25")["vehicles"][0]["away"], "workshop");
    running.note("PLOW-03", None, Some("lent")).await.expect("an open end");
    running.until(&mut keeper, "2026-11-29T20:00:00Z").await;
    assert_eq!(["2026-11-27", "2026-11-28"].map(verdict), ["away", "away"]);
    running.note("PLOW-03", None, None).await.expect("ended");
    running.until(&mut keeper, "2026-11-30T20:00:00Z").await;
    assert_eq!(verdict("2026-11-29"), "not-seen");
    let rows = office.query().notes(0).expect("notes");
    assert!(rows.iter().all(|row| row.ended.is_some() && row.note.by == "kari"), "{rows:?}");
}

#[tokio::test]
async fn what_came_home_after_a_last_report_is_told_in_the_next_day_s_and_once() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.list("1.log").await;
    running.list("2.log").await;
    running.until(&mut keeper, "2026-11-24T20:00:00Z").await;
    let report = office.last_of("2026-11-23");
    assert_eq!((&report["vehicles"][0]["verdict"], &report["final"]), (&json!("incomplete"), &json!(true)));
    running.bring_home().await;
    // What was recorded since says nothing about that day.
    running.list("3.log").await;
    running.until(&mut keeper, "2026-11-25T20:00:00Z").await;
    let told = json!([{
        "date": "2026-11-23", "vehicle": "PLOW-03", "was": "incomplete", "is": "complete", "files": 2
    }]);
    assert_eq!(office.last_of("2026-11-24")["corrections"], told);
    running.bring_home().await;
    running.until(&mut keeper, "2026-11-26T20:00:00Z").await;
    let told = office.last_of("2026-11-25")["corrections"].clone();
    assert_eq!((&told[0]["date"], told.as_array().map(Vec::len)), (&json!("2026-11-24"), Some(1)), "{told}");
    let unchanged = office.last_of("2026-11-23");
    assert_eq!(unchanged, report, "a stored report stays as it is");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_running_service_is_asked_to_note_and_to_end() {
    let depot = Depot::new("").await;
    depot.add("00001.log", Content::noise(1, 5000), 1);
    let (until, service) = depot.run();
    depot.until(State::Archived, 1).await;
    let ask = |last: Option<&str>, reason: Option<&str>| {
        let state = depot.dir.path().join("state");
        let request = Request::Note {
            id: "PLOW-01".into(),
            until: last.map(|date| date.parse().expect("date")),
            reason: reason.map(str::to_owned),
            by: "kari".into(),
        };
        tokio::task::spawn_blocking(move || control::ask(&state, &request).expect("asked").expect("runs"))
    };
    let answer = ask(Some("2999-01-01"), Some("workshop")).await.expect("joined");
    assert!(answer.ok && answer.text.contains("is away until 2999-01-01"), "{answer:?}");
    assert_eq!(depot.ledger().notes(i64::MAX).expect("notes").len(), 1);
    assert!(!ask(Some("2020-01-01"), Some("workshop")).await.expect("joined").ok, "a day that is over");
    assert!(!ask(None, Some("x".repeat(201).as_str())).await.expect("joined").ok, "a reason of any length");
    assert!(ask(None, None).await.expect("joined").ok);
    assert_eq!(depot.ledger().notes(i64::MAX).expect("notes"), []);
    assert!(depot.ledger().notes(0).expect("notes").iter().all(|row| row.note.by == "kari"));
    until.cancel();
    service.await.expect("joined").expect("ended");
}

#[tokio::test]
async fn a_copy_that_turns_out_wrong_later_corrects_the_day_that_called_it_home() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.list("1.log").await;
    running.bring_home().await;
    running.until(&mut keeper, "2026-11-24T20:00:00Z").await;
    assert_eq!(office.last_of("2026-11-23")["vehicles"][0]["verdict"], "complete");
    let ledger = &running.parts.yard.ledger;
    let row = ledger.logger("L-0403", "PLOW-03").await.expect("row");
    let known =
        ledger.known(&row, vec![RemotePath::new(b"1.log").expect("path")], true).await.expect("known");
    let copy =
        crate::ledger::Elsewhere { archive: "central".into(), id: known[0].id, location: "at/1".into() };
    ledger.wrong_elsewhere(&copy, "it reads back otherwise").await.expect("told");
    running.until(&mut keeper, "2026-11-25T20:00:00Z").await;
    let told = json!([{
        "date": "2026-11-23", "vehicle": "PLOW-03", "was": "complete", "is": "incomplete", "files": 0
    }]);
    assert_eq!(office.last_of("2026-11-24")["corrections"], told);
    running.until(&mut keeper, "2026-11-26T20:00:00Z").await;
    assert_eq!(office.last_of("2026-11-25")["corrections"], json!([]), "once");
}

#[tokio::test]
async fn a_correction_counts_what_came_after_its_own_day_s_last_report() {
    let office = Office::new("2026-11-23T20:00:00Z", NIGHT);
    let running = office.start().await;
    let mut keeper = running.keeper().await;
    running.list("1.log").await;
    running.list("2.log").await;
    running.until(&mut keeper, "2026-11-24T20:00:00Z").await;
    running.bring_some_home(1).await;
    running.list("3.log").await;
    running.until(&mut keeper, "2026-11-25T20:00:00Z").await;
    running.bring_home().await;
    running.until(&mut keeper, "2026-11-26T20:00:00Z").await;
    let told = office.last_of("2026-11-25")["corrections"].clone();
    let counts: Vec<_> = told.as_array().expect("a list").iter().map(|c| (&c["date"], &c["files"])).collect();
    let (first, second) = (json!("2026-11-23"), json!("2026-11-24"));
    assert_eq!(counts, [(&first, &json!(2)), (&second, &json!(2))], "1 and 2, then 2 and 3");
}

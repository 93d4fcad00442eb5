//! What the operator should read on each of the fourteen mornings, written by hand before the code
//! was asked. Nothing here is derived from the plot.
//!
//! One line is one vehicle, or `the-depot`, in the report that is made at 05:00 of the next date:
//!
//! ```text
//! day  who  verdict  [code  since  state  [code  since  state ...]]
//! ```
//!
//! Changed since, because DESIGN wants it so:
//!
//! * The codes `not-seen` and `could-not-see` have their names; every vehicle that is missed has a
//!   finding with cause and action (one night is a `watch`, which needs nobody), and so has a depot
//!   that could not see.
//! * `away` means not expected, also for who stands there and has nothing new: nothing was to be
//!   complete. Whoever has something new on such a day has a verdict like any other.
//! * `unknown` is for what Yarder itself could not see. Behind an access point that is down, vehicles
//!   are not seen, and the finding of the depot explains them.
//! * A finding that asks for more than when it was told is `worse`: who is missed on three working
//!   days is a task, and no longer a look.
//! * An archive is asked at least once an hour, so that one that goes away at 10:00 is found in the day
//!   before the night for which it lacks: the last report of that day, at noon, tells it as new.
//! * The first sentence tells the depot's cause itself; its beginning is compared.
//!
//! `day` and `since` are days of October 2026, by the date on which they begin (at noon). A vehicle
//! without a line is complete and has no finding; the depot without a line has none.

/// Every line that differs from that.
pub const EXPECTED: &str = "
# Mon 12. An ordinary working day. BACK-01 has no logger yet (`away` in the list until Wed 14).
12 BACK-01   away

# Tue 13.
13 BACK-01   away
# A login page answers at the logger's address (the access point lost its settings): to be looked at.
13 PLOW-03   incomplete  not-a-listing 13 new
# Somebody changed the logger's password.
13 PLOW-06   incomplete  login-refused 13 new
# Its longest file stops at one byte; one night is no proof of a damaged card yet.
13 SWEEP-01  incomplete
# Its logger cannot resume and stays 80 minutes; the file needs hours. One night is no proof yet.
13 SWEEP-02  incomplete
# The administrator saved a broken vehicles.toml; the last good one runs on.
13 the-depot -           config-broken 13 new

# Wed 14. The three of yesterday were mended after noon.
14 BACK-01   away
14 PLOW-03   complete    not-a-listing 13 gone
14 PLOW-06   complete    login-refused 13 gone
14 the-depot -           config-broken 13 gone  spool-full 14 new
14 SWEEP-01  incomplete
14 SWEEP-02  incomplete
# It drove, answers, lists its old files whole, and has recorded nothing: the logger is dead.
14 PLOW-01   no-data     no-data 14 new
# Two loggers; one stands in range and answers, the other has been silent since this morning.
14 PLOW-02   not-seen    not-seen 14 new
# New firmware names its files *.bin; none of them is wanted. It drove and nothing came.
14 PLOW-04   no-data     nothing-matches 14 new
# Left with one slow file still to come; nothing is lost yet.
14 PLOW-05   incomplete
# Did not come home. One night elsewhere is no trouble that somebody must mend, but worth a look.
14 TRUCK-02  not-seen    not-seen 14 new
# The depot PC's disk is full of somebody else's files from 21:00 on: one finding, of the depot.
14 NIGHT-01  incomplete
14 NIGHT-02  incomplete

# Thu 15. The PC starts at 13:05 with a clock in 2020 and learns the time at 14:30: told, and over by
# morning; no vehicle is blamed.
15 the-depot -           spool-full 14 gone  clock-not-plausible 15 gone
15 PLOW-01   no-data     no-data 14 known
15 PLOW-02   not-seen    not-seen 14 known
15 PLOW-04   complete    nothing-matches 14 gone
# The card overwrote the file before it had come home.
15 PLOW-05   incomplete  file-lost 15 new
# Third visit at the same byte: the card is damaged; what can be read is held.
15 SWEEP-01  incomplete  file-stuck 15 new
# Third visit that was too short.
15 SWEEP-02  incomplete  never-fits 15 new
# The card was formatted; nothing is lost, so it is a note.
15 SWEEP-03  complete    card-changed 15 new
15 TRUCK-02  complete    not-seen 14 gone
# Out of season from today on; it is parked elsewhere.
15 GRASS-01  away

# Fri 16, a holiday. Nobody is expected; who stands there has nothing new.
16 all       away
# They drive all the same, and have something new.
16 GRIT-01   complete
16 GRIT-02   complete
16 GRIT-03   complete
# Nothing has mended these two: what was found yesterday is still so.
16 PLOW-01   away        no-data 14 known
16 PLOW-02   away        not-seen 14 known
# Somebody put the card's content back: the loss is taken back.
16 PLOW-05   complete    file-lost 15 gone
16 SWEEP-01  incomplete  file-stuck 15 known
16 SWEEP-02  away        never-fits 15 known
# No visit has begun since: it stands there.
16 SWEEP-03  away        card-changed 15 known

# Sat 17. The PC was off from before noon to Sunday afternoon: the day is written when it starts.
# Nobody was seen. Only those that work at weekends could have been missed.
17 all       away
17 the-depot -           could-not-see 17 new
17 GRIT-01   unknown
17 GRIT-02   unknown
17 GRIT-03   unknown
17 PLOW-01   away        no-data 14 known
17 PLOW-02   away        not-seen 14 known
17 SWEEP-01  away        file-stuck 15 known
17 SWEEP-02  away        never-fits 15 known
17 SWEEP-03  away        card-changed 15 known

# Sun 18. As on the holiday.
18 all       away
18 the-depot -           could-not-see 17 gone
18 GRIT-01   complete
18 GRIT-02   complete
18 GRIT-03   complete
18 PLOW-01   away        no-data 14 known
18 PLOW-02   away        not-seen 14 known
18 SWEEP-01  incomplete  file-stuck 15 known
18 SWEEP-02  away        never-fits 15 known
# The visit after the one in which it was found.
18 SWEEP-03  away        card-changed 15 gone

# Mon 19.
# A new logger came over the weekend.
19 PLOW-01   complete    no-data 14 gone
# The third working day without a sign of it: from a look it becomes a task.
19 PLOW-02   not-seen    not-seen 14 worse
# The office dropped the damaged file.
19 SWEEP-01  complete    file-stuck 15 gone
# It stayed all night for once.
19 SWEEP-02  complete    never-fits 15 gone
19 GRASS-01  away
# `yarder note`: in the workshop until Tue 20.
19 TRUCK-01  away
# `away` in the list: in the workshop until Sun 25.
19 SWEEP-06  away
# Two loggers were swapped at the garage: one cause, one finding that names both.
19 TRUCK-03  incomplete  wrong-logger 19 new
19 TRUCK-04  incomplete
# The service was down from 21:00 to 04:30; these two came at 22:00 and left at 04:00.
19 the-depot -           could-not-see 19 new
19 NIGHT-01  unknown
19 NIGHT-02  unknown

# Tue 20.
20 PLOW-02   not-seen    not-seen 14 known
20 GRASS-01  away
20 TRUCK-01  away
20 SWEEP-06  away
20 TRUCK-03  incomplete  wrong-logger 19 known
20 TRUCK-04  incomplete
# The card of the vehicle in the workshop was put into this one's logger.
20 SWEEP-07  incomplete  wrong-logger 20 new
# Still fetching when it left at 05:45; it finishes tomorrow (a correction then).
20 TRUCK-05  incomplete
# Speaks no protocol that we know since its last update.
20 PLOW-07   incomplete  logger-answers-badly 20 new
# A folder of its card cannot be read.
20 PLOW-08   incomplete  listing-not-whole 20 new
# One file is listed and refused.
20 SWEEP-04  incomplete  file-refused 20 new
# The second archive's share is not mounted: an empty folder. It is not required, so nobody waits.
# `mobile` is a metered link that carries 1 MB a day. Two cars have 600 kB more than usual, which come slowly:
# the newest first, so that both are on the way when the megabyte is used up.
20 the-depot -           archive-away 19 known  could-not-see 19 gone  link-used-up 20 new
20 CAR-03    incomplete
20 CAR-04    incomplete

# Wed 21. All of these were mended after noon.
21 PLOW-02   complete    not-seen 14 gone
21 TRUCK-03  complete    wrong-logger 19 gone
21 SWEEP-07  complete    wrong-logger 20 gone
21 PLOW-07   complete    logger-answers-badly 20 gone
21 PLOW-08   complete    listing-not-whole 20 gone
21 SWEEP-04  complete    file-refused 20 gone
21 GRASS-01  away
21 SWEEP-06  away
# The access point `west` was down from 15:00 to 06:30: one finding of the depot, none of a vehicle.
# Nobody answered there since all drove off at 05:45, which is still in the day of Tue 20.
21 the-depot -           archive-away 19 gone  access-point-silent 20 new  link-used-up 20 gone
21 HAUL-01   not-seen
21 HAUL-02   not-seen
21 HAUL-03   not-seen
21 HAUL-04   not-seen
21 HAUL-05   not-seen
21 HAUL-06   not-seen
21 HAUL-07   not-seen
21 HAUL-08   not-seen

# Thu 22 and Fri 23. The required archive was away from Thu 10:00 to Sat 14:00: everything that came
# waits in the spool, nobody is complete, and there is one finding.
22 the-depot -           archive-away 21 known  access-point-silent 20 gone
22 all       incomplete
22 GRASS-01  away
22 SWEEP-06  away
23 the-depot -           archive-away 21 known
23 all       incomplete
23 GRASS-01  away
23 SWEEP-06  away

# Sat 24. The archive is back. In this night the clocks go back; GRIT-01 drives through both 02:30.
24 all       away
24 the-depot -           archive-away 21 gone
24 GRIT-01   complete
24 GRIT-02   complete
24 GRIT-03   complete

# Sun 25.
25 all       away
25 GRIT-01   complete
25 GRIT-02   complete
25 GRIT-03   complete
";

/// How the first sentence of each morning's page begins: a loss first, then what lies with the depot,
/// then how many are complete.
pub const SENTENCES: [(i8, &str); 14] = [
    (12, "39 of 40 vehicles complete."),
    (13, "The edited configuration is broken"),
    (14, "The spool has no room for"),
    (15, "▲ 1 file was lost."),
    (16, "4 of 40 vehicles complete."),
    (17, "Yarder could not see for 24 hours of this day"),
    (18, "3 of 40 vehicles complete."),
    (19, "Yarder could not see for 7.5 hours of this day"),
    (20, "Archive \"copy\" cannot be used"),
    (21, "No logger at west answered"),
    (22, "Archive \"central\" cannot be used"),
    (23, "Archive \"central\" cannot be used"),
    (24, "3 of 40 vehicles complete."),
    (25, "3 of 40 vehicles complete."),
];

/// Vehicles that are complete on each morning.
pub const COMPLETE: [(i8, u64); 14] = [
    (12, 39),
    (13, 35),
    (14, 30),
    (15, 34),
    (16, 4),
    (17, 0),
    (18, 3),
    (19, 32),
    (20, 27),
    (21, 30),
    (22, 0),
    (23, 0),
    (24, 3),
    (25, 3),
];

/// Findings of one code that began on one day (the first field) and have causes of their own.
pub const SEPARATE: &[(i8, &str, &str)] =
    &[(14, "not-seen", "TRUCK-02 stood elsewhere, and the second logger of PLOW-02 is dead")];

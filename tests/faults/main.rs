//! The promises under faults: cut lines, replaced files, formatted cards, kills at named points,
//! shares that go away, listings that lie.
//!
//! Most tests run the real binary against simulated loggers; those in which time must pass run a
//! round in process under a clock that can be set forward. Every test prints its seed and takes one
//! from `YARDER_TEST_SEED`.

#![expect(clippy::disallowed_methods, reason = "what stands outside the service has its own clock and disk")]

mod audits;
mod cards;
mod cuts;
mod damaged;
mod depot;
mod drip;
mod facts;
mod full;
mod killed;
mod kills;
mod listings;
mod manners;
mod mounts;
mod open;
mod proxy;
mod removals;
mod replaced;
mod stuck;
mod vanish;

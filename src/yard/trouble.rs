//! Findings about a logger as a whole.

use serde_json::json;

use super::Yard;
use crate::config::Logger;
use crate::ledger::{Finding, LedgerError, Severity};
use crate::link::{LinkError, LinkFailure};
use crate::progress::Tick;

/// The findings that a good listing ends.
pub(super) const ENDED_BY_LISTING: &[&str] = &[
    "not-a-listing",
    "login-refused",
    "logger-answers-badly",
    "wrong-logger",
    "listing-not-whole",
    "nothing-matches",
];

/// Says that something is wrong with a logger.
pub(super) fn raise(
    yard: &Yard,
    logger: &Logger,
    code: &'static str,
    severity: Severity,
    evidence: serde_json::Value,
    cause: String,
    action: &str,
) -> Result<(), LedgerError> {
    yard.progress.tell(Tick::Trouble {
        vehicle: Some(logger.vehicle.to_string()),
        text: format!("{}: {cause}", logger.id),
    });
    yard.ledger.raise(Finding {
        code,
        subject: logger.id.to_string(),
        severity,
        vehicle: Some(logger.vehicle.to_string()),
        logger: Some(logger.id.to_string()),
        evidence,
        cause,
        action: action.to_owned(),
    })
}

/// What a present logger that answers badly is: a finding, unless the connection was merely cut.
pub(super) fn answered_badly(yard: &Yard, logger: &Logger, error: &LinkError) -> Result<(), LedgerError> {
    let (code, cause) = match &error.failure {
        LinkFailure::Absent | LinkFailure::Cut => return Ok(()),
        LinkFailure::Login => ("login-refused", format!("the logger {error}")),
        LinkFailure::NotAListing { .. } => ("not-a-listing", format!("the logger {error}")),
        LinkFailure::Busy => ("logger-answers-badly", format!("the logger {error}")),
        _ => ("logger-answers-badly", format!("its listing cannot be read: {error}")),
    };
    raise(yard, logger, code, Severity::Act, json!({ "answer": error.to_string() }), cause, error.help())
}

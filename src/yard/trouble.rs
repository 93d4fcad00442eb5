//! Findings about a logger as a whole.

use serde_json::json;

use super::Yard;
use crate::config::Logger;
use crate::ledger::{Finding, LedgerError, Severity};
use crate::link::{LinkError, LinkFailure, Listing, propose};
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

/// The logger has files, and its kind wants none of them.
pub(super) fn nothing_matches(yard: &Yard, logger: &Logger, listing: &Listing) -> Result<(), LedgerError> {
    let kind = &logger.kind;
    let proposed = propose(&kind.files_text, &listing.skipped.some);
    let names: Vec<String> = listing.skipped.some.iter().take(3).map(ToString::to_string).collect();
    let like = names.first().map_or_else(String::new, |name| format!(" like {name}"));
    let action = match &proposed {
        Some(pattern) => {
            let all: Vec<String> =
                kind.files_text.iter().chain([pattern]).map(|p| json!(p).to_string()).collect();
            format!(
                "If these are its logs, write `files = [{}]` in [kind.{}] of vehicles.toml.",
                all.join(", "),
                kind.name
            )
        }
        None => format!(
            "A `!` pattern in `files` of [kind.{}] keeps them out: take it away if these are its logs.",
            kind.name
        ),
    };
    raise(
        yard,
        logger,
        "nothing-matches",
        Severity::Watch,
        json!({ "files": listing.skipped.files, "names": names, "patterns": kind.files_text, "proposed": proposed }),
        format!("it offers {} files{like}, and none matches the patterns of its kind", listing.skipped.files),
        &action,
    )
}

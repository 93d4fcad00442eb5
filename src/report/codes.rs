//! What each finding means: one sentence what it is, one what to do.

/// Every code that a finding may bear, with its meaning, in the order of the alphabet.
pub const CODES: &[(&str, &str)] = &[
    (
        "access-point-silent",
        "At an access point no logger answers any more, or far fewer than usual. Look at the access point, its power and \
         its cable first; the vehicles that were missed by it are named and need nothing of their own.",
    ),
    (
        "archive-away",
        "An archive does not answer, or its folder is not there; files wait in the spool. See whether the share is \
         mounted and its server runs; nothing is lost meanwhile.",
    ),
    (
        "archive-copy-wrong",
        "A copy that was read back from an archive is not what was stored. Look at the archive's disk; the copy is \
         owed again and nothing was removed.",
    ),
    (
        "archive-doubled",
        "An audit found the same content of a logger at two places of an archive. See which of the two was copied by \
         hand; nothing is lost.",
    ),
    (
        "archive-first-use",
        "An archive was begun in an empty folder on the system's own disk. See whether the share that should be there \
         is mounted; if the folder is meant, there is nothing to do.",
    ),
    (
        "archive-foreign",
        "An audit found a file in an archive that nobody here stored. See who put it there and move it elsewhere; what \
         Yarder stored is not touched.",
    ),
    (
        "archive-full",
        "An archive has no room left or is over a quota; files wait in the spool. Make room there.",
    ),
    (
        "archive-other",
        "Where an archive should be lies another one, or something that is no archive. Mount the right one, or accept \
         this one with `yarder adopt NAME`.",
    ),
    (
        "backup-failed",
        "The ledger could not be backed up today. Make room for it, or set `backup_limit` to some times its size; an \
         older backup may still be there.",
    ),
    (
        "bus-load",
        "A bus was loaded more than its kind's `bus_load` allows, over a whole file. Have the vehicle's network looked at; \
         correct `bit_rate` of the kind if the bus is faster.",
    ),
    (
        "bus-silent",
        "A bus that usually speaks was silent for most of the day, or a logger's files hold no frame at all. See to the \
         logger's plug on that bus and to the bit rate that it is set to.",
    ),
    (
        "card-changed",
        "A logger's card was formatted or exchanged. Nothing to do if that was meant; otherwise look at the card.",
    ),
    (
        "card-fills",
        "A card is full, or will be within days, and then data is lost. Bring its files home and clear it, or fit a \
         larger one.",
    ),
    (
        "changed-under-hands",
        "A file changed while it was read, so the copy was thrown away and is read again. If it stays, set `settle` or \
         `closed_after` of the kind longer.",
    ),
    (
        "clock-not-plausible",
        "The depot PC's clock is earlier than it can be, so no day is opened or closed. Set it, and see to its time \
         server; files come home meanwhile.",
    ),
    (
        "config-broken",
        "The edited configuration cannot be used, and the last good one goes on running. Run `yarder check` and mend \
         what it underlines.",
    ),
    (
        "config-waits",
        "The edited configuration drops many loggers or moves an archive, and waits for a person. Take it with \
         `yarder reload --accept`, or undo the edit.",
    ),
    (
        "could-not-see",
        "Vehicles may have come while Yarder did not run or could not see, and are not blamed for it. See why the \
         service or the depot PC was down.",
    ),
    (
        "depot-name-taken",
        "An archive knows a depot of the same name with another state folder. Nothing to do if this PC replaces the \
         old one; otherwise give one of the two another `name` in yarder.toml.",
    ),
    (
        "digest-differs",
        "A file's bytes do not have the digest that the logger states for it. Nothing if the next reading fits; \
         otherwise look at the card.",
    ),
    (
        "driving-not-logged",
        "Odometer or engine hours went on between two files, or within one, and no file has it. See to the logger's \
         supply, its plug and its card; what was not recorded cannot be had any more.",
    ),
    (
        "file-damaged",
        "A file came home as the logger has it, and is not whole: cut by a power cut, or damaged on the card. Nothing for \
         a single one; if it happens each day, see to the logger's supply.",
    ),
    (
        "file-held",
        "A file waits for a person: what there is of it is in the spool. See `yarder held`, then keep it or drop it.",
    ),
    (
        "file-lost",
        "A file vanished from its logger before it was fetched. Park the vehicle in range longer or more often, or fit \
         a larger card; if its content turns up, the loss is taken back.",
    ),
    (
        "file-refused",
        "A file is listed, and the logger does not give it. Check the rights of the login and the file's name on the \
         logger; the other files are not held up.",
    ),
    (
        "file-stuck",
        "A file ended at the same byte in three visits. Copy it from the card with a card reader, and exchange the card; \
         what could be read is held.",
    ),
    (
        "frames-dropped",
        "A logger says in its files that it lost frames. See whether its card is fast enough.",
    ),
    (
        "leaves-too-soon",
        "A vehicle is due out, or went out, before its files were home at the pace of its last transfers. Keep its logger \
         powered in range for the minutes that the finding names, or park it nearer to its access point; its files wait \
         on the card.",
    ),
    (
        "ledger-damaged",
        "The ledger was damaged or gone; it is set aside, and its last backup or a new one stands in its place. See to \
         the disk of the depot PC; what was whole or archived is known again from the spool and the receipts.",
    ),
    (
        "ledger-went-back",
        "The ledger is older than what the spool's records tell, as after its newest part was lost. See what writes in \
         the state folder; what was whole or archived is known again from the spool and the receipts.",
    ),
    (
        "link-used-up",
        "An access point has carried as much as `max_per_day` lets it carry in a day, so what is not home yet waits for the \
         next. Nothing to do if it can wait; otherwise raise `max_per_day`.",
    ),
    (
        "listing-not-whole",
        "A logger's listing could not be read to its end, so what is missing from it proves nothing. Look at the \
         folders named; a damaged card is the usual cause.",
    ),
    (
        "logger-answers-badly",
        "A logger answers in no way that its protocol allows. Run `yarder probe ID` and look at what it answers.",
    ),
    (
        "logger-clock",
        "A logger's clock is wrong, by its own times, by the vehicle's, by the depot PC's, or by when its files were changed \
         or came home. Set it; if it loses the time again, exchange its battery.",
    ),
    ("login-refused", "A logger refuses user or password. Correct them in vehicles.toml."),
    (
        "network-down",
        "The depot PC has no network, so that no logger can be reached. See to its network card, its cable and its \
         switch.",
    ),
    (
        "never-fits",
        "A file is too large for the time the vehicle stays, and its logger cannot resume. Keep the logger powered for \
         the minutes that the finding names, or let it write smaller files.",
    ),
    (
        "no-data",
        "A logger was away from the yard, or another one of its vehicle has a log of driving, and it has nothing new. See whether it is connected to the bus and \
         its card has room.",
    ),
    (
        "not-a-listing",
        "At a logger's address something else answers: a login page, an error page. Open the address in a browser and \
         correct `url` in vehicles.toml.",
    ),
    (
        "not-archived",
        "An archive fails at one file or refuses it, or a day's manifest, while others go in; it is tried again, an hour \
         apart at most. Look at what the finding names: the rights of its folder, a name that is too long, the disk.",
    ),
    (
        "not-seen",
        "A vehicle was expected and not seen. See where it is and whether its logger has power; if it is away, write \
         `away` for it in vehicles.toml.",
    ),
    (
        "nothing-matches",
        "A logger offers files, and the kind's `files` patterns want none of them. If they are its logs, write the \
         pattern that the finding proposes into `files` of its kind.",
    ),
    (
        "numbers-missing",
        "Between two numbers of a stream files are missing that the logger never offered. Look at the card with a card \
         reader.",
    ),
    (
        "only-copy-gone",
        "Files lay in one archive and nowhere else, and are not there any more. If it was exchanged, bring the former \
         one back, or put its files on the card again; otherwise look at its disk.",
    ),
    (
        "overlap-differs",
        "A resumed file no longer had the bytes that were fetched before, so it was begun again. Nothing if it passes; \
         otherwise look at card and logger.",
    ),
    (
        "partial-dropped",
        "The spool was so full of unfinished files that nothing could be finished, so what had come of one was dropped. \
         It is fetched from its start when its vehicle comes; raise `spool_limit` if it happens again.",
    ),
    (
        "place-taken",
        "Both places of a file in an archive are taken by other content, so the file is held. See who else writes into \
         the archive.",
    ),
    (
        "proof-unreachable",
        "The kind asks for a stronger proof than the logger can give, so its files wait. Lower `proof` of the kind, or \
         fit a logger that states digests.",
    ),
    (
        "remove-differs",
        "A file that was to be removed from its logger has other bytes than the archived one of that name, so it stayed \
         and is fetched. See whether the card was formatted or exchanged.",
    ),
    (
        "remove-failed",
        "A logger says that it deleted a file, and lists it still. Look at its card; nothing more is asked of it in \
         that visit.",
    ),
    (
        "remove-refused",
        "A logger does not let Yarder delete files that are safe in the archives. Give its login the right to, or turn \
         `remove` off in its kind.",
    ),
    (
        "report-cannot-be-made",
        "A report was due and could not be made; it is tried again each minute, and files come home meanwhile. See to \
         the depot PC's disk.",
    ),
    (
        "reread-differs",
        "A file read twice was different. More readings decide which one is right; exchange the card if it happens \
         again.",
    ),
    (
        "same-bytes-elsewhere",
        "Two loggers have files of the same bytes. See whether a card was moved or copied from one to the other.",
    ),
    (
        "spool-failed",
        "The depot PC's own disk failed a read, a write or a flush. See to the disk, then start the service again.",
    ),
    (
        "spool-full",
        "The spool has no room for more, so nothing new is fetched. See why files wait (usually an archive), or raise \
         `spool_limit`.",
    ),
    (
        "too-many-frames",
        "A file has more frames in a second than the bit rate allows. Correct `bit_rate` of the kind; if it is right, the \
         logger records frames twice or two buses as one.",
    ),
    (
        "wrong-logger",
        "At a logger's address answers another logger, so nothing is fetched from it. See whether two loggers or two \
         addresses are swapped.",
    ),
    (
        "wrong-vehicle",
        "A logger's files tell the VIN of another vehicle, or an odometer that is not this vehicle's. See in which vehicle \
         it is, and correct vehicles.toml.",
    ),
];

/// What a code means; `None` for one that is not in the list.
pub fn meaning(code: &str) -> Option<&'static str> {
    CODES.iter().find(|(known, _)| *known == code).map(|(_, text)| *text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_sorted_once_each_and_say_what_to_do() {
        assert!(CODES.is_sorted_by(|a, b| a.0 < b.0));
        for (code, text) in CODES {
            assert!(code.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'), "{code}");
            assert!(text.ends_with('.') && text.contains(". "), "{code}: {text}");
            assert!(!text.contains("  ") && !text.contains('!'), "{code}: {text}");
        }
        assert!(meaning("file-stuck").is_some() && meaning("nonsense").is_none());
    }

    /// The sources below a folder, each without its tests.
    fn sources(folder: &std::path::Path, into: &mut String) {
        for entry in std::fs::read_dir(folder).expect("folder").map(|e| e.expect("entry").path()) {
            if entry.is_dir() {
                sources(&entry, into);
            } else {
                let text = std::fs::read_to_string(&entry).expect("source");
                into.push_str(text.split("#[cfg(test)]\nmod ").next().unwrap_or_default());
            }
        }
    }

    #[test]
    fn every_code_that_is_raised_has_a_meaning_and_no_other_has() {
        let src = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut text = String::new();
        for part in ["fetch", "forward", "ledger", "service", "spool", "yard"] {
            sources(&src.join(part), &mut text);
        }
        sources(&src.join("report/coverage"), &mut text);
        for part in ["causes.rs", "leaving.rs"] {
            text += &std::fs::read_to_string(src.join("report").join(part)).expect("source");
        }
        for (code, _) in CODES {
            assert!(text.contains(&format!("\"{code}\"")), "{code} is never raised");
        }
        // A code stands behind `code:`, or is cleared.
        for before in ["code: \"", "clear(\"", "self.finding(\""] {
            for code in text.split(before).skip(1).filter_map(|rest| rest.split('"').next()) {
                assert!(meaning(code).is_some(), "{code} has no meaning in the list");
            }
        }
    }
}

//! Recorded listings, served again by a server that knows nothing else.

use super::*;

async fn recorded(name: &str, zone: TimeZone) -> Listing {
    let file = format!("{}/tests/recordings/ftp/{name}.txt", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(&file).expect(&file);
    let lines = bytes.split_inclusive(|b| *b == b'\n');
    let data: Vec<u8> =
        lines.filter(|l| !l.starts_with(b"> ") && !l.starts_with(b"< ")).flatten().copied().collect();
    let mut script = Script::default();
    script.folders.insert("/", data);
    if name.contains("-list-") {
        script = script.always("MLSD", Say::Reply("500 Unknown command."));
    }
    let server = Server::start(script).await;
    let mut link = link_with(&server.url, &["**", "!*/**"], zone, Duration::from_secs(5));
    list(&mut link).await.expect(name)
}

const LIST_SERVERS: [&str; 6] = ["vsftpd", "proftpd", "pureftpd", "pyftpdlib", "busybox-ftpd", "npm-ftp-srv"];
const MLSD_SERVERS: [&str; 3] = ["proftpd", "pureftpd", "pyftpdlib"];

fn every(form: &str) -> Vec<String> {
    let list = LIST_SERVERS.iter().map(|s| format!("{s}-list-{form}"));
    list.chain(MLSD_SERVERS.iter().map(|s| format!("{s}-mlsd-{form}"))).collect()
}

#[tokio::test]
async fn every_recorded_server_shows_the_same_files() {
    for name in every("root") {
        // Two servers show local time, which was +05:30.
        let local = name.contains("busybox") || name.starts_with("pureftpd-list");
        let zone = if local { jiff::tz::offset(5).to_time_zone() } else { TimeZone::UTC };
        let listing = recorded(&name, zone).await;
        let dialect = if name.contains("mlsd") { "MLSD" } else { "LIST unix" };
        assert_eq!((listing.dialect, listing.missing.as_slice()), (dialect, [].as_slice()), "{name}");
        let file = |of: &str| listing.files.iter().find(|f| f.path == path(of)).expect(of);
        assert_eq!(file("big.mf4").size, ListedSize::Exact(5_242_880), "{name}");
        let time = file("big.mf4").time.expect("time");
        if name.contains("mlsd") {
            assert_eq!(time.at.to_string(), "2023-11-14T22:13:21Z", "{name}");
            assert!(time.precision == Precision::Second && time.zone_told && file("big.mf4").is_exact());
        } else {
            assert!(time.precision == Precision::Day && !time.zone_told, "{name}");
        }
        assert!(
            file("recent.mf4").time.expect("time").at.to_string().starts_with("2026-11-24T22:"),
            "{name}"
        );
        assert_eq!(file("fat-epoch.mf4").size, ListedSize::Exact(10));
    }
}

#[tokio::test]
async fn recorded_odd_names_are_the_same_everywhere() {
    let plain = |listing: Listing| -> Vec<String> {
        names(&listing).into_iter().filter(|n| n.is_ascii() && !n.contains(['?', '"', '\\'])).collect()
    };
    let reference = plain(recorded("pyftpdlib-mlsd-names", TimeZone::UTC).await);
    assert!(reference.len() > 20 && reference.contains(&" lead.mf4".to_owned()));
    for odd in ["arrow -> target.mf4", "-> arrow.mf4", "semi;colon.mf4", "trail_space ", "two  spaces.mf4"] {
        assert!(reference.contains(&odd.to_owned()), "{odd}");
    }
    for name in every("names") {
        let listing = recorded(&name, TimeZone::UTC).await;
        // A backslash is no part of a name that is believed; it is told, and the others come.
        if !name.starts_with("npm") {
            assert_eq!(listing.missing.len(), 1, "{name}: {:?}", listing.missing);
            assert!(listing.missing[0].why.contains("back\\\\slash.mf4"), "{:?}", listing.missing);
        }
        assert_eq!(plain(listing), reference, "{name}");
    }
}

#[tokio::test]
async fn recorded_links_are_left_out() {
    for name in every("links") {
        // pyftpdlib's MLSD and ftp-srv follow links and do not say so.
        if name.starts_with("npm") || name == "pyftpdlib-mlsd-links" {
            continue;
        }
        let listing = recorded(&name, TimeZone::UTC).await;
        assert!(listing.files.is_empty() && listing.is_whole(), "{name}: {listing:?}");
    }
}

#[tokio::test]
async fn recorded_names_that_are_no_text_stay_bytes() {
    for name in ["vsftpd-list", "proftpd-list", "proftpd-mlsd", "pureftpd-mlsd"] {
        let listing = recorded(&format!("{name}-names-latin1"), TimeZone::UTC).await;
        assert!(
            listing.files.iter().any(|f| f.path.as_bytes() == b"latin1-\xe9\xff.mf4"),
            "{name}: {listing:?}"
        );
    }
}

#[tokio::test]
async fn a_recorded_line_break_in_a_name_is_told_and_invents_no_file() {
    for name in [
        "vsftpd-list",
        "proftpd-list",
        "proftpd-mlsd",
        "pyftpdlib-list",
        "pyftpdlib-mlsd",
        "npm-ftp-srv-list",
    ] {
        let listing = recorded(&format!("{name}-names-newline"), TimeZone::UTC).await;
        assert_eq!(names(&listing), ["fine.mf4"], "{name}");
        assert!(!listing.is_whole(), "{name}");
    }
}

//! Where things lie in an archive. Pure.

use jiff::civil;

use crate::archive::{MAX_KEY, fit_part, mark};
use crate::config::{Layout, LayoutField, LayoutPart};
use crate::model::{Digest, LoggerId, RemotePath, VehicleId};

/// Content of fewer bytes is stored once a name; from here on once a logger.
pub const SMALL_CONTENT: u64 = 4096;

/// What a layout's placeholders are filled with.
#[derive(Debug, Clone, Copy)]
pub struct PlaceFacts<'a> {
    /// The vehicle it belongs to.
    pub vehicle: &'a VehicleId,
    /// The logger it is from.
    pub logger: &'a LoggerId,
    /// The depot that has it.
    pub depot: &'a str,
    /// The depot's day at the claim's intent.
    pub date: civil::Date,
    /// Its path on the logger.
    pub path: &'a RemotePath,
    /// Its content.
    pub sha256: Digest,
}

/// The two keys that a content may take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Places {
    /// What the layout says.
    pub k0: String,
    /// Where it goes when other content stands there: the same with a part of its hash.
    pub k1: String,
}

/// The places of one content.
pub fn places(layout: &Layout, facts: &PlaceFacts<'_>) -> Places {
    let parts: Vec<String> = facts.path.segments().map(fit_part).collect();
    let mut k0 = fill(layout, facts, &parts.join("/"));
    if k0.len() > MAX_KEY {
        // Nested too deep for a share: its name alone, told apart by a hash of its whole path.
        let tag = Digest::of(facts.path.as_bytes()).short();
        k0 = fill(layout, facts, &mark(&fit_part(facts.path.name()), &tag));
    }
    let k1 = mark(&k0, &facts.sha256.short());
    Places { k0, k1 }
}

fn fill(layout: &Layout, facts: &PlaceFacts<'_>, path: &str) -> String {
    let field = |field: &LayoutField| match field {
        LayoutField::Vehicle => fit_part(facts.vehicle.as_str().as_bytes()),
        LayoutField::Logger => fit_part(facts.logger.as_str().as_bytes()),
        LayoutField::Depot => fit_part(facts.depot.as_bytes()),
        LayoutField::Date => facts.date.to_string(),
        LayoutField::Year => format!("{:04}", facts.date.year()),
        LayoutField::Month => format!("{:02}", facts.date.month()),
        LayoutField::Path => path.to_owned(),
        LayoutField::Name => path.rsplit('/').next().unwrap_or(path).to_owned(),
        LayoutField::Sha256 => facts.sha256.hex(),
    };
    let text = |part: &LayoutPart| match part {
        LayoutPart::Text(text) => text.clone(),
        LayoutPart::Field(named) => field(named),
    };
    layout.0.iter().map(text).collect()
}

/// What makes two files one content of a logger: the hash, and for small content the name too.
pub fn content_key(sha256: &Digest, size: u64, path: &RemotePath) -> String {
    if size >= SMALL_CONTENT {
        return sha256.hex();
    }
    format!("{}-{}", sha256.hex(), Digest::of(path.as_bytes()).short())
}

/// The object of a claim; `key` is a [`content_key`].
pub fn claim_object(logger: &LoggerId, key: &str) -> String {
    format!(".yarder/claims/{}/{key}", fit_part(logger.as_str().as_bytes()))
}

/// The object of a logger's receipts of that number; numbers begin at 1.
pub fn receipt_object(logger: &LoggerId, seq: u64) -> String {
    format!(".yarder/receipts/{}/{seq:012}", fit_part(logger.as_str().as_bytes()))
}

/// The object by which a depot registers.
pub fn depot_object(depot: &str) -> String {
    format!(".yarder/depots/{}", fit_part(depot.as_bytes()))
}

/// The folder of the objects by which loggers are registered.
pub const LOGGERS: &str = ".yarder/loggers/";

/// The object by which a logger is registered.
pub fn logger_object(logger: &LoggerId) -> String {
    format!("{LOGGERS}{}", fit_part(logger.as_str().as_bytes()))
}

/// With the default layout, the folder of one vehicle's day from one depot in which a key lies:
/// what stands above `data/`.
pub fn day_folder<'k>(layout: &Layout, key: &'k str) -> Option<&'k str> {
    if !layout.is_default() {
        return None;
    }
    let (above, _) = key.split_at_checked(key.match_indices('/').nth(2)?.0)?;
    key.get(above.len()..)?.starts_with("/data/").then_some(above)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layout(parts: &[(&str, LayoutField)]) -> Layout {
        let part = |(text, field): &(&str, LayoutField)| {
            [LayoutPart::Text((*text).to_owned()), LayoutPart::Field(*field)]
        };
        let mut parts: Vec<_> = parts.iter().flat_map(part).collect();
        parts.retain(|part| *part != LayoutPart::Text(String::new()));
        Layout(parts)
    }

    fn default() -> Layout {
        use LayoutField::*;
        layout(&[("", Vehicle), ("/", Date), ("/", Depot), ("/data/", Logger), ("/", Path)])
    }

    fn at(layout: &Layout, path: &[u8]) -> Places {
        places(
            layout,
            &PlaceFacts {
                vehicle: &VehicleId::new("PLOW-03").expect("id"),
                logger: &LoggerId::new("L-0421").expect("id"),
                depot: "north-yard",
                date: civil::date(2026, 1, 24),
                path: &RemotePath::new(path).expect("path"),
                sha256: Digest([0xab; 32]),
            },
        )
    }

    #[test]
    fn the_default_layout_is_a_vehicles_day_of_a_depot() {
        let places = at(&default(), b"can/a:1.tar.gz");
        assert_eq!(places.k0, "PLOW-03/2026-01-24/north-yard/data/L-0421/can/a=3A1.tar.gz");
        assert_eq!(places.k1, "PLOW-03/2026-01-24/north-yard/data/L-0421/can/a=3A1.tar~abababababababab.gz");
        assert_eq!(day_folder(&default(), &places.k0), Some("PLOW-03/2026-01-24/north-yard"));
        for other in ["a/b/c/d", "a/b/data/c", "a/b/c/data", ".yarder/claims/L-1/x"] {
            assert_eq!(day_folder(&default(), other), None, "{other}");
        }
    }

    #[test]
    fn other_layouts_are_filled_in() {
        use LayoutField::*;
        let other = layout(&[("all/", Year), ("/", Month), ("/", Sha256), ("-", Name)]);
        let hash = "ab".repeat(32);
        assert_eq!(at(&other, b"x/y.log").k0, format!("all/2026/01/{hash}-y.log"));
    }

    #[test]
    fn long_paths_fit_and_stay_apart() {
        let deep = |end: &str| [vec!["=".repeat(250); 15].join("/"), format!("{end}.log")].join("/");
        let (a, b) = (at(&default(), deep("a").as_bytes()), at(&default(), deep("b").as_bytes()));
        assert!(a.k0.len() <= MAX_KEY && a.k0.ends_with(".log"), "{}", a.k0);
        assert_ne!(a.k0, b.k0);
        assert_ne!(a.k0, a.k1);
    }

    #[test]
    fn small_content_is_kept_once_a_name() {
        let hash = Digest([1; 32]);
        let path = |text: &str| RemotePath::new(text.as_bytes()).expect("path");
        assert_eq!(content_key(&hash, 4096, &path("a")), hash.hex());
        assert_eq!(content_key(&hash, 4096, &path("a")), content_key(&hash, 4096, &path("b")));
        assert_ne!(content_key(&hash, 4095, &path("a")), content_key(&hash, 4095, &path("b")));
        let logger = LoggerId::new("nul").expect("id");
        assert_eq!(receipt_object(&logger, 7), ".yarder/receipts/=6Eul/000000000007");
    }
}

//! Buses that fell silent.

use std::collections::BTreeMap;

use super::Row;
use crate::inspect::facts::Summary;

/// Files of the time before that are needed to know what is usual (common practice, no source).
const KNOWN: usize = 5;
/// Share of a file in which a bus that is usually there speaks (common practice, no source).
const USUAL: f64 = 0.8;

fn span(facts: &Summary) -> f64 {
    facts.first.zip(facts.last).map_or(0.0, |(first, last)| last.duration_since(first).as_secs_f64())
}

/// How long each bus of a file spoke, s.
fn spoken(facts: &Summary) -> impl Iterator<Item = (&str, f64)> {
    facts.buses.iter().map(|bus| {
        let span = bus.first.zip(bus.last);
        (bus.name.as_str(), span.map_or(0.0, |(first, last)| last.duration_since(first).as_secs_f64()))
    })
}

/// Buses that usually speak all the time, and in the files of this span, for less than this share of it. A logger of a
/// bus that is all dead writes files without a frame: then the name is empty.
pub fn silent(rows: &[Row], share: f64, (from, to): (i64, i64)) -> Vec<String> {
    let of = |inside: bool| {
        let home = move |row: &&Row| {
            row.home.is_some_and(|home| if inside { (from..to).contains(&home) } else { home < from })
        };
        rows.iter().filter(home).filter_map(|row| row.facts.as_deref())
    };
    let mut usual: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    let known = of(false).filter(|facts| facts.frames > 0 && span(facts) > 0.0).count();
    if known < KNOWN {
        return Vec::new();
    }
    for facts in of(false) {
        for (bus, s) in spoken(facts).filter(|_| span(facts) > 0.0) {
            usual.entry(bus).or_default().push(s / span(facts));
        }
    }
    if of(true).next().is_some() && of(true).all(|facts| facts.frames == 0) {
        return vec![String::new()];
    }
    let all: f64 = of(true).map(span).sum();
    let mut silent = Vec::new();
    for (bus, mut shares) in usual {
        // It must have been in most files, and for most of their time.
        shares.resize(known.max(shares.len()), 0.0);
        shares.sort_by(f64::total_cmp);
        let median = shares.get(shares.len() / 2).copied().unwrap_or(0.0);
        let today: f64 = of(true).flat_map(spoken).filter(|(name, _)| *name == bus).map(|(_, s)| s).sum();
        if median >= USUAL && all > 0.0 && today < share * all {
            silent.push(bus.to_owned());
        }
    }
    silent
}

#[cfg(test)]
mod tests {
    use super::super::tests::row;
    use super::*;
    use crate::inspect::facts::BusLine;
    use jiff::Timestamp;

    /// A file of an hour with buses that spoke for so many seconds of it.
    fn file(place: i64, buses: &[(&str, i64)]) -> Row {
        let at = |s| Timestamp::from_second(1_772_428_200 + s).ok();
        let buses: Vec<BusLine> = buses
            .iter()
            .map(|(name, s)| BusLine {
                name: (*name).to_owned(),
                frames: 9,
                first: at(0),
                last: at(*s),
                ..BusLine::default()
            })
            .collect();
        let (first, last) = (at(0), at(3600));
        let facts = match buses.is_empty() {
            true => Summary::default(),
            false => Summary { frames: 99, first, last, buses, ..Summary::default() },
        };
        Row { facts: Some(Box::new(facts)), ..row(place, place) }
    }

    fn today(usual: &[(&str, i64)], today: &[&[(&str, i64)]]) -> Vec<String> {
        let mut rows: Vec<Row> = (0..6).map(|n| file(n, usual)).collect();
        rows.extend(today.iter().map(|buses| file(100, buses)));
        silent(&rows, 0.5, (100, 101))
    }

    #[test]
    fn a_bus_that_usually_speaks_and_does_not_is_silent() {
        let both = [("can0", 3600), ("can1", 3590)];
        assert_eq!(today(&both, &[&both]), Vec::<String>::new());
        assert_eq!(today(&both, &[&both[..1], &both[..1]]), ["can1"]);
        assert_eq!(today(&both, &[&[("can0", 3600), ("can1", 600)]]), ["can1"], "it fell silent on the way");
        assert_eq!(today(&both, &[&both, &both, &both[..1]]), Vec::<String>::new(), "one file of three");
        let rows: Vec<Row> =
            (0..6).map(|n| file(n, &both)).chain([file(100, &[both[0], ("can1", 600)])]).collect();
        assert_eq!(silent(&rows, 0.1, (100, 101)), Vec::<String>::new(), "the kind says so");
        assert_eq!(today(&both, &[&[], &[]]), [""], "all of them");
        assert_eq!(today(&both, &[]), Vec::<String>::new(), "no file says nothing");
    }

    #[test]
    fn a_bus_that_often_sleeps_is_not_missed() {
        let often = [("can0", 3600), ("can1", 700)];
        assert_eq!(today(&often, &[&often[..1]]), Vec::<String>::new());
        let few: Vec<Row> = (0..3).map(|n| file(n, &often)).chain([file(100, &[])]).collect();
        assert_eq!(silent(&few, 0.5, (100, 101)), Vec::<String>::new(), "nobody knows what is usual");
    }
}

//! When frames came: from when to when, the holes in between, and steps back.

/// Holes that are kept: the largest ones met. Twice as many may lie there before the others are let go.
const KEPT: usize = 128;

/// Times in ns since 1970, as they stand in the file.
#[derive(Debug, Default)]
pub(super) struct Timeline {
    /// The earliest and the latest; `None` without any frame.
    pub span: Option<(i64, i64)>,
    /// Frames earlier than the one before them in the file.
    pub steps_back: u64,
    previous: i64,
    /// Begin and end of spans without a frame, in order.
    holes: Vec<(i64, i64)>,
    /// Holes up to this length were let go, ns.
    let_go: i64,
}

impl Timeline {
    /// A frame at this time.
    #[inline]
    pub fn see(&mut self, at: i64) {
        let Some((first, last)) = self.span else {
            (self.span, self.previous) = (Some((at, at)), at);
            return;
        };
        self.steps_back += u64::from(at < self.previous);
        self.previous = at;
        if at >= last {
            self.span = Some((first, at));
            if at.saturating_sub(last) > self.let_go {
                self.keep((last, at));
            }
        } else {
            self.earlier(at, first, last);
        }
    }

    /// A frame that is not the latest: it may lie in a hole, which it makes two of.
    #[cold]
    fn earlier(&mut self, at: i64, first: i64, last: i64) {
        if at < first {
            self.span = Some((at, last));
            self.keep((at, first));
            return;
        }
        let Some(place) = self.holes.partition_point(|hole| hole.0 < at).checked_sub(1) else { return };
        let (from, to) = self.holes[place];
        if at < to {
            self.holes.remove(place);
            self.keep((from, at));
            self.keep((at, to));
        }
    }

    fn keep(&mut self, hole: (i64, i64)) {
        let length = |hole: &(i64, i64)| hole.1.saturating_sub(hole.0);
        if length(&hole) <= self.let_go {
            return;
        }
        let place = self.holes.partition_point(|other| other.0 < hole.0);
        self.holes.insert(place, hole);
        if self.holes.len() < 2 * KEPT {
            return;
        }
        let mut lengths: Vec<i64> = self.holes.iter().map(length).collect();
        let (shorter, least, longer) = lengths.select_nth_unstable(KEPT);
        self.let_go = shorter.iter().copied().max().unwrap_or(self.let_go);
        let (least, mut as_long) = (*least, KEPT - longer.iter().filter(|other| **other > *least).count());
        self.holes.retain(|hole| {
            let same = length(hole) == least && as_long > 0;
            as_long -= usize::from(same);
            same || length(hole) > least
        });
    }

    /// The largest holes of the sorted timeline, largest first.
    pub fn largest(mut self) -> Vec<(i64, i64)> {
        self.holes.sort_by_key(|(from, to)| std::cmp::Reverse(to.saturating_sub(*from)));
        self.holes.truncate(KEPT);
        self.holes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn largest(times: &[i64]) -> (Option<(i64, i64)>, u64) {
        let mut line = Timeline::default();
        times.iter().for_each(|at| line.see(*at));
        let back = line.steps_back;
        (line.largest().first().copied(), back)
    }

    #[test]
    fn the_largest_gap_is_that_of_the_sorted_timeline() {
        let seed = 20;
        let mut random = fastrand::Rng::with_seed(seed);
        for turn in 0..2000 {
            // Blocks of two buses written in turn, each in order, as some recorders do.
            let mut times = Vec::new();
            let mut at = 0;
            for _ in 0..random.usize(1..40) {
                for _ in 0..2 {
                    let mut block: Vec<i64> =
                        (0..random.usize(..12)).map(|_| at + random.i64(0..1000)).collect();
                    block.sort_unstable();
                    times.extend(block);
                }
                at += random.i64(0..1500);
            }
            let back = times.windows(2).filter(|w| w[1] < w[0]).count() as u64;
            let (is, steps) = largest(&times);
            times.sort_unstable();
            let expected = times.windows(2).map(|w| w[1] - w[0]).max().filter(|gap| *gap > 0);
            assert_eq!(is.map(|(from, to)| to - from), expected, "seed {seed}, turn {turn}");
            assert_eq!(steps, back, "seed {seed}, turn {turn}");
        }
    }

    #[test]
    fn times_from_one_end_of_the_world_to_the_other_are_taken() {
        let (gap, back) = largest(&[i64::MIN, i64::MAX, 0, i64::MIN, 5]);
        assert_eq!(back, 2);
        assert!(gap.is_some());
        assert_eq!(largest(&[]), (None, 0));
        assert_eq!(largest(&[7, 7]), (None, 0));
    }
}

"""Every interleaving of three depots that archive into one store, checked exhaustively.

    python3 archive_once.py [scenario ...] [--adopt-own]

Each depot holds one file and goes through the steps of src/forward/steps.rs; it may be killed up to
twice at any step and begins again from its ledger, or be dead for ever. Checked in every state: no
content stands twice, no receipt is written twice, nothing is overwritten, no receipt is without its
data. `--adopt-own` breaks the rule that a claim's places are adopted, to see the check fail.

Not modelled: the two halves of one step torn apart, stale listings, sealing.
"""
import sys
from collections import Counter, deque
from typing import NamedTuple, Optional


class File(NamedTuple):
    """A file at a depot: its content, its path, the depot's day."""
    content: str
    path: str
    day: str
    small: bool = False
    big: bool = False

    @property
    def key(self):
        """What is claimed: the content, and for small content its path too."""
        return (self.content, self.path if self.small else "")


class Depot(NamedTuple):
    """One depot. The place is in its ledger; what it has read is lost in a kill."""
    step: str = "read"
    place: Optional[str] = None
    at: Optional[str] = None
    read: int = 0
    kills: int = 0


SCENARIOS = {
    "versions": (File("X", "a", "1"), File("X", "a", "2"), File("Y", "a", "1")),
    "alias": (File("X", "a", "1"), File("X", "b", "2"), File("Y", "a", "1")),
    "two-aliases": (File("X", "a", "1"), File("X", "b", "1"), File("X", "b", "2")),
    "small": (File("s", "a", "1", small=True), File("s", "b", "2", small=True),
              File("s", "a", "2", small=True)),
    "small-version": (File("s", "a", "1", small=True), File("t", "a", "1", small=True),
                      File("s", "b", "1", small=True)),
    "big": (File("X", "a", "1", big=True), File("X", "a", "2", big=True), File("Y", "a", "1", big=True)),
}
ENDED = ("done", "dead")


def told(receipts, file):
    """Whether this name of the content has a receipt."""
    return any((key, path) == (file.key, file.path) for _, key, path, _ in receipts)


def moves(files, state, adopt):
    """Every state that one step of one depot leads to."""
    claims, data, receipts, depots = state
    claimed, stored = dict(claims), dict(data)
    for i, (file, depot) in enumerate(zip(files, depots)):
        if depot.step in ENDED:
            continue

        def to(claims=claims, data=data, receipts=receipts, **change):
            changed = depots[:i] + (depot._replace(**change),) + depots[i + 1:]
            return claims, data, receipts, changed

        def put(key):
            return frozenset({**stored, key: (file.content, file.key)}.items())

        if depot.kills < 2:
            yield to(step="read", read=0, at=None, kills=depot.kills + 1)
        yield to(step="dead")
        if depot.step == "read":
            yield to(read=len(receipts), step="done" if told(receipts, file) else "claim")
        elif depot.step == "claim":
            theirs = claimed.get(file.key)
            if theirs is None:
                yield to(claims=frozenset({**claimed, file.key: f"{file.day}/{file.path}"}.items()),
                         place=f"{file.day}/{file.path}", step="put")
            else:
                yield to(place=theirs if adopt else f"{file.day}/{file.path}", step="put")
        elif depot.step == "put":
            second = f"{depot.place}~{file.content}"
            if file.big:
                # Two that complete there replace equal bytes by equal bytes.
                yield to(data=put(second), at=second, step="receive")
            elif depot.place not in stored:
                yield to(data=put(depot.place), at=depot.place, step="receive")
            elif stored[depot.place][0] == file.content:
                yield to(at=depot.place, step="receive")
            else:
                yield to(step="second")
        elif depot.step == "second":
            second = f"{depot.place}~{file.content}"
            if second in stored:
                assert stored[second][0] == file.content, ("blocked", state)
                yield to(at=second, step="receive")
            else:
                yield to(data=put(second), at=second, step="receive")
        elif depot.step == "receive":
            before = receipts[:depot.read]
            if told(before, file):
                yield to(step="done")
            elif len(receipts) > depot.read:
                yield to(read=depot.read + 1)
            else:
                of = [at for kind, key, _, at in before if kind == "stored" and key == file.key]
                kind = "alias" if of else "stored"
                yield to(receipts=receipts + ((kind, file.key, file.path, of[0] if of else depot.at),),
                         step="done")


def check(files, state):
    """What holds in every state."""
    _, data, receipts, depots = state
    stored = dict(data)
    copies = Counter(key for _, key in stored.values())
    assert max(copies.values(), default=0) <= 1, ("a content twice", state)
    names = Counter((key, path) for _, key, path, _ in receipts)
    assert max(names.values(), default=0) <= 1, ("a receipt twice", state)
    firsts = Counter(key for kind, key, _, _ in receipts if kind == "stored")
    assert max(firsts.values(), default=0) <= 1, ("stored twice", state)
    for _, key, _, at in receipts:
        assert stored.get(at, (None,))[0] == key[0], ("a receipt without its data", state)
    for file, depot in zip(files, depots):
        assert depot.step != "done" or told(receipts, file), ("done without a receipt", state)


def explore(files, adopt):
    """Walks through all states and counts them."""
    start = (frozenset(), frozenset(), (), tuple(Depot() for _ in files))
    seen, queue = {start}, deque([start])
    while queue:
        state = queue.popleft()
        check(files, state)
        stored = dict(state[1])
        for after in moves(files, state, adopt):
            now = dict(after[1])
            assert all(now.get(key) == value for key, value in stored.items()), ("overwritten", state, after)
            if after not in seen:
                seen.add(after)
                queue.append(after)
    return len(seen)


if __name__ == "__main__":
    wanted = [word for word in sys.argv[1:] if not word.startswith("--")] or list(SCENARIOS)
    for name in wanted:
        print(name, explore(SCENARIOS[name], "--adopt-own" not in sys.argv), "states, all well", flush=True)

"""The archive against a plain dictionary, through any sequence of work, faults, crashes, rebuilds and clearing out."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from thrumline.storage import Archive, Disk, StorageError

FILES = st.integers(0, 3)
WORDS = st.sampled_from(["wren", "heron", "../x", ""])


class StrikingDisk(Disk):
    """Fails the n-th operation from now on, once, when told so."""

    def __init__(self) -> None:
        self.left = 0

    def point(self, operation: str, path: Path | str) -> None:
        if self.left:
            self.left -= 1
            if not self.left:
                raise OSError(errno.EIO, "Input/output error", str(path))


def _identity(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:32]


class ArchiveMachine(RuleBasedStateMachine):
    """Every rule does the same to the archive and to the model; a failed rule may have done its work or not."""

    @initialize()
    def start(self) -> None:
        memory = Path("/dev/shm")
        self.folder = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None))
        self.disk = StrikingDisk()
        self.root = self.folder / "archive"
        self.archive = self._opened()
        self.originals: dict[str, bytes] = {}
        self.captures: dict[str, str] = {}
        self.results: dict[str, float] = {}
        self.facts: dict[str, list[str]] = {}
        self.decisions: dict[str, int] = {}
        self.held: dict[str, list[str]] = {}
        self.released: dict[str, int] = {}

    def _opened(self) -> Archive:
        return Archive.open(self.root, role="coordinator", create=True, disk=self.disk)

    def teardown(self) -> None:
        if hasattr(self, "archive"):
            self.archive.close()
            shutil.rmtree(self.folder)

    def _original(self, n: int) -> str:
        data = bytes([n]) * (n * 1000)
        path = self.folder / f"{n}.csv"
        path.write_bytes(data)
        sha256 = self.archive.put_original(path, name=path.name).sha256
        self.originals[sha256] = data
        return sha256

    @rule(n=FILES)
    def take_in(self, n: int) -> None:
        known = hashlib.sha256(bytes([n]) * (n * 1000)).hexdigest() in self.originals
        before = self.archive.verify().counts["originals"]
        self._original(n)
        assert self.archive.verify().counts["originals"] == before + (not known)

    @rule(n=FILES)
    def commit_capture(self, n: int) -> None:
        sha256 = self._original(n)
        identity = _identity("capture", sha256)
        with self.archive.draft("captures", identity) as draft:
            array = draft.zarr("capture.zarr").array("x", dtype="int16", rows=1, dims=("channel", "time"))
            array.append(np.full((1, n + 1), n, dtype="int16"))
            tree = draft.commit({"original": sha256}, {})
        assert tree.fresh == (identity not in self.captures)
        self.captures[identity] = sha256
        self.archive.note_committed("captures", identity)

    @precondition(lambda self: self.captures)
    @rule(n=FILES, value=st.floats(0, 1e3))
    def commit_result(self, n: int, value: float) -> None:
        capture = sorted(self.captures)[n % len(self.captures)]
        identity = _identity("result", capture, n)
        tree = self.archive.put_small("results", identity, {"capture_id": capture, "summary": value}, {})
        self.results.setdefault(identity, value)
        assert tree.content["summary"] == self.results[identity]

    @precondition(lambda self: self.captures)
    @rule(n=FILES, word=WORDS)
    def say(self, n: int, word: str) -> None:
        capture = sorted(self.captures)[n % len(self.captures)]
        said = self.facts.setdefault(capture, [])
        number = self.archive.put_fact(capture, {"platform": word})
        assert (number is None) == (said[-1:] == [word])
        if number is not None:
            said.append(word)

    @rule(word=WORDS, value=st.integers(0, 2))
    def decide(self, word: str, value: int) -> None:
        number = self.archive.put_decision("study", word, {"value": value})
        assert (number is None) == (self.decisions.get(word) == value)
        self.decisions[word] = value

    @rule(n=FILES, code=st.sampled_from(["gaps", "empty"]))
    def hold(self, n: int, code: str) -> None:
        sha256 = self._original(n)
        self.archive.quarantine(sha256, {"code": code})
        reasons = self.held.setdefault(sha256, [])
        if reasons[-1:] != [code]:
            reasons.append(code)

    @rule(n=FILES)
    def release(self, n: int) -> None:
        sha256 = hashlib.sha256(bytes([n]) * (n * 1000)).hexdigest()
        reasons = self.held.get(sha256, [])
        was_held = len(reasons) > self.released.get(sha256, 0)
        assert self.archive.release(sha256, action="release") == was_held
        self.released[sha256] = len(reasons)

    @rule(after=st.integers(1, 60), step=st.sampled_from(["capture", "fact", "decision"]), n=FILES)
    def fail_and_retry(self, after: int, step: str, n: int) -> None:
        self.disk.left = after
        with contextlib.suppress(StorageError):
            self._step(step, n)
        self.disk.left = 0
        self._step(step, n)

    def _step(self, step: str, n: int) -> None:
        if step == "decision":
            self.decisions["failing"] = -1
            self.archive.put_decision("study", "failing", {"value": -1})
            return
        sha256 = self._original(n)
        identity = _identity("capture", sha256)
        if not self.archive.has("captures", identity):
            with self.archive.draft("captures", identity) as draft:
                draft.zarr("capture.zarr").put("x", np.full((1, n + 1), n, dtype="int16"), dims=("channel", "time"))
                draft.commit({"original": sha256}, {})
        self.captures[identity] = sha256
        self.archive.note_committed("captures", identity)
        if step == "fact":
            self.archive.put_fact(identity, {"platform": "failing"})
            said = self.facts.setdefault(identity, [])
            if said[-1:] != ["failing"]:
                said.append("failing")

    @rule(lose_catalogue=st.booleans(), leave_staging=st.booleans())
    def crash_and_restart(self, lose_catalogue: bool, leave_staging: bool) -> None:
        if leave_staging:
            self.archive.draft("captures", "f" * 32).zarr("capture.zarr").put("x", [1], dims=("n",))
        # what the system does for a killed process: descriptors closed, nothing tidied
        self.archive._catalogue.close()
        self.archive._lock.release()
        if lose_catalogue:
            for path in (self.root / "catalog").iterdir():
                path.unlink()
        self.archive = self._opened()

    @rule()
    def rebuild(self) -> None:
        before = {name: self.archive.catalogue.table(name) for name in ("trees", "originals", "records")}
        self.archive.rebuild()
        assert {name: self.archive.catalogue.table(name) for name in before} == before

    @rule(n=FILES)
    def clear_out(self, n: int) -> None:
        unwanted = set(sorted(self.results)[:n])
        found = self.archive.gc(set(self.results) - unwanted, older_than_s=-1.0, drop=True)
        assert {item.id for item in found} == unwanted
        for identity in unwanted:
            del self.results[identity]

    @invariant()
    def the_archive_says_what_the_dictionary_says(self) -> None:
        if not hasattr(self, "archive"):
            return
        archive = self.archive
        assert {s: archive.original(s).read_bytes() for s in self.originals} == self.originals
        assert {i: archive.tree("captures", i).content["original"] for i in self.captures} == self.captures
        assert {i: archive.tree("results", i).content["summary"] for i in self.results} == self.results
        assert {c: [f["platform"] for f in archive.facts(c)] for c in self.facts} == self.facts
        assert {n: d["value"] for n, d in archive.decisions("study").items()} == self.decisions
        held = {s: r[-1] for s, r in self.held.items() if len(r) > self.released.get(s, 0)}
        assert {q["sha256"]: q["reason"]["code"] for q in archive.quarantined()} == held
        report = archive.verify("data")
        assert report.exit_code == 0, report.as_json()
        assert report.counts["captures"] == len(self.captures) == len(archive.catalogue.ids("captures"))
        assert report.counts["results"] == len(self.results) == len(archive.catalogue.ids("results"))
        assert not any("catalogue" in leftover.path for leftover in report.leftovers), report.leftovers


_QUIET = {"deadline": None, "suppress_health_check": list(HealthCheck)}
TestArchiveByDay = ArchiveMachine.TestCase
TestArchiveByDay.settings = settings(max_examples=12, stateful_step_count=15, derandomize=True, **_QUIET)


class NightlyMachine(ArchiveMachine):
    """The same, longer."""


TestArchiveByNight = pytest.mark.nightly(NightlyMachine.TestCase)
TestArchiveByNight.settings = settings(max_examples=300, stateful_step_count=40, **_QUIET)

"""The reader child: what a reader does to itself never reaches the parent, and samples arrive unchanged.

All of it holds for a child started anew and for one forked from a stem. Order: the good path, then each way of going wrong by its code and message, then life after a fault.
"""

from __future__ import annotations

import os
import signal
import textwrap
import threading
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.execution import reader_start
from thrumline.pipeline.execution.reader_child import ReaderChild, ReaderLimits
from thrumline.pipeline.execution.reader_stem import Stem

READER_SOURCE = '''
import ctypes, os, sys, time
from pathlib import Path
import numpy as np
from thrumline.pipeline.contracts import (
    CaptureHead, ChannelHead, Clock, GroupHead, Reader, ReaderRefusal, ReasonCode,
)


def head(n, dtype, n_channel=2, uniform=True, index=0):
    channels = tuple(ChannelHead(f"c{i}", "acceleration", "g", "m s-2", 0.5) for i in range(n_channel))
    group = GroupHead("signal", channels, Clock(uniform, 0.0, 100.0, 0.0 if uniform else 0.01), n, dtype)
    return CaptureHead(index, "odd", (group,))


class Odd(Reader):
    """Does what the file's text tells it to."""

    name = "odd"
    numeric_version = 1

    def sniff(self, head, name):
        if head.startswith(b"sniff-crash"):
            raise ValueError("no idea")
        return 0.9 if head.startswith(b"odd") else 0.1

    def describe(self, source, mapping):
        return {"name": source.name, "axes": mapping.as_json()["axes"]}

    def read(self, source, mapping, sink):
        word, _, rest = source.path.read_text().partition(" ")
        return getattr(self, word)(rest, sink)

    def good(self, rest, sink):
        n, block = (int(part) for part in rest.split())
        sink.begin(0)
        counts = np.arange(2 * n, dtype=np.int32).reshape(2, n)
        for start in range(0, n, block):
            sink.samples("signal", counts[:, start : start + block])
        return [head(n, "int32")]

    def stamped(self, rest, sink):
        heads = []
        for index in range(2):
            sink.begin(index)
            sink.samples("signal", np.full((2, 5), index, np.float64))
            sink.stamps("signal", np.arange(5, dtype=np.int64) * 3)
            heads.append(head(5, "float64", uniform=False, index=index))
        return heads

    def refuse(self, rest, sink):
        sink.begin(0)
        sink.samples("signal", np.zeros((2, 7), np.int32))
        raise ReaderRefusal(ReasonCode.NOT_NUMERIC, "a cell", found="'abc'", allowed="numbers", todo="mend it")

    def liar(self, rest, sink):
        sink.begin(0)
        sink.samples("signal", np.zeros((2, 7), np.int32))
        return [head(8, "int32")]

    def wrong_type(self, rest, sink):
        sink.begin(0)
        sink.samples("signal", np.zeros((2, 8), np.int16))
        return [head(8, "int32")]

    def without_stamps(self, rest, sink):
        sink.begin(0)
        sink.samples("signal", np.zeros((2, 8), np.int32))
        return [head(8, "int32", uniform=False)]

    def raises(self, rest, sink):
        raise ZeroDivisionError("something odd")

    def segfault(self, rest, sink):
        ctypes.string_at(0)

    def leave(self, rest, sink):
        os._exit(3)

    def spin(self, rest, sink):
        while True:
            pass

    def sleep(self, rest, sink):
        time.sleep(60)

    def allocate(self, rest, sink):
        return [np.ones(10**12)]

    def write(self, rest, sink):
        with open(rest, "wb") as stream:
            for _ in range(1000):
                stream.write(b"x" * 1000_000)

    def chatter(self, rest, sink):
        for _ in range(1000):
            sys.stdout.write("x" * 1000_000)
        sys.stdout.flush()

    def unfold(self, rest, sink):
        sink.begin(0)
        while True:
            sink.samples("signal", np.zeros((2, 100_000), np.float64))

    def open_all(self, rest, sink):
        kept = [open(os.devnull) for _ in range(10_000)]

    def many(self, rest, sink):
        sink.begin(0)
        for _ in range(10_000):
            sink.samples("signal", np.zeros((2, 10), np.int32))
            time.sleep(0.01)

    def fork(self, rest, sink):
        if os.fork() == 0:
            time.sleep(60)
            os._exit(0)
        time.sleep(60)


class Other(Odd):
    name = "other"

    def sniff(self, head, name):
        return 0.5


class Broken(Odd):
    name = "broken"

    def __init__(self):
        raise RuntimeError("cannot even start")
'''


class Gathered:
    """A sink that keeps all it is given."""

    def __init__(self) -> None:
        self.samples_of: dict[tuple[int, str], list[np.ndarray]] = {}
        self.stamps_of: dict[tuple[int, str], list[np.ndarray]] = {}
        self.index = -1

    def begin(self, index: int) -> None:
        self.index = index

    def samples(self, group: str, counts: np.ndarray) -> None:
        self.samples_of.setdefault((self.index, group), []).append(counts)

    def stamps(self, group: str, ticks: np.ndarray) -> None:
        self.stamps_of.setdefault((self.index, group), []).append(ticks)


@pytest.fixture(scope="module")
def readers(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("odd")
    (folder / "odd_readers_for_test.py").write_text(textwrap.dedent(READER_SOURCE))
    patch = pytest.MonkeyPatch()
    patch.syspath_prepend(str(folder))
    yield {name: f"odd_readers_for_test:{name.capitalize()}" for name in ("odd", "other", "broken")}
    patch.undo()


@pytest.fixture(scope="module", params=["started", "forked"])
def stem(request, readers):
    """Where children are forked from, None where they are started anew."""
    if request.param == "started":
        yield None
        return
    with closing(Stem(readers, Path(__file__))) as made:
        yield made.address


@pytest.fixture(scope="module")
def child(readers, stem):
    limits = ReaderLimits(seconds=2.0, memory_bytes=1 << 30, block_bytes=1 << 16)
    with ReaderChild(readers, limits, stem=stem) as made:
        yield made


def told(folder: Path, text: str) -> Path:
    path = folder / "told.odd"
    path.write_text(text)
    return path


def refusal_of(child: ReaderChild, folder: Path, text: str) -> ReaderRefusal:
    with pytest.raises(ReaderRefusal) as caught:
        child.read(told(folder, text), "told.odd", "odd", ChannelMapping(), Gathered())
    return caught.value


@pytest.mark.parametrize(("n", "block"), [(10, 10), (100_000, 7), (50_000, 50_000), (1, 1)])
def test_samples_arrive_unchanged_however_the_reader_cuts_them(child, tmp_path, n, block):
    """Blocks larger than a slot and blocks of a few samples both arrive complete and in order."""
    block = max(block, n // 200)
    sink = Gathered()
    heads = child.read(told(tmp_path, f"good {n} {block}"), "told.odd", "odd", ChannelMapping(), sink)
    assert heads[0].groups[0].n_samples == n
    got = np.concatenate(sink.samples_of[(0, "signal")], axis=-1)
    assert got.dtype == np.int32
    assert np.array_equal(got, np.arange(2 * n).reshape(2, n))


def test_several_captures_of_a_file_keep_their_stamps_apart(child, tmp_path):
    sink = Gathered()
    heads = child.read(told(tmp_path, "stamped"), "told.odd", "odd", ChannelMapping(), sink)
    assert [head.index for head in heads] == [0, 1]
    for index in range(2):
        assert np.array_equal(sink.stamps_of[(index, "signal")][0], np.arange(5) * 3)
        assert np.all(sink.samples_of[(index, "signal")][0] == index)


def test_mapping_crosses_the_pipe_unchanged(child, tmp_path):
    mapping = ChannelMapping(axes=(AxisSource("engine-side", "z", 3, -1), AxisSource("", "x", 1, 1)))
    described = child.describe(told(tmp_path, "good 1 1"), "a name.odd", "odd", mapping)
    assert described == {"name": "a name.odd", "axes": ["engine-side.z=-c3", "x=+c1"]}


@pytest.mark.parametrize(
    "mapping",
    [
        ChannelMapping(),
        ChannelMapping("seat", (AxisSource("", "x", 12, -1),), "counts", 0.00059855, (("x", 1.02),), (("z", -0.1),), 333.0),
    ],
)
def test_mapping_survives_its_canonical_form(mapping):
    assert ChannelMapping.from_json(mapping.as_json()) == mapping


@pytest.mark.parametrize("text", ["x", "x=3", "=c1", "x=c0", "x=+cz", "seat.=c1", "x=c-1", ""])
def test_text_that_is_no_axis_is_refused(text):
    with pytest.raises(ValueError, match="is no axis like"):
        AxisSource.from_text(text)


def test_sniff_puts_the_surest_reader_first_and_a_crash_counts_as_no_idea(child, tmp_path):
    assert child.sniff(told(tmp_path, "odd thing"), "a") == [("odd", 0.9), ("other", 0.5)]
    assert child.sniff(told(tmp_path, "sniff-crash"), "a") == [("other", 0.5), ("odd", 0.0)]


def test_refusal_of_a_reader_arrives_with_all_its_parts_and_the_child_stays(child, tmp_path):
    child.read(told(tmp_path, "good 3 3"), "told.odd", "odd", ChannelMapping(), Gathered())
    before = child.pid
    refusal = refusal_of(child, tmp_path, "refuse")
    assert refusal.code is ReasonCode.NOT_NUMERIC
    assert str(refusal) == "a cell; found 'abc'; allowed: numbers; mend it"
    assert child.pid == before


@pytest.mark.parametrize(
    ("word", "code", "message"),
    [
        ("liar", ReasonCode.READER_FAULT, "8 samples of 2 channels stated, 7 of 2 given"),
        ("wrong_type", ReasonCode.READER_FAULT, "numbers of type int32 stated, int16 given"),
        ("without_stamps", ReasonCode.READER_FAULT, "8 samples, but 0 time stamps"),
        ("raises", ReasonCode.READER_FAULT, "ZeroDivisionError: something odd in odd_readers_for_test.py"),
        ("segfault", ReasonCode.READER_FAULT, "SIGSEGV"),
        ("leave", ReasonCode.READER_FAULT, "left with status 3"),
        ("allocate", ReasonCode.LIMIT_EXCEEDED, "Unable to allocate"),
        ("chatter", ReasonCode.LIMIT_EXCEEDED, "File too large"),
        ("unfold", ReasonCode.LIMIT_EXCEEDED, "OutputLimitError"),
        ("open_all", ReasonCode.LIMIT_EXCEEDED, "Too many open files"),
        ("spin", ReasonCode.TIMEOUT, "no end after 0.8 s"),
        ("sleep", ReasonCode.TIMEOUT, "no end after 0.8 s"),
        ("fork", ReasonCode.TIMEOUT, "no end after 0.8 s"),
    ],
)
def test_what_a_reader_does_to_itself_is_one_refused_file(readers, stem, tmp_path, word, code, message):
    """After every fault the next file is read by a child that works."""
    limits = ReaderLimits(seconds=0.8, memory_bytes=1 << 30, output_bytes=10_000_000, block_bytes=1 << 20)
    with ReaderChild(readers, limits, stem=stem) as child:
        refusal = refusal_of(child, tmp_path, word)
        assert refusal.code is code
        assert message in str(refusal)
        sink = Gathered()
        child.read(told(tmp_path, "good 5 5"), "told.odd", "odd", ChannelMapping(), sink)
        assert np.array_equal(sink.samples_of[(0, "signal")][0], np.arange(10).reshape(2, 5))


def test_processor_time_is_limited_as_well(readers, stem, tmp_path):
    with ReaderChild(readers, ReaderLimits(seconds=30.0, cpu_s=0.5), stem=stem) as child:
        refusal = refusal_of(child, tmp_path, "spin")
    assert refusal.code is ReasonCode.TIMEOUT
    assert "processor time" in str(refusal)


def test_a_reader_cannot_fill_the_disk(readers, stem, tmp_path):
    target = tmp_path / "flood"
    with ReaderChild(readers, ReaderLimits(write_bytes=1 << 20), stem=stem) as child:
        refusal = refusal_of(child, tmp_path, f"write {target}")
    assert refusal.code is ReasonCode.LIMIT_EXCEEDED
    assert target.stat().st_size <= 1 << 20


def test_a_child_killed_in_mid_file_is_replaced(child, tmp_path):
    """The file that was being read is refused as killed; the next one is read by a new child."""
    child.read(told(tmp_path, "good 3 3"), "told.odd", "odd", ChannelMapping(), Gathered())
    victim = child.pid
    threading.Timer(0.3, os.kill, (victim, signal.SIGKILL)).start()
    refusal = refusal_of(child, tmp_path, "many")
    assert refusal.code is ReasonCode.WORKER_KILLED
    assert "killed from outside" in str(refusal)
    child.read(told(tmp_path, "good 3 3"), "told.odd", "odd", ChannelMapping(), Gathered())
    assert child.pid != victim


def test_a_child_killed_between_files_goes_unnoticed(child, tmp_path):
    child.read(told(tmp_path, "good 3 3"), "told.odd", "odd", ChannelMapping(), Gathered())
    victim = child.pid
    os.kill(victim, signal.SIGKILL)
    deadline = time.monotonic() + 5
    while runs(victim):
        assert time.monotonic() < deadline
    child.read(told(tmp_path, "good 3 3"), "told.odd", "odd", ChannelMapping(), Gathered())
    assert child.pid != victim


def test_nothing_a_reader_started_outlives_its_child(readers, stem, tmp_path):
    """A forked grandchild belongs to the child's session and ends with it."""
    with ReaderChild(readers, ReaderLimits(seconds=0.8), stem=stem) as child:
        child.start()
        group = child.pid
        refusal_of(child, tmp_path, "fork")
        deadline = time.monotonic() + 5
        while session_members(group):
            assert time.monotonic() < deadline


def runs(pid: int) -> bool:
    try:
        return ") Z" not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False


def session_members(session: int) -> list[str]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[3]) == session and fields[0] != "Z":
                found.append(entry.name)
    return found


def test_an_error_of_the_callers_own_sink_passes_through(child, tmp_path):
    class Full(Gathered):
        def samples(self, group, counts):
            raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        child.read(told(tmp_path, "good 30 3"), "told.odd", "odd", ChannelMapping(), Full())
    child.read(told(tmp_path, "good 3 3"), "told.odd", "odd", ChannelMapping(), Gathered())


def test_a_slow_sink_is_not_held_against_the_reader(child, tmp_path):
    """The watchdog counts the reader's seconds only: 4 blocks of 0.8 s pass a limit of 2 s."""

    class Slow(Gathered):
        def samples(self, group, counts):
            time.sleep(0.8)

    (head,) = child.read(told(tmp_path, "good 4 1"), "told.odd", "odd", ChannelMapping(), Slow())
    assert head.groups[0].n_samples == 4


def test_a_reader_that_cannot_be_loaded_refuses_only_its_own_files(child, tmp_path):
    with pytest.raises(ReaderRefusal, match="cannot even start") as caught:
        child.read(told(tmp_path, "good 3 3"), "told.odd", "broken", ChannelMapping(), Gathered())
    assert caught.value.code is ReasonCode.READER_FAULT


def test_a_child_that_cannot_start_is_told_with_its_last_words(readers, tmp_path, monkeypatch):
    monkeypatch.setattr(reader_start, "_PROCESS", "no_such_module_anywhere")
    with ReaderChild(readers) as child:
        refusal = refusal_of(child, tmp_path, "good 3 3")
    assert refusal.code is ReasonCode.READER_FAULT
    assert "did not start" in str(refusal)
    assert "No module named no_such_module_anywhere" in str(refusal)


def test_an_unknown_reader_is_refused_with_the_known_ones(child, tmp_path):
    with pytest.raises(ReaderRefusal, match="no reader is called 'none'; allowed: broken, odd, other"):
        child.read(told(tmp_path, "good 3 3"), "told.odd", "none", ChannelMapping(), Gathered())


def test_a_missing_file_is_told_apart_from_an_unreadable_one(child, tmp_path):
    with pytest.raises(ReaderRefusal, match="there is no such file") as caught:
        child.read(tmp_path / "gone", "gone", "odd", ChannelMapping(), Gathered())
    assert caught.value.code is ReasonCode.MISSING_FILE


@pytest.mark.parametrize("make", [Path.mkdir, os.mkfifo])
def test_folders_and_pipes_are_refused_without_waiting(child, tmp_path, make):
    make(tmp_path / "odd")
    with pytest.raises(ReaderRefusal, match="only plain files are read") as caught:
        child.read(tmp_path / "odd", "odd", "odd", ChannelMapping(), Gathered())
    assert caught.value.code is ReasonCode.UNREADABLE

"""The stem that reader children are forked from: what a child has of it, and who ends with whom."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
import tempfile
import textwrap
import time
from contextlib import closing, contextmanager
from dataclasses import asdict
from pathlib import Path

import pytest

from thrumline.pipeline.contracts import ChannelMapping, ReaderRefusal
from thrumline.pipeline.execution.reader_child import ReaderChild, ReaderLimits
from thrumline.pipeline.execution.reader_start import begun
from thrumline.pipeline.execution.reader_stem import CAN_FORK, Stem

pytestmark = pytest.mark.skipif(not CAN_FORK, reason="no fork server, or no pidfd_open")

READER_SOURCE = '''
import time
from pathlib import Path
from thrumline.pipeline.contracts import Reader, ReaderRefusal, ReasonCode

NOTES = Path(__file__).with_suffix(".notes")


class Noting(Reader):
    """Notes what it is asked for; never gets to the end of a file called slow."""

    name = "noting"
    numeric_version = 1

    def note(self, what):
        with NOTES.open("a") as stream:
            stream.write(what + "\\n")

    def warm(self):
        self.note("warm")

    def sniff(self, head, name):
        return 0.5

    def read(self, source, mapping, sink):
        self.note("read")
        while source.name == "slow":
            time.sleep(1.0)
        raise ReaderRefusal(ReasonCode.EMPTY, "nothing in here")


class Unwarmed(Noting):
    name = "unwarmed"

    def warm(self):
        raise ImportError("a library is missing")
'''


@pytest.fixture
def readers(tmp_path, monkeypatch):
    (tmp_path / "noting_reader_for_test.py").write_text(textwrap.dedent(READER_SOURCE))
    monkeypatch.syspath_prepend(str(tmp_path))
    return {name: f"noting_reader_for_test:{name.capitalize()}" for name in ("noting", "unwarmed")}


@pytest.fixture(params=["started", "forked"])
def stem(request):
    if request.param == "started":
        yield None
        return
    with closing(Stem({}, Path(__file__))) as made:
        yield made.address


def notes(folder):
    path = folder / "noting_reader_for_test.notes"
    return path.read_text().split() if path.exists() else []


def refusal_of(child, path, reader="noting"):
    with pytest.raises(ReaderRefusal) as caught:
        child.read(path, path.name, reader, ChannelMapping(), None)
    return str(caught.value)


def gone(pid):
    """Whether the process ends within five seconds."""
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        try:
            if ") Z" in Path(f"/proc/{pid}/stat").read_text():
                return True
        except OSError:
            return True
        time.sleep(0.01)
    return False


def test_a_reader_imports_what_it_takes_with_its_first_file_and_once(readers, stem, tmp_path):
    """Asking who reads a file loads no library: most runs are of one format."""
    with ReaderChild(readers, stem=stem) as child:
        child.sniff(Path(__file__), "told.odd")
        assert notes(tmp_path) == []
        for _ in range(2):
            assert refusal_of(child, Path(__file__)) == "nothing in here"
    assert notes(tmp_path) == ["warm", "read", "read"]


def test_a_reader_whose_library_is_missing_refuses_its_own_files(readers, stem):
    with ReaderChild(readers, stem=stem) as child:
        assert "ImportError: a library is missing" in refusal_of(child, Path(__file__), "unwarmed")
        assert refusal_of(child, Path(__file__)) == "nothing in here"


def test_a_forked_child_has_a_session_of_its_own_and_nothing_open_but_what_it_was_given(readers):
    """What the stem has open, the line to who asked included, is not for a reader to write into."""
    with closing(Stem({}, Path(__file__))) as stem, ReaderChild(readers, stem=stem.address) as child:
        child.sniff(Path(__file__), "told.odd")
        pid, parent = child.pid, stem.pid
        process = Path(f"/proc/{pid}")
        opened = {int(entry.name): str(entry.readlink()) for entry in (process / "fd").iterdir()}
        fields = (process / "stat").read_text().rpartition(")")[2].split()
        limits = (process / "limits").read_text()
    assert sorted(opened) == [0, 1, 2, 3, 4, 5, 6]
    assert opened[0] == os.devnull
    assert "(deleted)" in opened[1] == opened[2]
    assert [opened[number].partition(":")[0] for number in (3, 4)] == ["pipe", "pipe"]
    assert "samples" in opened[5] == opened[6], "its mapping keeps a descriptor of its own"
    assert int(fields[1]) == parent
    assert int(fields[3]) == pid
    assert f"Max open files            {ReaderLimits().open_files} " in limits


@contextmanager
def amid_a_file(readers, stem, folder):
    """A child in the middle of a file, and the pipe to it."""
    requests, ours = os.pipe()
    theirs, replies = os.pipe()
    with tempfile.TemporaryFile() as memory, tempfile.TemporaryFile() as printed:
        memory.truncate(1 << 17)
        process = begun(stem, (requests, replies, memory.fileno()), printed.fileno())
        opening = {"readers": readers, "limits": asdict(ReaderLimits()), "path": [str(folder), *sys.path]}
        asked = {"op": "read", "reader": "noting", "mapping": ChannelMapping().as_json(), "path": __file__, "name": "slow"}
        for message in ({**opening, "memory_bytes": 1 << 17}, asked):
            os.write(ours, json.dumps(message).encode() + b"\n")
        for descriptor in (requests, replies):
            os.close(descriptor)
        deadline = time.monotonic() + 20
        while "read" not in notes(folder):
            assert time.monotonic() < deadline
            time.sleep(0.01)
        try:
            yield process, ours
        finally:
            process.end()
            os.close(theirs)


def test_a_child_ends_with_the_pipe_to_whoever_asked_also_in_the_middle_of_a_file(readers, stem, tmp_path):
    """A worker that is killed cannot end its child; the system closes its pipes."""
    with amid_a_file(readers, stem, tmp_path) as (process, requests):
        assert process.status(0.0) is None
        os.close(requests)
        assert process.status(5.0) == 1


def test_children_end_with_the_stem_and_its_folder_is_private_and_goes_too(readers, tmp_path):
    stem = Stem({}, Path(__file__))
    folder, pid = Path(stem.address).parent, stem.pid
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    with amid_a_file(readers, stem.address, tmp_path) as (process, requests):
        stem.close()
        assert gone(process.pid)
        os.close(requests)
    assert gone(pid)
    assert not folder.exists()


def test_a_stem_whose_beginner_was_killed_ends_and_leaves_nothing_in_the_temporary_folder(tmp_path):
    """As a command does that the system ends: nobody closes the stem, its pipe is closed."""
    script = tmp_path / "begin.py"
    script.write_text(
        "import os, signal\nfrom pathlib import Path\nfrom thrumline.pipeline.execution.reader_stem import Stem\n"
        "if __name__ == '__main__':\n"
        "    stem = Stem({}, Path(__file__))\n"
        "    print(stem.pid, stem.address, flush=True)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, check=False)
    pid, address = done.stdout.split()
    assert done.returncode == -signal.SIGKILL
    assert gone(int(pid))
    assert not Path(address).parent.exists()


def test_without_a_stem_that_answers_children_are_started_anew(readers):
    """Killed by the system, say: its child is given up, and the next file is read all the same."""
    with closing(Stem({}, Path(__file__))) as stem, ReaderChild(readers, stem=stem.address) as child:
        refusal_of(child, Path(__file__))
        before = child.pid
        os.kill(stem.pid, signal.SIGKILL)
        assert gone(stem.pid)
        assert refusal_of(child, Path(__file__)) == "nothing in here"
        assert child.pid != before
        assert gone(before)
        assert "reader_process" in Path(f"/proc/{child.pid}/cmdline").read_text()

"""A real power cut, and a disk that is really full.

The cut: the archive on ext4 in a loop image, the image copied at a random instant, the copy mounted.

The copy is what had reached the device. Everything that was promised until then (read from a pipe, outside the image)
has to be in it, and everything visible has to be whole. Negative controls without fsync must lose. Needs root and
loop devices; not tested here: a device that reorders writes inside its own cache.
"""

from __future__ import annotations

import importlib.util
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from thrumline.storage import Archive, DiskFull, StorageError

pytestmark = [pytest.mark.nightly, pytest.mark.timeout(1200)]
WRITER = Path(__file__).with_name("power_writer.py")
N_CUTS = 50


def _run(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True)


@contextmanager
def _mounted(image: Path, place: Path) -> Iterator[Path]:
    place.mkdir(exist_ok=True)
    _run("mount", "-o", "loop", image, place)
    try:
        yield place
    finally:
        for tries in range(20, -1, -1):  # whoever else looks around on this machine may be inside for a moment
            try:
                _run("umount", place)
                break
            except subprocess.CalledProcessError:
                if not tries:
                    raise
                time.sleep(0.2)


@pytest.fixture
def device_path() -> Iterator[Path]:
    """A place of its own: pytest sweeps old temporary directories, and must not do so through a mount."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        yield Path(name)


@pytest.fixture
def image(device_path: Path) -> Path:
    """An empty ext4 image; skips where this machine does not allow loop devices."""
    path = device_path / "disk.img"
    if os.name != "posix" or os.geteuid() != 0 or not shutil.which("mkfs.ext4"):
        pytest.skip("a power cut by loop image needs root and mkfs.ext4")
    with path.open("wb") as out:
        out.truncate(96 * 2**20)
    _run("mkfs.ext4", "-q", "-F", path)
    try:
        with _mounted(path, device_path / "probe"):
            pass
    except subprocess.CalledProcessError as error:
        pytest.skip(f"no loop devices here: {error.stderr.decode().strip()}")
    return path


class Writer:
    """The writing child and what it has promised so far."""

    def __init__(self, root: Path, seed: int, mode: str) -> None:
        command = [sys.executable, str(WRITER), str(root), str(seed), mode]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.acks: list[tuple[str, int]] = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            what, _, n = line.partition(" ")
            self.acks.append((what, int(n)))

    def cut(self, image: Path, copy: Path) -> list[tuple[str, int]]:
        """Stop it, take what the device holds, let it go on; what was promised before."""
        promised = list(self.acks)
        self.process.send_signal(signal.SIGSTOP)
        shutil.copyfile(image, copy)
        self.process.send_signal(signal.SIGCONT)
        return promised

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self._reader.join()
        assert self.process.stdout is not None
        self.process.stdout.close()


def _losses(root: Path, promised: list[tuple[str, int]], seed: int) -> tuple[list[str], list[str]]:
    """(promised but lost, visible but not whole) in what a cut left."""
    spec = importlib.util.spec_from_file_location("thrumline_power_writer", WRITER)
    assert spec is not None
    assert spec.loader is not None
    writer = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(writer)
    if not promised:
        return [], []
    try:
        with Archive.open(root, role="coordinator", floor_bytes=0) as archive:
            report = archive.verify("data")
            lost = [f"{what} {n}" for what, n in promised if not _there(archive, writer, what, n, str(seed))]
            return lost, [f"{f.path}: {f.what}" for f in report.damage]
    except (StorageError, OSError) as error:
        return [f"{what} {n}: {error}" for what, n in promised], []


def _there(archive: Archive, writer, what: str, n: int, seed: str) -> bool:
    import hashlib

    identity = writer.identity(seed, n)
    try:
        if what == "original":
            path = archive.original(hashlib.sha256(writer.data_of(seed, n)).hexdigest())
            return path is not None and path.read_bytes() == writer.data_of(seed, n)
        if what == "fact":
            return archive.newest_fact(identity) == {"platform": "wren", "n": n}
        tree = archive.tree(what, identity)
        if tree is None or what == "results":
            return tree is not None and tree.content["summary"] == n
        return tree.zarr("capture.zarr").array("x").read_all().tobytes() == writer.data_of(seed, n)
    except StorageError:
        return False


def _cuts(image: Path, device_path: Path, mode: str, n_cuts: int, seed: int) -> tuple[int, list[str], list[str]]:
    """Cut so many times, with a fresh writer every ten cuts; (promises in all, lost, bad visible)."""
    rng, promises, lost, bad, cut = random.Random(seed), 0, [], [], 0
    pristine = device_path / "pristine.img"
    shutil.copyfile(image, pristine)
    while cut < n_cuts:
        shutil.copyfile(pristine, image)
        with _mounted(image, device_path / "live") as live:
            writer = Writer(live / "archive", seed + cut, mode)
            try:
                for _ in range(min(10, n_cuts - cut)):
                    time.sleep(rng.uniform(0.1, 0.9))
                    copy = device_path / "copy.img"
                    promised = writer.cut(image, copy)
                    with _mounted(copy, device_path / "after") as after:
                        found = _losses(after / "archive", promised, seed + cut)
                    promises += len(promised)
                    lost += found[0]
                    bad += found[1]
                    if writer.process.poll() is not None:
                        break
                n_done = 10
            finally:
                writer.end()
        cut += n_done
    return promises, lost, bad


def test_fifty_power_cuts_lose_nothing_that_was_promised(image: Path, device_path: Path, record_property) -> None:
    """0 acknowledged lost, 0 visible and not whole."""
    promises, lost, bad = _cuts(image, device_path, "sound", N_CUTS, seed=7)
    record_property("promises", promises)
    print(f"{N_CUTS} cuts, {promises} promises checked, {len(lost)} lost, {len(bad)} bad")
    assert promises > 500
    assert (lost, bad) == ([], [])


def test_without_any_fsync_the_power_cuts_lose_promises(image: Path, device_path: Path) -> None:
    """Negative control: the method finds losses where there are any."""
    promises, lost, bad = _cuts(image, device_path, "no-fsync", 10, seed=107)
    print(f"10 cuts without fsync, {promises} promises checked, {len(lost)} lost, {len(bad)} bad")
    assert lost


def test_without_fsync_of_directories_the_power_cuts_lose_promises(image: Path, device_path: Path) -> None:
    """Negative control. Real ext4 often brings a name along with its file's bytes, so fewer are lost."""
    promises, lost, bad = _cuts(image, device_path, "no-directory-fsync", 30, seed=207)
    print(f"30 cuts without fsync of directories, {promises} promises checked, {len(lost)} lost, {len(bad)} bad")
    assert lost


# a disk that is really full


def _fill(archive: Archive, folder: Path, first: int) -> tuple[list[str], StorageError | None]:
    """Take in files of 100 kB until there is no room; the hashes that were acknowledged, and how it ended."""
    rng, kept = random.Random(first), []
    for n in range(first, first + 2000):
        path = folder / "in.bin"
        path.write_bytes(rng.randbytes(100_000))
        try:
            original = archive.put_original(path, name=f"{n}.bin")
            kept.append(original.sha256)
            archive.put_small("captures", original.sha256[:32], {"original": original.sha256}, {})
        except StorageError as error:
            return kept, error
    return kept, None


def test_a_full_disk_stops_the_intake_with_a_word_and_it_goes_on_once_there_is_room(image, device_path: Path) -> None:
    """ENOSPC wherever it strikes, in the catalogue too; 0 acknowledged lost, 0 visible and not whole."""
    with _mounted(image, device_path / "full") as place:
        ballast = place / "ballast"
        ballast.write_bytes(bytes(20 * 2**20))
        root = place / "archive"
        with Archive.open(root, role="coordinator", create=True, floor_bytes=0) as archive:
            kept, error = _fill(archive, device_path, 0)
            assert isinstance(error, DiskFull)
            assert len(kept) > 100
            assert archive.verify("data").damage == []
            assert all(archive.original(sha256) for sha256 in kept)
            ballast.unlink()
            more, error = _fill(archive, device_path, 5000)
            assert len(more) > 50, "the same process goes on"
            assert isinstance(error, DiskFull)
        for path in list((root / "staging").iterdir()):
            shutil.rmtree(path)
        with Archive.open(root, role="reader") as archive:
            report = archive.verify("data")
            assert (report.damage, report.unchecked) == ([], [])
            assert all(archive.original(sha256) for sha256 in kept + more)


def test_the_floor_refuses_before_a_small_disk_is_touched(image, device_path: Path) -> None:
    """96 MiB are less than the floor that is kept by default."""
    with (
        _mounted(image, device_path / "small") as place,
        Archive.open(place / "archive", role="coordinator", create=True) as archive,
    ):
        kept, error = _fill(archive, device_path, 0)
        assert kept == []
        assert isinstance(error, DiskFull)
        assert "allowed: intake while 256 MiB stay free" in str(error)
        assert archive.verify().counts["originals"] == 0

"""Writes into an archive without end and says on stdout what is promised; run as a child by test_real_devices.py.

    python power_writer.py ROOT SEED MODE      MODE: sound | no-fsync | no-directory-fsync
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from thrumline.storage import Archive, Disk


class NoFsync(Disk):
    """Negative control: nothing is brought to the device on purpose."""

    def fsync(self, descriptor: int) -> None:
        pass


class NoDirectoryFsync(Disk):
    """Negative control: bytes are synced, names are not."""

    def fsync_dir(self, path: Path) -> None:
        pass


DISKS = {"sound": Disk, "no-fsync": NoFsync, "no-directory-fsync": NoDirectoryFsync}


def data_of(seed: str, n: int) -> bytes:
    return np.random.default_rng([int(seed), n]).bytes(3000)


def identity(seed: str, n: int) -> str:
    return hashlib.sha256(f"{seed}/{n}".encode()).hexdigest()[:32]


def promise(what: str, n: int, pause_s: float) -> None:
    print(what, n, flush=True)
    time.sleep(pause_s)


def main(root: str, seed: str, mode: str) -> None:
    # The coordinator's catalogue is synced at every step, and on ext4 any fsync brings all names along. So the control
    # of the directories works as a worker, and pauses, that the cut may fall between a promise and the next fsync.
    careless = mode == "no-directory-fsync"
    pause_s = 0.03 if careless else 0.0
    Archive.open(root, role="coordinator", create=True, floor_bytes=0).close()
    role = "worker" if careless else "coordinator"
    with (
        tempfile.TemporaryDirectory() as folder,
        Archive.open(root, role=role, disk=DISKS[mode](), floor_bytes=0) as archive,
    ):
        n = 0
        while True:
            source = Path(folder) / "run.csv"
            source.write_bytes(data_of(seed, n))
            original = archive.put_original(source, name=f"{seed}-{n}.csv")
            promise("original", n, pause_s)
            with archive.draft("captures", identity(seed, n)) as draft:
                array = draft.zarr("capture.zarr").array("x", dtype="uint8", dims=("time",))
                array.append(np.frombuffer(data_of(seed, n), "uint8"))
                draft.commit({"original": original.sha256}, {})
            promise("captures", n, pause_s)
            if not careless:
                archive.note_committed("captures", identity(seed, n))
            archive.put_small("results", identity(seed, n), {"capture_id": identity(seed, n), "summary": n}, {})
            promise("results", n, pause_s)
            archive.put_fact(identity(seed, n), {"platform": "wren", "n": n})
            promise("fact", n, pause_s)
            n += 1


if __name__ == "__main__":
    main(*sys.argv[1:])

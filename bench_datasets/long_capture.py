"""Row 5: one very long capture, the whole chain from the archive: megabytes a second, memory of the workers.

A 16-channel WAV of 51.2 kHz (counts of 16 or 32 bits) is written once, taken in once, and then computed anew
from the archive with another recipe in every round. Megabytes are those of the native counts.

    python bench_datasets/long_capture.py [--gigabytes 3] [--rounds 3] [--workers 2]
"""

from __future__ import annotations

import argparse
import resource
import shutil
import struct
import subprocess
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from stopwatch import machine, median, table, thrumline

RATE_HZ = 51_200
N_CHANNEL = 16
FULL_SCALE = 4 * 9.80665
CHUNK_S = 10


def wav_head(n_samples: int, bits: int) -> bytes:
    """The 44 bytes before the samples of a PCM WAV. Raises ValueError beyond what its sizes can say."""
    n_bytes = n_samples * N_CHANNEL * bits // 8
    if n_bytes + 36 >= 2**32:
        raise ValueError(f"{n_bytes} bytes of samples do not fit into a WAV of 4 GiB")
    width = N_CHANNEL * bits // 8
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, N_CHANNEL, RATE_HZ, RATE_HZ * width, width, bits)
    return struct.pack("<4sI4s", b"RIFF", n_bytes + 36, b"WAVE") + form + struct.pack("<4sI", b"data", n_bytes)


def write_capture(path: Path, gigabytes: float, bits: int) -> int:
    """Write the capture piece by piece; returns its number of samples per channel."""
    rng = np.random.default_rng(5)
    per_count = FULL_SCALE / 2 ** (bits - 1)
    n_piece = CHUNK_S * RATE_HZ
    n_pieces = max(1, round(gigabytes * 1e9 / (n_piece * N_CHANNEL * bits / 8)))
    noise = rng.standard_normal((n_piece, N_CHANNEL)) * 0.02
    weights = rng.uniform(0.03, 0.15, N_CHANNEL)
    phases = rng.uniform(0, 2 * np.pi, N_CHANNEL)
    wander, phase = 0.0, 0.0
    with path.open("wb") as file:
        file.write(wav_head(n_pieces * n_piece, bits))
        for _ in range(n_pieces):
            wander = 0.5 * wander + 0.003 * rng.standard_normal()
            angle = phase + 2 * np.pi * 23.3 * (1 + wander) * np.arange(n_piece) / RATE_HZ
            phase = float(angle[-1])
            samples = noise + weights * np.sin(angle[:, None] + phases)
            samples[:, 2::3] += 9.80665
            file.write(np.round(samples / per_count).astype(f"<i{bits // 8}").tobytes())
            noise = np.roll(noise, 4099, axis=0)
    return n_pieces * n_piece


def write_study(folder: Path, bits: int, resolution_hz: float) -> Path:
    """The table (one row, five positions of three axes and one single) and the study file."""
    axes = [f"at-{place // 3 + 1}.{'xyz'[place % 3]}=+c{place + 1}" for place in range(N_CHANNEL)]
    scale = repr(FULL_SCALE / 2 ** (bits - 1))
    (folder / "captures.csv").write_text(
        "file,platform,part,position,condition,repeat,cylinders,strokes,rpm,unit,scale,axes\n"
        f'long.wav,Cormorant 4.8,original,at-1,idle-drive,1,4,4,699,counts,{scale},"{" ".join(axes)}"\n',
        encoding="utf-8",
    )
    study = folder / "study.toml"
    study.write_text(
        'title = "One long capture"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n'
        f"[stage.spectrum]\nresolution_hz = {resolution_hz:.2f}\n",
        encoding="utf-8",
    )
    return study


def resident_mb(pids: list[int]) -> list[float]:
    """Resident memory of each process that is still there."""
    found = []
    for pid in pids:
        try:
            text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
        except OSError:
            continue
        sizes = [line.split()[1] for line in text.splitlines() if line.startswith("VmRSS")]
        found += [int(size) / 1e3 for size in sizes]
    return found


def descendants(pid: int) -> list[int]:
    """A process and all that it started."""
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    except OSError:
        return [pid]
    return [pid, *(found for child in text.split() for found in descendants(int(child)))]


class MemoryWatch:
    """Greatest resident memory of any process below one, sampled ten times a second."""

    def __init__(self, pid: int) -> None:
        self.greatest_mb = 0.0
        self._pid, self._ended = pid, threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._ended.wait(0.1):
            self.greatest_mb = max([self.greatest_mb, *resident_mb(descendants(self._pid))])

    def close(self) -> float:
        """Stop watching; the greatest figure in MB."""
        self._ended.set()
        self._thread.join()
        return self.greatest_mb


def watched_run(study: Path, archive: Path, workers: int) -> tuple[float, float]:
    """Seconds of one run, and the greatest resident memory of one of its processes in MB."""
    command = thrumline(
        "run", str(study), "--archive", str(archive), "--out", str(study.parent / "out"), "--workers", str(workers)
    )
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    watch = MemoryWatch(process.pid)
    _, said = process.communicate()
    taken, memory = time.perf_counter() - begun, watch.close()
    if process.returncode not in (0, 4):
        raise RuntimeError(f"the run ended with {process.returncode}: {said[-2000:]}")
    return taken, memory


def measured(folder: Path, asked: argparse.Namespace) -> list[list[str]]:
    """Table rows."""
    n = write_capture(folder / "long.wav", asked.gigabytes, asked.bits)
    megabytes = n * N_CHANNEL * asked.bits / 8 / 1e6
    archive = folder / "archive"
    first, first_memory = watched_run(write_study(folder, asked.bits, 0.25), archive, asked.workers)
    idle = [watched_run(write_study(folder, asked.bits, 0.25), archive, asked.workers) for _ in range(asked.rounds)]
    rounds = [
        watched_run(write_study(folder, asked.bits, 0.3 + 0.01 * number), archive, asked.workers)
        for number in range(asked.rounds)
    ]
    start, start_memory = median([s for s, _ in idle]), median([m for _, m in idle])
    seconds, memory = median([s for s, _ in rounds]), max(m for _, m in rounds)
    return [
        ["5", f"first run, {megabytes:.0f} MB of counts", f"{first:.1f} s", f"{megabytes / first:.0f} MB/s",
         f"{first_memory:.0f} MB"],
        ["5", f"whole chain from the archive, {asked.workers} workers, start taken off", f"{seconds - start:.1f} s",
         f"{megabytes / (seconds - start):.0f} MB/s", f"{memory - start_memory:.0f} MB above a run with nothing new"],
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--gigabytes", type=float, default=3.0)
    parser.add_argument("--bits", type=int, choices=(16, 32), default=16)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path, help="where the capture is built and kept (default: temporary)")
    asked = parser.parse_args()
    folder = asked.folder or Path(tempfile.mkdtemp(prefix="long-capture-"))
    folder.mkdir(parents=True, exist_ok=True)
    print(machine())
    try:
        titles = ["#", "measure", "seconds", "throughput", "memory of the largest process"]
        print(table(measured(folder, asked), titles))
    finally:
        if asked.folder is None:
            shutil.rmtree(folder, ignore_errors=True)
    print(f"this script itself: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()

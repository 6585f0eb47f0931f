"""Row 5: one very long capture, the whole chain from the archive: megabytes a second, memory of the workers.

A 16-channel WAV of 51.2 kHz (counts of 16 or 32 bits) is written once, taken in once, and then computed anew
from the archive with another recipe in every round. Megabytes are those of the native counts.

    python bench_datasets/long_capture.py [--gigabytes 3] [--rounds 3] [--workers 2]
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import struct
import subprocess
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from stopwatch import compiled, machine, median, table, thrumline

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
        f"[stage.spectrum]\nresolution_hz = {resolution_hz:.5f}\n",
        encoding="utf-8",
    )
    return study


@dataclass
class Process:
    """What was seen of one process: resident memory when first seen and at its greatest, processor time so far."""

    start_mb: float
    greatest_mb: float = 0.0
    cpu_s: float = 0.0


def descendants(pid: int) -> list[int]:
    """A process and all that it, or any thread of it, started."""
    found = [pid]
    for listed in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = listed.read_text(encoding="ascii").split()
        except OSError:
            continue
        found += [other for child in children for other in descendants(int(child))]
    return found


class Watch:
    """Follows a process and all it starts, twenty times a second."""

    def __init__(self, pid: int) -> None:
        self.seen: dict[int, Process] = {}
        self._pid, self._ended = pid, threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._ended.wait(0.05):
            for pid in descendants(self._pid):
                self._look(pid)

    def _look(self, pid: int) -> None:
        try:
            text = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
            times = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        except OSError:
            return
        sizes = {line.split()[0]: int(line.split()[1]) / 1e3 for line in text.splitlines() if line.startswith("Vm")}
        if "VmRSS:" in sizes:
            process = self.seen.setdefault(pid, Process(sizes["VmRSS:"]))
            # the kernel's own high-water mark: nothing falls between two looks
            process.greatest_mb = sizes["VmHWM:"]
            process.cpu_s = (int(times[11]) + int(times[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        """Stop watching."""
        self._ended.set()
        self._thread.join()


@dataclass(frozen=True)
class Seen:
    """One run: wall and processor seconds, memory of the process called, and of the others above their start (MB)."""

    wall_s: float
    cpu_s: float
    caller_mb: float
    others_mb: float


def watched_run(study: Path, archive: Path, workers: int) -> Seen:
    """One run and what its processes took."""
    command = thrumline(
        "run", str(study), "--archive", str(archive), "--out", str(study.parent / "out"), "--workers", str(workers)
    )
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    watch = Watch(process.pid)
    _, said = process.communicate()
    taken = time.perf_counter() - begun
    watch.close()
    if process.returncode not in (0, 4):
        raise RuntimeError(f"the run ended with {process.returncode}: {said[-2000:]}")
    caller = watch.seen.pop(process.pid)
    above = [other.greatest_mb - other.start_mb for other in watch.seen.values()]
    cpu_s = caller.cpu_s + sum(other.cpu_s for other in watch.seen.values())
    return Seen(taken, cpu_s, caller.greatest_mb, max(above, default=0.0))


def measured(folder: Path, asked: argparse.Namespace) -> list[list[str]]:
    """Table rows."""
    path, bytes_a_sample = folder / "long.wav", N_CHANNEL * asked.bits // 8
    if path.exists():
        n = (path.stat().st_size - 44) // bytes_a_sample
    else:
        n = write_capture(path, asked.gigabytes, asked.bits)
    megabytes, archive = n * bytes_a_sample / 1e6, folder / "archive"
    # a recipe of its own for every round, whatever an archive kept from earlier holds
    fresh = 0.25 + 1e-4 * (int(time.time()) % 1000)
    first = watched_run(write_study(folder, asked.bits, fresh), archive, asked.workers)
    idle = [watched_run(write_study(folder, asked.bits, fresh), archive, asked.workers) for _ in range(asked.rounds)]
    rounds = [
        watched_run(write_study(folder, asked.bits, fresh + 0.2 + 0.01 * number), archive, asked.workers)
        for number in range(asked.rounds)
    ]
    start, start_cpu, start_mb = (median([getattr(s, name) for s in idle]) for name in ("wall_s", "cpu_s", "caller_mb"))
    wall, cpu = median([s.wall_s for s in rounds]) - start, median([s.cpu_s for s in rounds]) - start_cpu
    caller, others = max(s.caller_mb for s in rounds) - start_mb, max(s.others_mb for s in rounds)
    return [
        ["5", f"first run, {megabytes:.0f} MB of counts", f"{first.wall_s:.1f} s", f"{first.cpu_s:.1f} s",
         f"{megabytes / first.wall_s:.0f} MB/s", f"{first.others_mb:.0f} MB"],
        ["5", f"whole chain from the archive, {asked.workers} workers, a run with nothing new taken off",
         f"{wall:.1f} s", f"{cpu:.1f} s", f"{megabytes / wall:.0f} MB/s ({megabytes / cpu:.0f} per CPU second)",
         f"{others:.0f} MB; calling process {caller:.0f} MB"],
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
    compiled()
    try:
        titles = ["#", "measure", "wall", "CPU of all processes", "throughput", "a worker above its start"]
        print(table(measured(folder, asked), titles))
    finally:
        if asked.folder is None:
            shutil.rmtree(folder, ignore_errors=True)
    print(f"this script itself: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()

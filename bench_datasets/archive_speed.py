"""What the archive costs: durable ingest, lookups, checks, start. Prints a table; takes about a minute by default.

    python bench_datasets/archive_speed.py [--captures 2000] [--folder DIR] [--json FILE]

An ingest is what a night run does for one small capture (4 channels, 30 s, 1 kHz, 16-bit counts) apart from parsing:
the text original copied, hashed and noted, counts and stamps compressed into Zarr, manifest, every fsync, rename,
catalogue row, fact. Times depend on the device, so the cost of a bare 4 kB fsync is measured in between and printed;
on a busy machine the processor times say more than the clock's.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from thrumline.storage import Archive

N_ROWS, N_CHANNELS = 30_000, 4


def identity(kind: str, n: int) -> str:
    return hashlib.sha256(f"{kind} {n}".encode()).hexdigest()[:32]


def timed(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    began = clock()
    work()
    return clock() - began


def all_processes() -> float:
    """Processor seconds of this process and of those it has started and seen end."""
    return sum(os.times()[:4])


def bare_fsync(folder: Path) -> float:
    path = folder / "probe"
    descriptor = os.open(path, os.O_CREAT | os.O_WRONLY)
    try:
        os.write(descriptor, bytes(4096))
        return timed(lambda: os.fsync(descriptor))
    finally:
        os.close(descriptor)
        path.unlink()


def signal(rng: np.random.Generator) -> np.ndarray:
    """An idle line with its half order, noise, and gravity on one axis, as 16-bit counts."""
    t = np.arange(N_ROWS) / 1000.0
    lines = 300.0 * np.sin(2 * np.pi * 26.4 * t) + 60.0 * np.sin(2 * np.pi * 13.2 * t)
    noise = rng.normal(0.0, 25.0, (N_CHANNELS, N_ROWS))
    return (lines * np.array([[1.0], [0.6], [2.0], [0.1]]) + noise + 1000.0).astype("int16")


def text_of(counts: np.ndarray) -> bytes:
    rows = "\n".join(",".join(f"{value / 1000:.3f}" for value in row) for row in counts.T)
    return b"x_g,y_g,z_g,w_g\n" + rows.encode()


class Ingest:
    """Brings in small captures one by one and keeps the time of each part."""

    def __init__(self, archive: Archive, folder: Path) -> None:
        self.archive, self.folder = archive, folder
        self.counts = signal(np.random.default_rng(1))
        self.text = text_of(self.counts)
        self.stamps = np.arange(N_ROWS, dtype="int64")
        self.parts: dict[str, list[float]] = {"original": [], "capture": [], "fact": [], "whole": []}

    def one(self, n: int) -> None:
        source = self.folder / "source.csv"
        source.write_bytes(self.text + f"\n{n},0,0,0".encode())
        parts = {"original": timed(lambda: self.original(source, n))}
        parts["capture"] = timed(lambda: self.capture(n))
        parts["fact"] = timed(lambda: self.archive.put_fact(identity("capture", n), {"platform": "wren", "n": n}))
        parts["whole"] = sum(parts.values())
        for name, value in parts.items():
            self.parts[name].append(value)

    def original(self, source: Path, n: int) -> None:
        self.sha256 = self.archive.put_original(source, name=f"run-{n}.csv").sha256

    def capture(self, n: int) -> None:
        with self.archive.draft("captures", identity("capture", n)) as draft:
            store = draft.zarr("capture.zarr")
            counts = store.array("g0_counts", dtype="int16", rows=N_CHANNELS, dims=("g0_channel", "g0_time"))
            counts.append(self.counts)
            store.array("g0_stamps", dtype="int64", dims=("g0_time",)).append(self.stamps)
            draft.commit({"original": self.sha256, "summary": {"rate_hz": 1000.0}}, {})
        self.archive.note_committed("captures", identity("capture", n))


def result_content(n: int) -> dict[str, object]:
    reading = {"reading": "firing_order", "value": 12.5 + n, "unit": "mg", "std_uncertainty": 0.1, "frequency_hz": 26.4}
    return {"capture_id": identity("capture", n), "summary": {"readings": [reading] * 24}}


def put_result(archive: Archive, n: int) -> None:
    archive.put_small("results", identity("result", n), result_content(n), {})


def read_counts(archive: Archive, capture: str) -> None:
    archive.tree("captures", capture).zarr("capture.zarr").array("g0_counts").read_all()


def milliseconds(values: list[float]) -> str:
    ordered = sorted(values)
    return f"{statistics.median(ordered) * 1e3:.2f} (p95 {ordered[int(0.95 * (len(ordered) - 1))] * 1e3:.1f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--captures", type=int, default=2000)
    parser.add_argument("--folder", type=Path, default=None, help="where to work (the device that is measured)")
    parser.add_argument("--json", type=Path, default=None, help="write the figures there, too")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(dir=options.folder))
    try:
        figures = measured(folder, options.captures)
    finally:
        shutil.rmtree(folder)
    width = max(map(len, figures))
    for name, value in figures.items():
        print(f"{name:<{width}}  {value}")
    if options.json:
        options.json.write_text(json.dumps(figures, indent=1))


def measured(folder: Path, n_captures: int) -> dict[str, str]:
    archive = Archive.open(folder / "archive", role="coordinator", create=True)
    ingest, probes, busy, figures = Ingest(archive, folder), [], [], {}
    for n in range(n_captures):
        busy.append(timed(lambda n=n: ingest.one(n), time.process_time))
        probes.append(bare_fsync(folder))
    figures["bare fsync of 4 kB, ms"] = milliseconds(probes)
    for name, values in ingest.parts.items():
        figures[f"durable ingest: {name}, ms"] = milliseconds(values)
    figures["durable ingest: processor time, ms"] = milliseconds(busy)
    figures.update(in_a_run(archive, ingest, n_captures))
    figures["original of it, kB"] = f"{len(ingest.text) / 1e3:.0f}"
    small = [timed(lambda n=n: put_result(archive, n)) for n in range(n_captures)]
    figures["result without arrays, ms"] = milliseconds(small)
    captures = [identity("capture", n) for n in range(n_captures)]
    results = [identity("result", n) for n in range(n_captures)]
    reads = [timed(lambda i=i: read_counts(archive, i)) for i in captures[:200]]
    figures["read a capture, every byte checked, ms"] = milliseconds(reads)
    archive.close()
    figures.update(looked_up(folder, captures, results))
    return figures


def in_run(n_captures: int) -> int:
    """How many more are taken in the way a run does."""
    return min(n_captures, 500)


def in_a_run(archive: Archive, ingest: Ingest, n_captures: int) -> dict[str, str]:
    """As many again the way a run takes them in: each durable when its call returns, index rows some at a time."""
    first = {name: len(values) for name, values in ingest.parts.items()}
    busy = []
    with archive.indexed_together():
        for n in range(n_captures, n_captures + in_run(n_captures)):
            busy.append(timed(lambda n=n: ingest.one(n), time.process_time))
    figures = {
        f"durable ingest in a run: {name}, ms": milliseconds(values[first[name] :])
        for name, values in ingest.parts.items()
    }
    return {**figures, "durable ingest in a run: processor time, ms": milliseconds(busy)}


def looked_up(folder: Path, captures: list[str], results: list[str]) -> dict[str, str]:
    """A start with nothing new, then the checks."""
    figures, n = {}, len(captures)
    n_there = n + in_run(n)
    began = time.perf_counter()
    archive = Archive.open(folder / "archive", role="coordinator")
    figures[f"start over {n} captures and results, ms"] = f"{(time.perf_counter() - began) * 1e3:.0f}"
    figures[f"which of {n} results are there, ms"] = f"{timed(lambda: archive.having('results', results)) * 1e3:.0f}"
    summaries = timed(lambda: archive.catalogue.summaries("results", results))
    figures[f"summaries of {n} results, ms"] = f"{summaries * 1e3:.0f}"
    facts = timed(lambda: [archive.put_fact(i, {"platform": "wren", "n": k}) for k, i in enumerate(captures)])
    figures[f"{n} facts that say nothing new, ms"] = f"{facts * 1e3:.0f}"
    for depth in ("structure", "data", "deep"):
        clock, busy = (
            min(timed(lambda depth=depth: archive.verify(depth), clock) for _ in range(3))
            for clock in (time.perf_counter, all_processes)
        )
        name = f"verify {depth} over {n_there} captures and {n} results, captures/s"
        figures[name] = f"{n_there / clock:.0f} (a CPU second: {n_there / busy:.0f})"
    figures["catalogue rebuilt, rows/s"] = f"{archive.rebuild() / timed(archive.rebuild):.0f}"
    assert archive.verify("deep").exit_code == 0
    archive.close()
    return figures


if __name__ == "__main__":
    main()

"""Row 1: averaged spectrum with 50 % overlap against scipy.signal.welch, and the bare transform as floor.

One core, float32 and float64, three channels, in memory. The floor is one real transform of every sample
without window or overlap; with 50 % overlap every sample is transformed twice.

    python bench_datasets/spectral_kernel.py [--segment 4096] [--rounds 5]
"""

from __future__ import annotations

import argparse

import numpy as np
import scipy.fft
from scipy import signal
from stopwatch import function_seconds, machine, median, table

from thrumline.pipeline.kernels.spectra import SpectralSum, SpectrumPlan

RATE_HZ = 1600.0


def averaged(samples: np.ndarray, segment: int, dtype: str) -> np.ndarray:
    """Averaged density [shape=(n_channel, n_f)] by the kernel."""
    plan = SpectrumPlan(RATE_HZ, segment, segment // 2, scatter=False, dtype=dtype)
    total = SpectralSum(plan, len(samples))
    total.push(samples)
    return total.result().scaled("density").values


def bare(samples: np.ndarray, segment: int) -> None:
    """The transform alone, in batches that stay in the cache."""
    n = samples.shape[-1] // segment * segment
    frames = samples[:, :n].reshape(-1, segment)
    batch = max(1, (1 << 18) // segment)
    for first in range(0, len(frames), batch):
        scipy.fft.rfft(frames[first : first + batch], axis=-1)


def largest_difference(samples: np.ndarray, segment: int, dtype: str) -> float:
    """Largest relative difference from scipy.signal.welch in double precision, bins 2 and up."""
    _, wanted = signal.welch(samples.astype(np.float64), RATE_HZ, nperseg=segment)
    found = averaged(samples, segment, dtype)
    return float(np.max(np.abs(found[:, 2:-1] / wanted[:, 2:-1] - 1.0)))


def one_round(samples: np.ndarray, segment: int, dtype: str) -> tuple[float, float, float]:
    """Seconds of kernel, welch and bare transform, alternating."""
    return (
        function_seconds(lambda: averaged(samples, segment, dtype)),
        function_seconds(lambda: signal.welch(samples, RATE_HZ, nperseg=segment)),
        function_seconds(lambda: bare(samples, segment)),
    )


def rows_of(segment: int, rounds: int, n: int = 1 << 20) -> list[list[str]]:
    """Table rows for both precisions."""
    rows = []
    for dtype in ("float32", "float64"):
        samples = np.random.default_rng(1).standard_normal((3, n)).astype(dtype)
        taken = [one_round(samples, segment, dtype) for _ in range(rounds)]
        ours, welch, floor = (median(column) for column in zip(*taken, strict=True))
        rate = samples.size / 1e6
        rows.append([
            dtype, str(segment), f"{rate / ours:.0f}", f"{rate / welch:.0f}", f"{rate / floor:.0f}",
            f"{welch / ours:.1f}x", f"{ours / (2 * floor):.2f}x", f"{largest_difference(samples, segment, dtype):.1e}",
        ])  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--segment", type=int, action="append")
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    print(machine())
    titles = [
        "precision", "segment", "kernel Msamples/s", "welch", "bare rfft", "faster than welch", "over the floor",
        "largest difference",
    ]  # fmt: skip
    rows = [row for segment in asked.segment or [4096, 6400] for row in rows_of(segment, asked.rounds)]
    print(table(rows, titles))


if __name__ == "__main__":
    main()

"""The yardstick: what a competent practitioner's plain script does with the same captures.

pandas.read_csv, scipy.signal.welch and numpy; one amplitude per capture (the highest bin near the firing
frequency, mean over axes), percent change per part. No archive, no fitness, no uncertainty, no report.

    python bench_datasets/yardstick.py FLEET/captures.csv [--processes 2]
"""

from __future__ import annotations

import argparse
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import signal

TO_MG = {"g": 1000.0, "mg": 1.0, "m/s²": 1000.0 / 9.80665}
TO_S = {"s": 1.0, "ms": 1e-3}
SETTLED_S = 5.0


def dialect(path: Path) -> tuple[str, str, int, float, float]:
    """Delimiter, decimal mark, lines to skip, factors to mg and to seconds, from the header line."""
    with path.open(encoding="utf-8") as file:
        skipped = 0
        while (line := file.readline().strip()).startswith("#"):
            skipped += 1
    delimiter = next(mark for mark in ("\t", ";", ",") if mark in line)
    time, first = line.split(delimiter)[:2]
    unit = first.split("[")[-1].split("(")[-1].split("_")[-1].strip("])")
    time_unit = time.split("[")[-1].split("(")[-1].split("_")[-1].strip("])")
    return delimiter, "," if delimiter == ";" else ".", skipped, TO_MG[unit], TO_S[time_unit]


def amplitude_mg(job: tuple[Path, float]) -> float:
    """Peak amplitude of the highest bin within 10 % of the firing frequency, mean over axes."""
    path, firing_hz = job
    delimiter, decimal, skipped, to_mg, to_s = dialect(path)
    table = pd.read_csv(path, sep=delimiter, decimal=decimal, skiprows=skipped)
    time_s = table.iloc[:, 0].to_numpy() * to_s
    rate_hz = (len(time_s) - 1) / (time_s[-1] - time_s[0])
    settled = min(round(SETTLED_S * rate_hz), len(time_s) // 4)
    axes = table.iloc[settled:, 1:].to_numpy().T * to_mg
    segment = min(round(4 * rate_hz), axes.shape[1])
    frequency, power = signal.welch(axes, rate_hz, nperseg=segment, scaling="spectrum")
    near = np.abs(frequency - firing_hz) <= 0.1 * firing_hz
    return float(np.sqrt(2.0 * power).mean(axis=0)[near].max())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("captures", type=Path)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    rows = pd.read_csv(asked.captures)
    firing = rows["rpm"] / 60.0 * rows["cylinders"] / 2.0
    jobs = [(asked.captures.parent / file, hertz) for file, hertz in zip(rows["file"], firing, strict=True)]
    if asked.processes > 1:
        with Pool(asked.processes) as pool:
            values = pool.map(amplitude_mg, jobs, chunksize=4)
    else:
        values = [amplitude_mg(job) for job in jobs]
    rows["mg"] = values
    means = rows.groupby(["platform", "part"], sort=False)["mg"].mean().unstack()
    baseline = rows["part"].iloc[0]
    print((100.0 * (means.div(means[baseline], axis=0) - 1.0)).round(1).to_string())


if __name__ == "__main__":
    main()

"""The plain files beside a fleet's captures: the table, the study, the truth."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any


def captures_table(rows: Sequence[Mapping[str, str]]) -> str:
    """``captures.csv``: columns in order of first appearance, those that are empty everywhere left out."""
    names = dict.fromkeys(name for row in rows for name in row)
    filled = [name for name in names if any(row.get(name) for row in rows)]
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, filled, extrasaction="ignore", lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return buffer.getvalue()


def study_text(title: str, baseline: str, limit_percent: float, duration_s: float) -> str:
    """``study.toml``; captures too short for the usual 30 s ask for 70 % of their length."""
    lines = [
        f'title = "{title}"',
        'captures = "captures.csv"',
        f'baseline = "{baseline}"',
        f"limit_percent = {limit_percent:g}",
    ]
    if duration_s < 40.0:
        lines.append(f"minimum_duration_s = {0.7 * duration_s:g}")
    return "\n".join(lines) + "\n"


def truth_document(
    captures: Sequence[Mapping[str, Any]],
    changes: Mapping[tuple[str, str], float],
    baseline: str,
    seed: int,
) -> dict[str, Any]:
    """``truth.json``: every capture's amplitudes and expected state, every pair's true percent change."""
    comparisons = [
        {"platform": platform, "baseline": baseline, "candidate": part, "percent_change": percent}
        for (platform, part), percent in changes.items()
        if part != baseline
    ]
    return {"schema": 1, "seed": seed, "captures": list(captures), "comparisons": comparisons}

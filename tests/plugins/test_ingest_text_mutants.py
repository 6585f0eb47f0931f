"""Damaged text is read exactly or refused by type; accepting it with other samples is the failing case.

The oracle knows nothing of the reader: it splits lines itself, takes every line made mostly of digits and
marks for a row, and reads cells by ``float``.
"""

from __future__ import annotations

import collections
import random
import re
from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import ChannelMapping, Level, ReaderRefusal, level_of
from thrumline.pipeline.contracts.units import known_unit
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins.ingest_text import TextReader

MAPPING = ChannelMapping(sample_rate_hz=200.0)
PLAIN = ChannelMapping(sample_rate_hz=200.0, unit="g")


def rows_of(n, seed, decimals=(3, 3, 3)):
    rng = np.random.default_rng(seed)
    return [tuple(f"{v:.{d}f}" for v, d in zip(row, decimals, strict=True)) for row in rng.normal(size=(n, len(decimals)))]


def joined(rows, delimiter=",", decimal=".", stamps=None, end="\n"):
    lines = [([stamps(i)] if stamps else []) + list(row) for i, row in enumerate(rows)]
    return end.join(delimiter.join(cell.replace(".", decimal) for cell in line) for line in lines) + end


def seconds(i):
    return f"{i * 0.005:.3f}"


SEEDS = {
    "comma": ("time_s,x_g,y_g,z_g\n" + joined(rows_of(40, 1), stamps=seconds), ",", ".", MAPPING, "utf-8"),
    "bare": (joined(rows_of(40, 2, (6, 6, 6)), ", "), ",", ".", PLAIN, "utf-8"),
    "semicolon": ("Zeit [s];x [m/s²];y [m/s²];z [m/s²]\n" + joined(rows_of(40, 3), ";", ",", seconds, "\r\n"), ";", ",", MAPPING, "latin-1"),
    "tab": ("# made by hand\n# sensor 7\nt_ms\tax_mg\tay_mg\taz_mg\n" + joined(rows_of(40, 4, (1, 1, 1)), "\t", stamps=lambda i: str(5 * i)), "\t", ".", MAPPING, "utf-8"),
    "blanks": (joined(rows_of(40, 5), "  "), " ", ".", PLAIN, "utf-8"),
    "metadata": ("Device: logger\nRate: 200 Hz\nSamples: 40\nx_g;y_g;z_g\n" + joined(rows_of(40, 6), ";"), ";", ".", MAPPING, "utf-8"),
    "whole": ("t_ms,x,y,z\n" + joined([tuple(str(int(float(c) * 4096)) for c in row) for row in rows_of(40, 7)], stamps=lambda i: str(5 * i)), ",", ".", ChannelMapping(unit="counts", scale=0.001), "utf-8"),
    "single": (joined([row[:1] for row in rows_of(60, 8)]), "", ".", PLAIN, "utf-8"),
    "wide": ("time_s,x_g,y_g,z_g,rpm,temp_c\n" + joined(rows_of(40, 9, (4, 4, 4, 1, 2)), stamps=seconds), ",", ".", MAPPING, "utf-16-le"),
    "quoted": ('"x_g","y_g","z_g"\n' + "".join(",".join(f'"{c}"' for c in row) + "\n" for row in rows_of(30, 10)), ",", ".", MAPPING, "utf-8"),
}  # fmt: skip
ODD_BYTES = b",;.\n\r \t-+e0159#\"'\x00x:/%E|\xb2\xff_"


def mutated(content: bytes, rng: random.Random) -> bytes:
    """One of ten kinds of damage, sometimes two."""
    data = bytearray(content)
    for _ in range(1 if rng.random() < 0.8 else 2):
        if not data:
            break
        at, width = rng.randrange(len(data)), rng.choice((1, 1, 2, 3, 8, 40, 150))
        kind = rng.randrange(10)
        if kind == 0:
            data[at] = rng.randrange(256)
        elif kind in (1, 2):
            data[at] = rng.choice(ODD_BYTES)
        elif kind == 3:
            data.insert(at, rng.choice(ODD_BYTES))
        elif kind == 4:
            del data[at : at + width]
        elif kind == 5:
            data[at:at] = data[at : at + width]
        elif kind == 6:
            del data[at:]
        elif kind == 7 and at:
            data[at - 1], data[at] = data[at], data[at - 1]
        elif kind == 8:
            lines = bytes(data).split(b"\n")
            del lines[rng.randrange(len(lines))]
            data = bytearray(b"\n".join(lines))
        else:
            lines = bytes(data).split(b"\n")
            lines.insert(rng.randrange(len(lines)), rng.choice((lines[rng.randrange(len(lines))], b"", b"nan", b"0", b"x,y,z")))
            data = bytearray(b"\n".join(lines))
    return bytes(data)


def slow_rows(text: str, delimiter: str, decimal: str) -> list[list[float]]:
    """Every line made mostly of digits, as floats. Raises ValueError where one is not whole."""
    rows = []
    for line in re.split(r"\r\n|\r|\n", text.removeprefix("\ufeff")):
        bare = line.strip()
        marks = sum(character in "0123456789.,;+-|\t \"" for character in bare)
        if not bare or marks < 0.6 * len(bare) or not re.search(r"\d", bare):
            continue
        cells = bare.split() if delimiter == " " else [bare] if delimiter == "" else line.split(delimiter)
        rows.append([number(cell.strip().strip('"').strip().replace(decimal, ".")) for cell in cells])
    return rows


def number(cell: str) -> float:
    """A cell as a number; a hole as NaN, which only a column beside the signal may have."""
    return float("nan") if cell.lower() in ("", "-", "--", "na", "n/a", "none", "null") else float(cell)


def columns_read(head, sink) -> list[np.ndarray]:
    """Numbers as written in the file, per data column, in the order of the file."""
    by_name = collections.defaultdict(list)
    for name in head.metadata.get("columns_without_values", []):
        by_name[name].append(np.empty(0))
    for group in head.groups:
        counts = sink.counts(0, group.name)
        for channel, row in zip(group.channels, counts, strict=True):
            unit = known_unit(channel.unit)
            factor = 0.001 if channel.unit == "counts" and channel.axis else unit.to_si if unit else 1.0
            by_name[channel.name].append(row * (channel.scale / factor))
    return [by_name[name].pop(0) for name in head.metadata["columns"].values()]


def verdict(content: bytes, seed: str, folder: Path) -> str:
    """``refused`` or ``exact``; anything else is a failure, told with what was read."""
    *_, mapping, encoding = SEEDS[seed]
    path = folder / "mutant"
    path.write_bytes(content)
    sink = GatheringSink()
    try:
        (head,) = TextReader().read(GivenFile(path, "mutant.csv"), mapping, sink)
    except ReaderRefusal as refusal:
        typed = level_of(refusal.code) is Level.REFUSED and refusal.sentence()
        return "refused" if typed else f"refused as {refusal.code}"
    if head.metadata["dialect"]["encoding"].startswith("utf-16") != encoding.startswith("utf-16"):
        return f"read as {head.metadata['dialect']['encoding']}"
    read_as = {"tab": "\t", "comma": ",", "semicolon": ";", "blanks": " ", "bar": "|"}.get(head.metadata["dialect"]["delimiter"], "")
    try:
        expected = slow_rows(content.decode(encoding, errors="replace"), read_as, head.metadata["dialect"]["decimal"])
    except ValueError as error:
        return f"accepted though {error}"
    if len(expected) != head.groups[0].n_samples:
        return f"{head.groups[0].n_samples} samples read of {len(expected)}"
    if len({len(row) for row in expected}) != 1:
        return "accepted though rows differ in length"
    columns = columns_read(head, sink)
    table = np.array(expected).T
    if len(table) - len(columns) not in (0, 1):
        return f"{len(columns)} columns of {len(table)}"
    data = table[len(table) - len(columns) :]
    for found, wanted in zip(columns, data, strict=True):
        filled = wanted[np.isfinite(wanted)]
        if found.shape != filled.shape or not np.allclose(found, filled, rtol=1e-14, atol=0):
            return "other samples"
    return "exact"


def campaign(n: int, seed: int, folder: Path) -> collections.Counter:
    rng = random.Random(seed)
    names = list(SEEDS)
    outcomes: collections.Counter = collections.Counter()
    failures = []
    for _ in range(n):
        name = rng.choice(names)
        text, *_, encoding = SEEDS[name]
        content = mutated(text.encode(encoding), rng)
        try:
            outcome = verdict(content, name, folder)
        except Exception as error:  # noqa: BLE001 - any other exception is a failure too
            outcome = f"{type(error).__name__}: {error}"
        outcomes[outcome if outcome in ("refused", "exact") else "wrong"] += 1
        if outcome not in ("refused", "exact"):
            failures.append((name, outcome, content))
    for name, outcome, content in failures[:12]:
        print(name, outcome, content if len(content) < 400 else content[:400])
    return outcomes


@pytest.mark.parametrize("name", SEEDS)
def test_the_oracle_and_the_reader_agree_on_whole_files(tmp_path, name):
    text, *_, encoding = SEEDS[name]
    assert verdict(text.encode(encoding), name, tmp_path) == "exact"


@pytest.mark.parametrize("seed", range(3))
def test_damaged_files_are_read_exactly_or_refused(tmp_path, seed):
    outcomes = campaign(300, seed, tmp_path)
    assert outcomes["wrong"] == 0
    assert outcomes["exact"] > 45, "damage that leaves whole rows is still read"
    assert outcomes["refused"] > 45


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(100, 110))
def test_a_hundred_thousand_damaged_files_are_read_exactly_or_refused(tmp_path, seed):
    assert campaign(10_000, seed, tmp_path)["wrong"] == 0


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("bare", b"0.189053, -0.5\xff"),
        ("tab", b"# made by hand\n# sensor 7\nt_ms\tax_mg\tay_mg\taz_mg\n0\t0-.7\t-0.2\t1.7\n5\t0.7\t-1.6\t-0."),
    ],
)
def test_a_row_or_two_are_no_recording(tmp_path, name, content):
    """Nothing beside it tells a damaged cell from a column of text, which would be left out."""
    assert verdict(content, name, tmp_path) == "refused"


def test_the_oracle_notices_dropped_and_changed_rows(tmp_path, monkeypatch):
    """The test itself can fail: a reader that loses a row, or shifts a digit, is caught."""
    text, delimiter, decimal, *_ = SEEDS["bare"]
    assert len(slow_rows(text, delimiter, decimal)) == 40
    with pytest.raises(ValueError, match="could not convert"):
        slow_rows(text.replace("\n", "\n# ", 1), delimiter, decimal)
    honest = GatheringSink.samples
    monkeypatch.setattr(GatheringSink, "samples", lambda self, group, counts: honest(self, group, counts + 1))
    assert verdict(text.encode(), "bare", tmp_path) == "other samples"

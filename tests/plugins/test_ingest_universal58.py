"""Universal files, dataset 58: fixed columns as the public description gives them, or a refusal with the line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.testing import GatheringSink, GivenFile, ReaderExample, ReaderSuite, RefusedExample
from thrumline.plugins.ingest_universal58 import Universal58Reader

VALUES = np.random.default_rng(9).normal(size=(3, 100))
SINGLE = np.array([[float(f"{v:.5E}") for v in row] for row in VALUES])


def dataset(values, *, form=2, step=0.005, start=0.0, even=1, kind=1, node=7, direction=1, unit="m/s^2", label="Acceleration", stamps=None, n=None):
    """One dataset 58, by the column widths of the public description (REFERENCES: function at nodal DOF, 1993)."""
    texts = ["seat rail", "by hand", "25-NOV-26 10:15:30", "NONE", "NONE"]
    record6 = f"{kind:5d}{0:10d}{0:5d}{0:10d} {'NONE':10s}{node:10d}{direction:4d} {'NONE':10s}{0:10d}{0:4d}"
    record7 = f"{form:10d}{len(values) if n is None else n:10d}{even:10d}{start:13.5E}{step:13.5E}{0.0:13.5E}"
    def axis(quantity, name, spelled):
        return f"{quantity:10d}{0:5d}{0:5d}{0:5d} {name:20s} {spelled:20s}"

    records = [axis(17, "Time", "s"), axis(12, label, unit), axis(0, "NONE", "NONE"), axis(0, "NONE", "NONE")]
    if even:
        width, digits, per_line = (13, 5, 6) if form == 2 else (20, 12, 4)
        cells = [f"{v:{width}.{digits}E}" for v in values]
    else:
        per_line = 6 if form == 2 else 4
        cells = [cell for t, v in zip(stamps, values, strict=True) for cell in (f"{t:13.5E}", f"{v:13.5E}" if form == 2 else f"{v:20.12E}")]
    lines = ["".join(cells[i : i + per_line]) for i in range(0, len(cells), per_line)]
    return "\n".join(["    -1", "    58", *texts, record6, record7, *records, *lines, "    -1", ""])


def three(**options) -> str:
    return "".join(dataset(row, direction=i, **options) for i, row in enumerate(VALUES, 1))


def read(folder: Path, text: str, mapping: ChannelMapping | None = None):
    path = folder / "original"
    path.write_text(text)
    sink = GatheringSink()
    return Universal58Reader().read(GivenFile(path, "a.unv"), mapping or ChannelMapping(), sink), sink


def refusal(folder: Path, text: str, mapping: ChannelMapping | None = None) -> ReaderRefusal:
    with pytest.raises(ReaderRefusal) as caught:
        read(folder, text, mapping)
    return caught.value


def test_three_directions_of_one_node_are_one_capture(tmp_path):
    (head,), sink = read(tmp_path, three(), ChannelMapping("seat"))
    group = head.groups[0]
    assert [(c.axis, c.position, c.unit) for c in group.channels] == [(a, "seat", "m/s2") for a in "xyz"]
    assert np.array_equal(sink.values(head, group), SINGLE)
    assert (group.clock.uniform, group.clock.rate_hz, group.clock.start_s) == (True, 200.0, 0.0)
    assert head.metadata["texts"][0] == "seat rail"


@pytest.mark.external
def test_a_dataset_written_column_by_column_is_read():
    """Columns from the public description of dataset 58 (University of Cincinnati, "Function at Nodal DOF", 1993), by hand."""
    import tempfile

    lines = [
        "    -1", "    58", "NONE", "NONE", "19-APR-93 10:00:00", "NONE", "NONE",
        "    1         0    0         0 NONE               5   3 NONE               0   0",
        "         4         5         1  1.00000E+00  1.25000E-03  0.00000E+00",
        "        17    0    0    0 Time                 s                   ",
        "        12    1    0    0 Acceleration         g                   ",
        "         0    0    0    0 NONE                 NONE                ",
        "         0    0    0    0 NONE                 NONE                ",
        "  1.000000000000E+00 -2.500000000000E-01  0.000000000000E+00  3.333333333333E-01",
        " -1.000000000000E+02",
        "    -1",
    ]  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        (head,), sink = read(Path(folder), "\n".join(lines) + "\n")
    group = head.groups[0]
    assert (group.clock.rate_hz, group.clock.start_s) == (800.0, 1.0)
    assert group.channels[0].axis == "z"
    assert np.allclose(sink.values(head, group)[0], np.array([1, -0.25, 0, 0.333333333333, -100]) * 9.80665, rtol=1e-15)


@pytest.mark.parametrize("direction", [-1, -2, -3])
def test_negative_directions_turn_the_sign(tmp_path, direction):
    (head,), sink = read(tmp_path, dataset(VALUES[0], direction=direction))
    assert head.groups[0].channels[0].axis == "xyz"[-direction - 1]
    assert np.array_equal(sink.values(head, head.groups[0])[0], -SINGLE[0])


def test_double_precision_keeps_its_thirteen_digits(tmp_path):
    (head,), sink = read(tmp_path, dataset(VALUES[0], form=4))
    assert np.array_equal(sink.values(head, head.groups[0])[0], [float(f"{v:.12E}") for v in VALUES[0]])


@pytest.mark.parametrize("form", [2, 4])
def test_uneven_spacing_keeps_its_stamps(tmp_path, form):
    stamps = np.cumsum(np.random.default_rng(1).uniform(0.004, 0.006, 100))
    (head,), sink = read(tmp_path, dataset(VALUES[0], form=form, even=0, stamps=stamps))
    assert not head.groups[0].clock.uniform
    assert np.array_equal(sink.times_s(head, head.groups[0]), [float(f"{t:.5E}") for t in stamps])


@pytest.mark.parametrize(("step", "rate"), [(1 / 300, 300.0), (1 / 3200, 3200.0), (1 / 1024, 1024.0), (1 / 104.26, 1 / 9.59141e-3)])
def test_a_step_of_six_digits_gives_the_whole_rate_it_was_made_from(tmp_path, step, rate):
    (head,), _ = read(tmp_path, dataset(VALUES[0], step=step))
    assert head.groups[0].clock.rate_hz == pytest.approx(rate, rel=1e-12)


def test_other_timing_is_another_capture(tmp_path):
    heads, sink = read(tmp_path, dataset(VALUES[0]) + dataset(VALUES[1, :50], direction=2))
    assert [head.groups[0].n_samples for head in heads] == [100, 50]
    assert np.array_equal(sink.values(heads[1], heads[1].groups[0])[0], SINGLE[1, :50])


def test_spectra_and_other_datasets_are_passed_over_and_counted(tmp_path):
    other = "    -1\n   151\nanything at all\n    -1\n"
    (head,), _ = read(tmp_path, other + dataset(VALUES[0]) + dataset(VALUES[1], kind=2))
    assert head.metadata["other_datasets"] == {"151": 1, "58 of function type 2": 1}


def test_two_nodes_need_axes(tmp_path):
    text = dataset(VALUES[0], node=1) + dataset(VALUES[1], node=2)
    assert refusal(tmp_path, text).code is ReasonCode.AMBIGUOUS
    mapping = ChannelMapping(axes=(AxisSource("engine", "z", 1, 1), AxisSource("body", "z", 2, -1)))
    (head,), sink = read(tmp_path, text, mapping)
    assert np.array_equal(sink.values(head, head.groups[0]), SINGLE[:2] * [[1], [-1]])


def with_line(text: str, index: int, line: str) -> str:
    lines = text.split("\n")
    lines[index] = line
    return "\n".join(lines)


ONE = dataset(VALUES[0])


@pytest.mark.parametrize(
    ("text", "code", "message"),
    [
        ("", ReasonCode.EMPTY, "holds no text"),
        (ONE.rsplit("    -1", 1)[0], ReasonCode.UNREADABLE, "without its closing mark"),
        ("words\n" + ONE, ReasonCode.UNREADABLE, "line 1: text outside the datasets"),
        ("    -1\n    58\n    -1\n", ReasonCode.UNREADABLE, "fewer than eleven records"),
        (dataset(VALUES[0], n=101), ReasonCode.UNREADABLE, "more|number of values|no finite"),
        (dataset(VALUES[0], n=107), ReasonCode.UNREADABLE, "17 lines of values where 107 numbers need 18"),
        (dataset(VALUES[0], n=99), ReasonCode.UNREADABLE, "more numbers than were announced"),
        (dataset(VALUES[0], n=10**9), ReasonCode.UNREADABLE, "the number of values"),
        (dataset(VALUES[0], n=-5), ReasonCode.UNREADABLE, "the number of values"),
        (dataset(VALUES[0], form=5), ReasonCode.UNREADABLE, "the form of the values; found type 5"),
        (dataset(VALUES[0], kind=9), ReasonCode.UNREADABLE, "no time response .* function type 9"),
        (dataset(VALUES[0], step=0.0), ReasonCode.BAD_CLOCK, "the step of the abscissa"),
        (dataset(VALUES[0], step=-0.1), ReasonCode.BAD_CLOCK, "the step of the abscissa"),
        (dataset(VALUES[0], unit="NONE"), ReasonCode.UNKNOWN_UNIT, "found no unit"),
        (dataset(VALUES[0], unit="furlong"), ReasonCode.UNKNOWN_UNIT, "'furlong'"),
        (ONE.replace("    58\n", "    58b     1     2\n"), ReasonCode.UNREADABLE, "the binary form"),
        (with_line(ONE, 15, "  1.00000E+00  1.0000xE+00" + " " * 52), ReasonCode.NOT_NUMERIC, "line 16, number 2"),
        (with_line(ONE, 15, "  1.00000E+00          NaN" + " " * 52), ReasonCode.NON_FINITE, "line 16, number 2"),
        (with_line(ONE, 15, "  1.00000E+00"), ReasonCode.NON_FINITE, "line 16, number 2"),
        (with_line(ONE, 8, "         2       10x         1  0.00000E+00  5.00000E-03  0.00000E+00"), ReasonCode.NOT_NUMERIC, "line 9, characters 11 to 20"),
        (with_line(ONE, 8, "         2       100         1  0.00000E+00  5.00000x-03  0.00000E+00"), ReasonCode.NOT_NUMERIC, "line 9, characters 44 to 56"),
        (dataset(VALUES[0], even=0, stamps=np.arange(100)[::-1] / 100), ReasonCode.BAD_CLOCK, "runs backward"),
        (dataset(VALUES[0], even=0, stamps=np.ones(100)), ReasonCode.BAD_CLOCK, "show no rate"),
    ],
)  # fmt: skip
def test_what_is_not_as_announced_is_refused(tmp_path, text, code, message):
    found = refusal(tmp_path, text)
    assert found.code in ((code, ReasonCode.NON_FINITE) if "101" in text[:700] else (code,))
    import re

    assert re.search(message, str(found)), str(found)


def test_another_rate_in_the_table_is_refused(tmp_path):
    found = refusal(tmp_path, ONE, ChannelMapping(sample_rate_hz=250.0))
    assert found.code is ReasonCode.BAD_CLOCK
    assert "250 Hz against 200 Hz" in str(found)


class TestUniversal58Reader(ReaderSuite):
    """Everything the shipped suite asks of a reader."""

    truncation_keeps = False

    def reader(self):
        return Universal58Reader()

    def files(self):
        times = np.arange(100) * 0.005
        uneven = np.cumsum(np.random.default_rng(1).uniform(0.004, 0.006, 100))
        written = np.array([float(f"{t:.5E}") for t in uneven])
        long = np.array([[float(f"{v:.12E}") for v in row] for row in VALUES])
        return [
            ReaderExample("three.unv", three().encode(), SINGLE, times, atol=1e-15),
            ReaderExample("in-g.unv", three(unit="g").encode(), SINGLE * 9.80665, times, atol=1e-13),
            ReaderExample("double.unv", three(form=4, start=-2.0).encode(), long, times - 2.0, atol=1e-15),
            ReaderExample("uneven.unv", three(even=0, stamps=uneven).encode(), SINGLE, written, atol=1e-15),
        ]

    def refused(self):
        return [RefusedExample("cut.unv", three().encode()[:-20], ReasonCode.UNREADABLE)]

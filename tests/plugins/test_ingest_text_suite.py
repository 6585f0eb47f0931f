"""The shipped conformance suite for readers, held against the text reader in five dialects."""

from __future__ import annotations

import numpy as np

from thrumline.pipeline.contracts import ChannelMapping, ReasonCode
from thrumline.pipeline.testing import ReaderExample, ReaderSuite, RefusedExample
from thrumline.plugins.ingest_text import TextReader

G = 9.80665
VALUES = np.round(np.random.default_rng(21).normal(size=(3, 120)), 4)
TIMES = np.arange(120) / 250


def written(header: str, delimiter: str, decimal: str, stamps, end: str = "\n") -> str:
    lines = [header] if header else []
    for i, row in enumerate(VALUES.T):
        cells = ([stamps(i)] if stamps else []) + [f"{value:.4f}" for value in row]
        lines.append(delimiter.join(cell.replace(".", decimal) for cell in cells))
    return end.join(lines) + end


class TestTextReader(ReaderSuite):
    """Everything the suite asks of a reader."""

    def reader(self):
        return TextReader()

    def files(self):
        return [
            ReaderExample("plain.csv", written("time_s,x_g,y_g,z_g", ",", ".", lambda i: f"{i * 0.004:.3f}").encode(), VALUES * G, TIMES, atol=1e-13),
            ReaderExample("comma.csv", written("t [ms];x [mg];y [mg];z [mg]", ";", ",", lambda i: str(4 * i), "\r\n").encode("utf-16"), VALUES * G / 1000, TIMES, atol=1e-15),
            ReaderExample("tab.txt", written("", "\t", ".", None).encode(), VALUES, TIMES, ChannelMapping(unit="m/s2", sample_rate_hz=250.0), atol=1e-15),
            ReaderExample("stamps.csv", written("# by hand\ntimestamp,ax_g,ay_g,az_g", ",", ".", lambda i: f"2026-11-25T10:15:30.{4 * i:03d}Z").encode(), VALUES * G, TIMES, atol=1e-13),
            ReaderExample("jitter.csv", written("t_us,x_g,y_g,z_g", ",", ".", lambda i: str(4000 * i + 37 * (i % 3))).encode(), VALUES * G, TIMES + 37e-6 * (np.arange(120) % 3), atol=1e-13),
        ]  # fmt: skip

    def refused(self):
        plain = written("time_s,x_g,y_g,z_g", ",", ".", lambda i: f"{i * 0.004:.3f}")
        return [
            RefusedExample("nothing.csv", b"", ReasonCode.EMPTY),
            RefusedExample("prose.txt", b"this is\nno capture\nat all\n", ReasonCode.NOT_NUMERIC),
            RefusedExample("hole.csv", plain.replace("\n0.400,", "\nnan,", 1).encode(), ReasonCode.NON_FINITE),
            RefusedExample("unit.csv", plain.replace("_g", " [furlong]").encode(), ReasonCode.UNKNOWN_UNIT),
            RefusedExample("back.csv", plain.replace("\n0.400,", "\n0.040,").encode(), ReasonCode.BAD_CLOCK),
        ]

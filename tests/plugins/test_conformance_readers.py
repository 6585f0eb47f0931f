"""Built-in readers keep the shipped reader contract on files of the simulator in every dialect it writes."""

import io

import numpy as np
import pytest

from thrumline.pipeline.contracts import ChannelMapping, ReasonCode
from thrumline.pipeline.host import Host
from thrumline.pipeline.testing import (
    IdleSpec,
    ReaderExample,
    ReaderSuite,
    RefusedExample,
    TextDialect,
    as_written,
    capture_text,
    idle_capture,
)

CAPTURE = idle_capture(IdleSpec(duration_s=2.0, rate_hz=800.0), seed=4)
SEAT = ChannelMapping(position="seat-rail")
DIALECTS = {
    "comma-g.csv": TextDialect(),
    "semicolon-si.csv": TextDialect(
        delimiter=";", decimal=",", header="brackets", unit="m/s²", decimals=5, time="ms", time_decimals=3
    ),
    "tab-mg.txt": TextDialect(delimiter="\t", header="parentheses", unit="mg", decimals=3, start_s=-2.0,
                              preface=("# logger three-axis box",)),
    "marked-utf16.csv": TextDialect(encoding="utf-16-le", header="slash", unit="mg", decimals=3),
    "marked-utf8.csv": TextDialect(encoding="utf-8-sig", line_end="\r\n", header="units_row"),
    "micro.csv": TextDialect(time="us", time_decimals=0),
    "iso.csv": TextDialect(time="iso", delimiter=";"),
}  # fmt: skip


def reader_named(name):
    readers = Host.discover().readers
    if name not in readers:
        pytest.skip(f"reader {name!r} is not installed")
    return readers[name]()


class TestText(ReaderSuite):
    n_damaged = 10

    def reader(self):
        return reader_named("text")

    def files(self):
        return [
            ReaderExample(
                name, capture_text(CAPTURE, dialect), as_written(CAPTURE, dialect),
                None if dialect.time == "iso" else CAPTURE.time_s + dialect.start_s,
                SEAT, atol=1e-12, time_atol=1e-6,
            )
            for name, dialect in DIALECTS.items()
        ]  # fmt: skip

    def refused(self):
        plain = capture_text(CAPTURE, TextDialect()).decode()
        lines = plain.splitlines(keepends=True)
        word = "".join([*lines[:500], "0.6,1.0,overload,1.0\n", *lines[501:]])
        missing = "".join([*lines[:500], lines[500].rsplit(",", 1)[0] + ",nan\n", *lines[501:]])
        bare = capture_text(CAPTURE, TextDialect(header="bare"))
        timeless = capture_text(CAPTURE, TextDialect(time="none"))
        return [
            RefusedExample("empty.csv", b"", ReasonCode.EMPTY, SEAT),
            RefusedExample("header.csv", lines[0].encode(), ReasonCode.EMPTY, SEAT),
            RefusedExample("word.csv", word.encode(), ReasonCode.NOT_NUMERIC, SEAT),
            RefusedExample("no-unit.csv", bare, ReasonCode.UNKNOWN_UNIT, SEAT),
            RefusedExample("no-time.csv", timeless, ReasonCode.BAD_CLOCK, SEAT),
            RefusedExample("nan.csv", missing.encode(), ReasonCode.NON_FINITE, SEAT),
        ]


class TestTextWithoutUnits(ReaderSuite):
    """What the file does not say, the table may."""

    def reader(self):
        return reader_named("text")

    def files(self):
        dialect = TextDialect(header="none", time="none", unit="mg", decimals=3)
        said = ChannelMapping(position="seat-rail", unit="mg", sample_rate_hz=800.0)
        return [
            ReaderExample("bare.csv", capture_text(CAPTURE, dialect), as_written(CAPTURE, dialect),
                          CAPTURE.time_s, said)
        ]  # fmt: skip


def wav_bytes(bits):
    from scipy.io import wavfile

    per_count = 2 * 9.80665 / 2 ** (bits - 1)
    counts = np.round(CAPTURE.acceleration.T / per_count).astype(f"int{bits}")
    buffer = io.BytesIO()
    wavfile.write(buffer, 800, counts)
    return buffer.getvalue(), counts.T * per_count, per_count


class TestWav(ReaderSuite):
    def reader(self):
        return reader_named("wav")

    def files(self):
        found = []
        for bits in (16, 32):
            content, values, per_count = wav_bytes(bits)
            said = ChannelMapping(position="seat-rail", unit="counts", scale=per_count)
            found.append(ReaderExample(f"a{bits}.wav", content, values, CAPTURE.time_s, said, atol=1e-9))
        return found

    def refused(self):
        return [RefusedExample("no-scale.wav", wav_bytes(16)[0], ReasonCode.UNKNOWN_UNIT, SEAT)]

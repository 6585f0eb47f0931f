"""What is written is what was simulated, in every dialect, read back by parsers that are not ours."""

import csv
import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.io import wavfile

from thrumline.pipeline.contracts.units import MILLI_G, STANDARD_GRAVITY
from thrumline.pipeline.testing import IdleSpec, TextDialect, as_written, capture_text, idle_capture, write_wav
from thrumline.pipeline.testing.digits import decimal_column, decimal_counts, rows_of

CAPTURE = idle_capture(IdleSpec(duration_s=2.0), seed=1)


def parsed(text, dialect):
    """Rows of numbers by the standard library alone."""
    rows = list(csv.reader(io.StringIO(text), delimiter=dialect.delimiter))
    rows = [row for row in rows if not row[0].startswith("#")]
    n_head = {"none": 0, "units_row": 2}.get(dialect.header, 1)
    cells = [[cell.replace(dialect.decimal, ".") for cell in row] for row in rows[n_head:]]
    return rows[:n_head], np.array([[float(cell) for cell in row] for row in cells]).T


@pytest.mark.parametrize(
    "dialect",
    [
        TextDialect(),
        TextDialect(delimiter=";", decimal=",", header="brackets", unit="m/s²", time="ms", time_decimals=3),
        TextDialect(delimiter="\t", header="parentheses", unit="mg", decimals=3, start_s=-2.0, preface=("# a",)),
        TextDialect(header="units_row", time="us", time_decimals=0, line_end="\r\n"),
        TextDialect(header="slash", unit="mm/s2", decimals=1),
        TextDialect(header="none", time="epoch_ms", time_decimals=0),
        TextDialect(header="bare", time="none"),
    ],
    ids=lambda dialect: f"{dialect.header}-{dialect.time}",
)
def test_text_holds_the_samples_as_written(dialect):
    """Every cell, read by the standard library, is the stated value."""
    _, numbers = parsed(capture_text(CAPTURE, dialect).decode(), dialect)
    values = numbers if dialect.time == "none" else numbers[1:]
    np.testing.assert_allclose(values * dialect.known.to_si, as_written(CAPTURE, dialect), rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(
        as_written(CAPTURE, dialect), CAPTURE.acceleration,
        atol=0.5000001 * 10.0**-dialect.decimals * dialect.known.to_si, rtol=0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("form", "decimals", "to_s"), [("s", 6, 1.0), ("ms", 3, 1e-3), ("us", 0, 1e-6), ("s", 9, 1.0)]
)
def test_stamps_are_the_sample_instants(form, decimals, to_s):
    dialect = TextDialect(time=form, time_decimals=decimals, start_s=-0.5)
    _, numbers = parsed(capture_text(CAPTURE, dialect).decode(), dialect)
    np.testing.assert_allclose(numbers[0] * to_s, CAPTURE.time_s - 0.5, atol=0.51 * 10.0**-decimals * to_s)


def test_iso_and_epoch_stamps_tell_the_same_instants():
    iso = capture_text(CAPTURE, TextDialect(time="iso")).decode().splitlines()[1:]
    epoch = capture_text(CAPTURE, TextDialect(time="epoch_ms", time_decimals=3)).decode().splitlines()[1:]
    from_iso = np.array([np.datetime64(row.split(",")[0], "us") for row in iso]).astype(np.int64) / 1e3
    from_epoch = np.array([float(row.split(",")[0]) for row in epoch])
    np.testing.assert_allclose(from_iso, from_epoch, atol=1e-3)


@pytest.mark.parametrize(
    ("encoding", "codec"), [("utf-8-sig", "utf-8-sig"), ("utf-16-le", "utf-16"), ("utf-16-be", "utf-16")]
)
def test_byte_order_marks_are_honest(encoding, codec):
    marked = capture_text(CAPTURE, TextDialect(encoding=encoding, unit="m/s²", header="brackets"))
    plain = capture_text(CAPTURE, TextDialect(unit="m/s²", header="brackets")).decode()
    assert marked.decode(codec) == plain
    assert marked.decode("latin-1").encode("latin-1")[:2] in (b"\xef\xbb", b"\xff\xfe", b"\xfe\xff")


@given(st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=40), st.integers(0, 9))
def test_decimal_text_is_exact_for_any_number(numbers, decimals):
    """The text of n / 10**d read as a decimal number is n / 10**d, sign and zeros included."""
    from decimal import Decimal

    column = decimal_column(np.array(numbers, dtype=np.int64), decimals)
    lines = rows_of([column], ",", "\n").decode().splitlines()
    assert [Decimal(line) for line in lines] == [Decimal(n).scaleb(-decimals) for n in numbers]
    assert all(len(line.split(".")[1]) == decimals for line in lines) if decimals else "." not in "".join(lines)


def test_numbers_beyond_62_bits_are_refused():
    with pytest.raises(ValueError, match="do not fit into 62 bits"):
        decimal_counts(np.array([1e15]), 6)


def test_unknown_unit_is_refused_by_the_dialect():
    with pytest.raises(ValueError, match="no acceleration unit is spelled 'furlong'"):
        capture_text(CAPTURE, TextDialect(unit="furlong"))


@pytest.mark.parametrize("bits", [16, 32])
def test_wav_counts_times_scale_are_the_samples(tmp_path, bits):
    per_count = write_wav(tmp_path / "a.wav", CAPTURE, 2 * STANDARD_GRAVITY, bits)
    rate, counts = wavfile.read(tmp_path / "a.wav")
    assert rate == 800
    np.testing.assert_allclose(counts.T * per_count, CAPTURE.acceleration, atol=0.51 * per_count)


def test_wav_refuses_what_it_cannot_hold(tmp_path):
    with pytest.raises(ValueError, match="exceeds the full scale"):
        write_wav(tmp_path / "a.wav", CAPTURE, MILLI_G)
    odd = idle_capture(IdleSpec(duration_s=1.0, rate_hz=800.5), 0)
    with pytest.raises(ValueError, match="whole rates only"):
        write_wav(tmp_path / "a.wav", odd, 2 * STANDARD_GRAVITY)

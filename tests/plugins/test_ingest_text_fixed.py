"""Numbers of fixed decimals are read without a parser, and as the general parser reads them, bit for bit.

Order: what is taken, what is left to the general parser, whole files either way, damaged ones too.
"""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from thrumline.pipeline.contracts import ChannelMapping, ReaderRefusal
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins import ingest_text_fixed
from thrumline.plugins.ingest_text import TextReader
from thrumline.plugins.ingest_text_blocks import RowReader
from thrumline.plugins.ingest_text_clock import StampWatch, TimeScale, _ticks
from thrumline.plugins.ingest_text_fixed import MOST_DIGITS, fixed_columns
from thrumline.plugins.ingest_text_groups import ColumnFacts


def written(value: int, decimals: int, mark: str = ".") -> str:
    """``value`` counts of 10**-decimals as text."""
    digits = f"{abs(value):0{decimals + 1}d}"
    text = digits[: len(digits) - decimals] + (mark + digits[len(digits) - decimals :] if decimals else "")
    return ("-" if value < 0 else "") + text


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[list[int]], list[int], str, str, bool]:
    """Counts by row, decimals by column, delimiter, decimal mark, whether the last line is ended."""
    n_cells = draw(st.integers(2, 5))
    decimals = draw(st.lists(st.integers(0, 9), min_size=n_cells, max_size=n_cells))
    largest = [10 ** draw(st.integers(d + 1, MOST_DIGITS)) - 1 for d in decimals]
    row = st.tuples(*(st.integers(-most, most) for most in largest))
    rows = draw(st.lists(row, min_size=1, max_size=12))
    delimiter, mark = draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", ".")]))
    return [list(r) for r in rows], decimals, delimiter, mark, draw(st.booleans())


def text_of(rows, decimals, delimiter, mark, ended) -> bytes:
    lines = [delimiter.join(written(v, d, mark) for v, d in zip(row, decimals, strict=True)) for row in rows]
    return ("\n".join(lines) + ("\n" if ended else "")).encode()


@given(tables())
def test_every_number_is_the_double_nearest_to_its_text(table):
    """Against Python's own conversion; and the decimals told are those that were written."""
    rows, decimals, delimiter, mark, _ = table
    columns = fixed_columns(text_of(*table), len(decimals), delimiter, mark)
    assert columns is not None
    for cell, column in enumerate(columns):
        exact = np.array([float(written(row[cell], decimals[cell])) for row in rows])
        assert column.decimals == decimals[cell]
        assert column.counts.tolist() == [row[cell] for row in rows]
        assert column.values.tobytes() == exact.tobytes()


@given(tables())
def test_counts_fall_out_as_the_test_of_decimals_finds_them(table):
    """Decimals that are known give what looking at every value gives."""
    _, decimals, delimiter, mark, _ = table
    columns = fixed_columns(text_of(*table), len(decimals), delimiter, mark)
    for column in columns:
        for least in range(13):
            known, found = ColumnFacts(least), ColumnFacts(least)
            known.see_counts(column)
            found.see(column.values)
            assert known == found


@given(tables(), st.integers(1, 3))
def test_stamps_as_counts_tell_what_the_same_stamps_as_values_tell(table, n_blocks):
    """Decimals, order, repeats and ticks, of stamps that rise or do not, in one block or some."""
    rows, decimals, delimiter, mark, _ = table
    for rising in (False, True):
        told = sorted(rows) if rising else rows
        columns = fixed_columns(text_of(told, *table[1:]), len(decimals), delimiter, mark)
        counted, valued = StampWatch(), StampWatch()
        for block in range(n_blocks):
            counted.push_counts(columns[0] if block < 2 else columns[1], str)
            valued.push((columns[0] if block < 2 else columns[1]).values, str)
        for name in ("n", "n_backward", "n_repeated", "_decimals", "_first", "_last", "_backward"):
            assert getattr(counted, name) == getattr(valued, name)
        scale = TimeScale(1.0, valued._decimals)
        for one, other in zip(counted._kept, valued._kept, strict=True):
            assert _ticks(one, scale).tolist() == scale.ticks(other).tolist()


def test_minus_zero_keeps_its_sign():
    columns = fixed_columns(b"-0.00,1\n0.00,-0\n", 2, ",", ".")
    assert [np.signbit(c.values).tolist() for c in columns] == [[True, False], [False, True]]


@pytest.mark.parametrize(
    "text",
    [
        b"1.5,2.5\n1.25,2.5\n", b"1.5,2.5\n+1.5,2.5\n", b"1.5,2.5\n1e5,2.5\n", b"1.5,2.5\n 1.5,2.5\n", b"1.5,2.5\n1.5 ,2.5\n",
        b"1.5,2.5\n--1.5,2.5\n", b"1.5,2.5\n1-.5,2.5\n", b"1.5,2.5\n-.5,2.5\n", b"1.5,2.5\n,2.5\n", b"1.5,2.5\n1.5.5,2.5\n",
        b"1.5,2.5\n.1.5,2.5\n", b"1.5,2.5\n1.5,nan\n", b"1.5,2.5\n1.5,2.5,3.5\n", b"1.5,2.5\n1.5\n", b"1.5,2.5\n\n",
        b"1.5\n2.5,1.5,2.5\n", b"1.5,2.5\n1.5,2x5\n", b"1.5,2.5\n1.5,2\x005\n", b"1.5,2.5\n1.5,2\xb25\n", b"1.5,2.5\n-,2.5\n",
        b"1,2\n3,4-\n", b"1234567890123456,1\n1,1\n", b"0.1234567890123456,1\n0.1234567890123456,1\n", b"x,2.5\n1.5,2.5\n",
        b"1.5,2.5\n1.5,2:5\n", b"1.5,2.5\n1/5,2.5\n", b"1.5,2.5\n1.5,2.5\x1a\n", b"-1.5,2.5\n-1,5.25\n",
    ],
)  # fmt: skip
def test_any_byte_out_of_place_leaves_the_block_to_the_general_parser(text):
    """None is no refusal: what is wrong, if anything, is for the parser that looks at cells to say."""
    assert fixed_columns(text, 2, ",", ".") is None


def outcome(path: Path, mapping: ChannelMapping):
    """What a reading gives: the heads and all counts and stamps, or the words of its refusal."""
    sink = GatheringSink()
    try:
        heads = TextReader().read(GivenFile(path, "a.csv"), mapping, sink)
    except ReaderRefusal as refusal:
        return str(refusal)
    groups = [group for head in heads for group in head.groups]
    counts = [sink.counts(0, group.name) for group in groups]
    stamps = [None if group.clock.uniform else sink.ticks(0, group.name).tobytes() for group in groups]
    return heads, [(array.dtype, array.tobytes()) for array in counts], stamps


def either_way(path: Path, mapping: ChannelMapping):
    fast = outcome(path, mapping)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RowReader, "_fixed", lambda *_: None)
        return fast, outcome(path, mapping)


DAMAGE = b"0123456789.,;-+ \n\r\te\"x\x00\xff"


def damaged(content, damage):
    """The bytes with one of them changed, or one put in, at a share of their length; None leaves them."""
    if damage is None:
        return content
    place, byte, put_in = damage
    at = int(place * (len(content) - 1))
    return content[:at] + bytes([byte]) + content[at + (not put_in) :]


@settings(max_examples=300, deadline=None)
@given(tables(), st.integers(3, 40), st.none() | st.tuples(st.floats(0, 1), st.sampled_from(DAMAGE), st.booleans()))
@example(([[0, -1], [5, 7]], [1, 1], ";", ".", True), 20, None)
def test_a_file_gives_the_same_samples_or_the_same_refusal_either_way(tmp_path_factory, table, n, damage):
    """Numbers of fixed decimals under a header, as they are or with one byte changed or put in anywhere."""
    rows, decimals, delimiter, mark, ended = table
    header = delimiter.join(["x_g", "y_g", "z_g", "rpm", "temp_c"][: len(decimals)]) + "\n"
    many = (rows * n)[: max(n, len(rows))]
    content = header.encode() + text_of(many, decimals, delimiter, mark, ended)
    path = tmp_path_factory.mktemp("either") / "a"
    path.write_bytes(damaged(content, damage))
    fast, general = either_way(path, ChannelMapping(sample_rate_hz=100.0))
    assert fast == general
    assert damage is not None or not isinstance(fast, str)


@settings(max_examples=300, deadline=None)
@given(
    st.integers(2, 60), st.integers(0, 2**32 - 1), st.sampled_from([40, 200, 1 << 20]), st.integers(1, 9),
    st.none() | st.tuples(st.floats(0, 1), st.sampled_from(b"0123456789.,/-+:;\n\x00\xb5"), st.booleans()),
)  # fmt: skip
def test_rows_of_one_width_but_for_signs_and_time_are_read_alike_either_way(
    tmp_path_factory, n, seed, piece, decimals, damage
):
    """What most loggers write, in pieces of any size; one byte changed or put in anywhere."""
    generator = np.random.default_rng(seed)
    counts = generator.integers(-(10 ** (decimals + 1)) + 1, 10 ** (decimals + 1), (n, 3)) // 10 ** generator.integers(0, 3)
    times = generator.integers(0, 1100) + np.arange(n) * generator.integers(1, 20)
    rows = [",".join([written(t, 2), *(written(v, decimals) for v in row)]) for t, row in zip(times.tolist(), counts.tolist(), strict=True)]
    content = ("time_s,x_g,y_g,z_g\n" + "\n".join(rows) + "\n").encode()
    path = tmp_path_factory.mktemp("width") / "a"
    path.write_bytes(damaged(content, damage))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ingest_text_fixed, "_PIECE_BYTES", piece)
        fast, general = either_way(path, ChannelMapping())
    assert fast == general


@given(tables(), st.sampled_from([1, 40, 100]))
def test_pieces_of_any_size_give_the_same_columns(table, piece):
    """Lines are never cut, and one longer than a piece is a piece of its own."""
    _, decimals, delimiter, mark, _ = table
    text = text_of(*table)
    whole = fixed_columns(text, len(decimals), delimiter, mark)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ingest_text_fixed, "_PIECE_BYTES", piece)
        cut = fixed_columns(text, len(decimals), delimiter, mark)
    for one, other in zip(whole, cut, strict=True):
        assert one.counts.tolist() == other.counts.tolist()
        assert one.negative.tolist() == other.negative.tolist()
        assert one.decimals == other.decimals


def test_blocks_of_other_decimals_are_put_together_exactly(tmp_path, monkeypatch):
    """A logger that writes fewer decimals from some row on: each block is read by its own, the counts share one scale."""
    from thrumline.plugins import ingest_text_blocks

    rows = [f"{i * 0.01:.2f},{i % 7}.{i % 10}{'25' if i > 300 else ''},0.5" for i in range(600)]
    path = tmp_path / "a"
    path.write_text("time_s,x_g,y_g\n" + "\n".join(rows) + "\n")
    for size in (1000, 4096, 1 << 22):
        monkeypatch.setattr(ingest_text_blocks, "BLOCK_BYTES", size)
        fast, general = either_way(path, ChannelMapping())
        assert fast == general
        assert not isinstance(fast, str)


def test_the_quick_way_is_taken_for_what_loggers_write(tmp_path, monkeypatch):
    """Else all of the above would compare the general parser with itself."""
    path = tmp_path / "a"
    path.write_text("time_s,x_g,y_g,z_g\n" + "".join(f"{i / 500:.6f},{i % 9 - 4}.125000,-0.000061,1.004441\n" for i in range(5000)))
    monkeypatch.setattr(RowReader, "_parsed", lambda *_: pytest.fail("the general parser was asked"))
    heads, *_ = outcome(path, ChannelMapping())
    assert heads[0].groups[0].n_samples == 5000
    assert heads[0].groups[0].clock.rate_hz == 500.0


def test_what_was_sniffed_is_not_taken_for_another_file(tmp_path):
    """A reader looks at a file's head once for both questions, but only while it is the same head."""
    reader, results = TextReader(), []
    texts = ["x_g,y_g,z_g\n" + "1.5,2.5,3.5\n" * 9, "x_g;y_g;z_g\n" + "1,5;2,5;3,5\n" * 9]
    for sniffed, read in ((0, 0), (0, 1), (1, 1), (1, 0)):
        reader.sniff(texts[sniffed].encode(), "a.csv")
        (tmp_path / "a").write_text(texts[read])
        sink = GatheringSink()
        (head,) = reader.read(GivenFile(tmp_path / "a", "a.csv"), ChannelMapping(sample_rate_hz=50.0), sink)
        results.append((head.metadata["dialect"]["delimiter"], sink.counts(0, "signal").tolist()))
    wanted = [[15] * 9, [25] * 9, [35] * 9]
    assert results == [("comma", wanted), ("semicolon", wanted), ("semicolon", wanted), ("comma", wanted)]


ONE_FILE = """
import sys
from pathlib import Path
from types import SimpleNamespace
from thrumline.pipeline.contracts import ChannelMapping
from thrumline.plugins import ingest_text_fixed
from thrumline.plugins.ingest_text import TextReader
path = Path(sys.argv[1])
reader, got = TextReader(), []
assert reader.sniff(path.read_bytes()[:65536], path.name) > 0.5
reader.warm()
warmed = "pandas" in sys.modules
sink = SimpleNamespace(begin=got.append, samples=lambda _, counts: got.append(counts.shape), stamps=lambda *_: None)
reader.read(SimpleNamespace(path=path, name=path.name), ChannelMapping(), sink)
print(warmed, "pandas" in sys.modules, got[1])
"""


@pytest.mark.parametrize(
    ("row", "warmed", "loaded"),
    [
        ("{t:.4f},{x:.6f},{x:.3f},{x:.6f}\n", False, False), ("{t:.4f},{x:.6f},{x:.3f},{x:.6f}\r\n", False, False),
        ("{t:.4f},{x:.6e},{x:.3f},{x:.6f}\n", True, True), ("{t:.4f} {x:.6f} {x:.3f} {x:.6f}\n", True, True),
    ],
    ids=["plain", "line ends of two", "exponents", "blanks"],
)  # fmt: skip
def test_the_general_parser_is_imported_only_for_files_that_need_it(tmp_path, row, warmed, loaded):
    """It takes a quarter of a second, in every process that reads."""
    path = tmp_path / "idle.csv"
    ends = "\r\n" if row.endswith("\r\n") else "\n"
    names = ["time [s]", "x [g]", "y [g]", "z [g]"]
    separator = " " if " " in row else ","
    head = separator.join(name.replace(" ", "_") for name in names) + ends
    text = "".join(row.format(t=n / 400, x=math.sin(n)) for n in range(8000))
    path.write_bytes((head + text).encode())
    done = subprocess.run([sys.executable, "-c", ONE_FILE, path], capture_output=True, text=True, check=True)
    assert done.stdout.split(" ", 2) == [str(warmed), str(loaded), "(3, 8000)\n"]


def test_a_file_that_turns_out_to_need_the_general_parser_gets_it(tmp_path):
    """Past its head: the first exponent stands in the last row."""
    path = tmp_path / "idle.csv"
    rows = [f"{n / 400:.4f},{math.sin(n):.6f},{math.cos(n):.6f},{0.5:.6f}\n" for n in range(8000)]
    path.write_text("time_s,x_g,y_g,z_g\n" + "".join(rows) + "20.0000,1e-3,0.000000,0.000000\n")
    assert path.stat().st_size > 65536
    done = subprocess.run([sys.executable, "-c", ONE_FILE, path], capture_output=True, text=True, check=True)
    assert done.stdout.split(" ", 2) == ["False", "True", "(3, 8001)\n"]

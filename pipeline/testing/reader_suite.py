"""Conformance of readers: exactly the samples the file holds, or a typed refusal, never anything else."""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..contracts import CaptureHead, ChannelMapping, Level, Reader, ReaderRefusal, ReasonCode, level_of
from .gathering import GatheringSink, GivenFile

HEAD_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class ReaderExample:
    """A file a reader has to read: name, bytes, what is said about it, and the samples it holds.

    ``values`` [shape=(n_channel, n), SI] of the first group of the first capture, good to ``atol``;
    ``times_s`` [shape=(n,)] good to ``time_atol``, or None where the file tells no time.
    """

    name: str
    content: bytes
    values: npt.NDArray[np.float64]
    times_s: npt.NDArray[np.float64] | None = None
    mapping: ChannelMapping = field(default_factory=ChannelMapping)
    atol: float = 1e-12
    time_atol: float = 1e-9


@dataclass(frozen=True, slots=True)
class RefusedExample:
    """A file a reader has to refuse, and the code of the refusal."""

    name: str
    content: bytes
    code: ReasonCode
    mapping: ChannelMapping = field(default_factory=ChannelMapping)


class ReaderSuite:
    """Checks for a reader; write ``reader``, ``files`` and ``refused``.

    ``n_damaged`` damaged copies of every file are tried; ``truncation_keeps`` says that a file cut short may
    be read as the rows that are left (the last of which may be torn).
    """

    n_damaged: int = 40
    truncation_keeps: bool = True

    def reader(self) -> Reader:
        """A fresh reader."""
        raise NotImplementedError("write reader()")

    def files(self) -> Sequence[ReaderExample]:
        """Files the reader has to read."""
        raise NotImplementedError("write files()")

    def refused(self) -> Sequence[RefusedExample]:
        """Files the reader has to refuse."""
        return ()

    def test_name_version_and_pickling(self) -> None:
        """The reader child imports the class by name; its version is part of a capture's identity."""
        kind = type(self.reader())
        assert kind.name.isidentifier()
        assert type(kind.numeric_version) is int
        assert kind.numeric_version >= 1
        assert pickle.loads(pickle.dumps(kind)) is kind  # noqa: S301
        assert isinstance(kind(), Reader), "a reader is made without arguments"

    def test_sniffing_is_sure_of_own_files_and_calm_about_others(self) -> None:
        """Confidence lies in 0 to 1, is highest for own files, and no bytes make it raise."""
        rng = np.random.default_rng(7)
        noise = rng.integers(0, 256, 4096).astype(np.uint8).tobytes()
        foreign = [b"", b"\x00" * 512, noise, b"\x89PNG\r\n\x1a\n" + noise, b"PK\x03\x04" + noise]
        doubts = [self.reader().sniff(head, "unknown.bin") for head in foreign]
        for example in self.files():
            sure = self.reader().sniff(example.content[:HEAD_BYTES], example.name)
            assert 0.0 < sure <= 1.0, f"{example.name}: {sure}"
            assert all(0.0 <= doubt < sure for doubt in doubts), f"{example.name}: {sure} against {doubts}"

    def test_samples_are_exactly_those_in_the_file(self) -> None:
        """The worst failure of all is excluded first."""
        for example in self.files():
            heads, sink = self.read(example.content, example.name, example.mapping)
            found = sink.values(heads[0], heads[0].groups[0])
            assert found.shape == example.values.shape, f"{example.name}: {found.shape}, {example.values.shape}"
            apart = float(np.max(np.abs(found - example.values), initial=0.0))
            assert apart <= example.atol, f"{example.name}: apart by {apart}"

    def test_clock_is_that_of_the_file(self) -> None:
        """Start, rate and stamps give the instants back."""
        for example in self.files():
            if example.times_s is None:
                continue
            heads, sink = self.read(example.content, example.name, example.mapping)
            apart = np.abs(sink.times_s(heads[0], heads[0].groups[0]) - example.times_s)
            assert float(apart.max(initial=0.0)) <= example.time_atol, f"{example.name}: {apart.max()} s"

    def test_heads_agree_with_what_went_into_the_sink(self) -> None:
        """Counts, dtypes, channels and stamps are as the head says, for every group."""
        for example in self.files():
            heads, sink = self.read(example.content, example.name, example.mapping)
            assert heads, f"{example.name}: no capture and no refusal"
            assert [head.index for head in heads] == list(range(len(heads)))
            for head in heads:
                self._check_head(head, sink, example.name)

    def test_reading_twice_gives_the_same(self) -> None:
        """No state stays in the reader."""
        reader = self.reader()
        for example in self.files():
            (first, one), (second, two) = (
                self.read(example.content, example.name, example.mapping, reader) for _ in range(2)
            )
            assert first == second
            name = first[0].groups[0].name
            assert np.array_equal(one.counts(0, name), two.counts(0, name))

    def test_heads_round_trip_through_their_json_form(self) -> None:
        """A capture's manifest carries the head."""
        for example in self.files():
            heads, _ = self.read(example.content, example.name, example.mapping)
            assert [CaptureHead.from_json(head.as_json()) for head in heads] == heads

    def test_files_that_cannot_be_trusted_are_refused_with_their_code(self) -> None:
        """A refusal is typed, names its code, and says what was found."""
        for example in self.refused():
            _, refusal = self._outcome(example.content, example.name, example.mapping)
            assert refusal is not None, f"{example.name} was read, wanted {example.code}"
            assert refusal.code == example.code, f"{example.name}: {refusal.code}, wanted {example.code}"
            assert refusal.sentence(), example.name

    def test_damage_ends_in_a_typed_refusal_or_in_readable_samples(self) -> None:
        """Random damage never escapes as another error, and every accepted head fits its samples."""
        rng = np.random.default_rng(11)
        for example in self.files():
            for _ in range(self.n_damaged):
                self._survives(_damaged(example.content, rng), example)

    def test_a_file_cut_short_is_refused_or_read_as_far_as_it_goes(self) -> None:
        """No truncation gives samples the file did not hold."""
        rng = np.random.default_rng(13)
        for example in self.files():
            for length in rng.integers(1, len(example.content), 12):
                heads, sink = self._survives(example.content[: int(length)], example) or (None, None)
                if heads is None or sink is None:
                    continue
                assert self.truncation_keeps, f"{example.name} cut to {length} bytes was read"
                found = sink.values(heads[0], heads[0].groups[0])
                whole = max(found.shape[1] - 1, 0)
                apart = np.abs(found[:, :whole] - example.values[:, :whole])
                assert float(apart.max(initial=0.0)) <= example.atol, f"{example.name} cut to {length} bytes"

    def read(
        self, content: bytes, name: str, mapping: ChannelMapping, reader: Reader | None = None
    ) -> tuple[list[CaptureHead], GatheringSink]:
        """Write the bytes to a file and read them."""
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "original"
            path.write_bytes(content)
            sink = GatheringSink()
            heads = (reader or self.reader()).read(GivenFile(path, name), mapping, sink)
            assert path.read_bytes() == content, "the reader changed the original"
        return heads, sink

    def _outcome(
        self, content: bytes, name: str, mapping: ChannelMapping
    ) -> tuple[tuple[list[CaptureHead], GatheringSink] | None, ReaderRefusal | None]:
        try:
            return self.read(content, name, mapping), None
        except ReaderRefusal as refusal:
            return None, refusal

    def _survives(self, content: bytes, example: ReaderExample) -> tuple[list[CaptureHead], GatheringSink] | None:
        """What was read, or None after a refusal; heads and codes are checked on the way."""
        read, refusal = self._outcome(content, example.name, example.mapping)
        assert refusal is None or level_of(refusal.code) is Level.REFUSED, f"{refusal} is no refusal"
        if read is not None:
            for head in read[0]:
                self._check_head(head, read[1], example.name)
        return read

    def _check_head(self, head: CaptureHead, sink: GatheringSink, name: str) -> None:
        assert head.reader == type(self.reader()).name, name
        assert head.groups, f"{name}: a capture without a group"
        for group in head.groups:
            counts: npt.NDArray[Any] = sink.counts(head.index, group.name)
            assert counts.shape == (len(group.channels), group.n_samples), f"{name}, group {group.name}"
            assert str(counts.dtype) == group.dtype, f"{name}: {counts.dtype} against {group.dtype}"
            assert np.all(np.isfinite(counts)), f"{name}: counts that are no numbers"
            ticks = sink.ticks(head.index, group.name)
            assert group.clock.rate_hz > 0, f"{name}: rate {group.clock.rate_hz}"
            assert group.clock.uniform or (ticks is not None and len(ticks) == group.n_samples), f"{name}: stamps"
            for channel in group.channels:
                assert channel.quantity != "acceleration" or channel.si == "m s-2", f"{name}: {channel}"


def _damaged(content: bytes, rng: np.random.Generator) -> bytes:
    """The bytes with some overwritten, some cut out, or some said twice."""
    damaged = bytearray(content)
    at = int(rng.integers(0, len(damaged)))
    width = int(rng.integers(1, 200))
    kind = int(rng.integers(0, 3))
    if kind == 0:
        for place in rng.integers(0, len(damaged), 4):
            damaged[int(place)] = int(rng.integers(0, 256))
    elif kind == 1:
        del damaged[at : at + width]
    else:
        damaged[at:at] = damaged[at : at + width]
    return bytes(damaged) or b"\x00"

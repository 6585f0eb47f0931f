"""One file by itself: what a reader makes of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..contracts import CaptureHead, ChannelMapping, ReaderRefusal, ReasonCode
from ..execution.intake import chosen_reader
from ..execution.reader_child import ReaderChild
from ..execution.samples import CaptureSamples, HeldArray
from ..host import Host


@dataclass(slots=True)
class HeldSink:
    """Keeps what a reader passes on, in memory: for looking at one file, not for batches."""

    blocks: dict[tuple[int, str], list[npt.NDArray[Any]]] = field(default_factory=dict)
    index: int = 0

    def begin(self, index: int) -> None:
        """Start the capture with this index."""
        self.index = index

    def samples(self, group: str, counts: npt.NDArray[np.generic]) -> None:
        """Keep native counts."""
        self.blocks.setdefault((self.index, f"{group}_counts"), []).append(np.array(counts))

    def stamps(self, group: str, ticks: npt.NDArray[np.generic]) -> None:
        """Keep time stamps."""
        self.blocks.setdefault((self.index, f"{group}_stamps"), []).append(np.array(ticks))

    def arrays(self, index: int) -> Mapping[str, HeldArray]:
        """One capture's arrays by name."""
        return {
            name: HeldArray(np.concatenate(blocks, axis=-1))
            for (number, name), blocks in self.blocks.items()
            if number == index
        }


@dataclass(frozen=True, slots=True)
class ReadFile:
    """A file that was read: which reader, its heads, its samples, and how the reader understood it."""

    reader: str
    heads: tuple[CaptureHead, ...]
    sink: HeldSink
    description: Mapping[str, Any]


def read_file(path: Path | str, mapping: ChannelMapping | None = None) -> ReadFile:
    """Read one file outside any archive, in the reader child. Raises ReaderRefusal."""
    return read_files([Path(path)], mapping)[0]


def read_files(paths: Sequence[Path], mapping: ChannelMapping | None = None) -> list[ReadFile]:
    """Read files outside any archive, one after the other in one reader child. Raises ReaderRefusal."""
    child = ReaderChild(Host.discover().reader_paths)
    try:
        return [_read(child, path, mapping or ChannelMapping()) for path in paths]
    finally:
        child.close()


def _read(child: ReaderChild, path: Path, mapping: ChannelMapping) -> ReadFile:
    if not path.is_file():
        raise ReaderRefusal(ReasonCode.MISSING_FILE, f"file {str(path)!r}", found="no such file", todo="mend the path")
    sink = HeldSink()
    reader = chosen_reader(child, path, path.name)
    description = child.describe(path, path.name, reader, mapping)
    heads = child.read(path, path.name, reader, mapping, sink)
    return ReadFile(reader, tuple(heads), sink, description)


def inspect_file(path: Path | str, mapping: ChannelMapping | None = None) -> dict[str, Any]:
    """What a reader makes of a file: format, dialect, channels, units, rate, gaps, first rows.

    Raises ReaderRefusal, whose sentence says what to give with the file.
    """
    read = read_file(path, mapping)
    captures = [_capture_view(head, read.sink.arrays(head.index)) for head in read.heads]
    return {"file": str(path), "format": read.reader, "description": dict(read.description), "captures": captures}


def _capture_view(head: CaptureHead, arrays: Mapping[str, HeldArray]) -> dict[str, Any]:
    group = head.groups[0]
    samples = CaptureSamples(head, arrays, list({c.quantity for c in group.channels}))
    return {
        "index": head.index,
        "recorded_at": head.recorded_at,
        "metadata": dict(head.metadata),
        "rate_hz": group.clock.rate_hz,
        "uniform": group.clock.uniform,
        "n_samples": group.n_samples,
        "duration_s": samples.span_s[1] - samples.span_s[0],
        "start_s": samples.span_s[0],
        "gaps_s": [list(gap) for gap in samples.gaps],
        "clock": dict(samples.context({}).clock),
        "channels": [_channel_view(head, i, arrays) for i in range(len(group.channels))],
        "other_groups": [g.name for g in head.groups[1:]],
    }


def _channel_view(head: CaptureHead, index: int, arrays: Mapping[str, HeldArray]) -> dict[str, Any]:
    group = head.groups[0]
    channel = group.channels[index]
    counts = arrays[f"{group.name}_counts"].values[index]
    values = counts * channel.scale + channel.offset
    return {
        "name": channel.name, "quantity": channel.quantity, "unit": channel.unit, "si": channel.si,
        "position": channel.position, "axis": channel.axis, "first": [float(v) for v in values[:5]],
        "mean": float(values.mean()), "least": float(values.min()), "greatest": float(values.max()),
    }  # fmt: skip

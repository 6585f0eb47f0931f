"""A sink that keeps everything a reader hands over, and the checks its call order has to pass."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..contracts import CaptureHead, GroupHead


@dataclass(frozen=True, slots=True)
class GivenFile:
    """A file as a reader gets it: where it is, and the name it came with."""

    path: Path
    name: str


class GatheringSink:
    """Keeps samples and stamps by capture and group; meant for tests and small files."""

    def __init__(self) -> None:
        self._index: int | None = None
        self._samples: dict[tuple[int, str], list[npt.NDArray[Any]]] = {}
        self._stamps: dict[tuple[int, str], list[npt.NDArray[Any]]] = {}

    def begin(self, index: int) -> None:
        """Start the capture with this index. Raises ValueError where one begins twice."""
        if any(key[0] == index for key in self._samples):
            raise ValueError(f"capture {index} begins twice")
        self._index = index

    def samples(self, group: str, counts: npt.NDArray[np.generic]) -> None:
        """Keep native counts. Raises ValueError before ``begin``, for another shape, for another dtype."""
        kept = self._samples.setdefault((self._current(), group), [])
        if counts.ndim != 2:
            raise ValueError(f"counts of group {group!r} have shape {counts.shape}, wanted (n_channel, n)")
        if kept and (kept[0].dtype != counts.dtype or len(kept[0]) != len(counts)):
            raise ValueError(f"group {group!r} changes from {kept[0].dtype} x {len(kept[0])}")
        kept.append(counts.copy())

    def stamps(self, group: str, ticks: npt.NDArray[np.generic]) -> None:
        """Keep time stamps. Raises ValueError before ``begin``."""
        self._stamps.setdefault((self._current(), group), []).append(ticks.copy())

    def counts(self, index: int, group: str) -> npt.NDArray[Any]:
        """All counts of one group [shape=(n_channel, n)]."""
        return np.concatenate(self._samples[(index, group)], axis=1)

    def ticks(self, index: int, group: str) -> npt.NDArray[Any] | None:
        """All stamps of one group [shape=(n,)], or None where none came."""
        kept = self._stamps.get((index, group))
        return None if kept is None else np.concatenate(kept)

    def values(self, head: CaptureHead, group: GroupHead) -> npt.NDArray[np.float64]:
        """SI values of a group: counts times scale plus offset [shape=(n_channel, n)]."""
        counts = self.counts(head.index, group.name)
        scale = np.array([channel.scale for channel in group.channels])[:, None]
        offset = np.array([channel.offset for channel in group.channels])[:, None]
        return np.asarray(counts * scale + offset, dtype=np.float64)

    def times_s(self, head: CaptureHead, group: GroupHead) -> npt.NDArray[np.float64]:
        """Seconds of a group's samples [shape=(n,)], by its clock or its stamps."""
        clock, ticks = group.clock, self.ticks(head.index, group.name)
        if clock.uniform or ticks is None:
            return clock.start_s + np.arange(group.n_samples) / clock.rate_hz
        return np.asarray(ticks * clock.tick_s if clock.tick_s else ticks, dtype=np.float64)

    def _current(self) -> int:
        if self._index is None:
            raise ValueError("samples came before begin()")
        return self._index

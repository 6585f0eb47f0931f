"""Frames of fixed length at a fixed hop from the start of a run, however the samples arrive.

Every frame-based estimator uses this one framer, so the block rule is kept in one place: which frames exist
depends on the run alone, never on where its samples were cut.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

AnyFloat = npt.NDArray[np.floating[Any]]


class Framer:
    """Cuts a run into frames [start k * hop, length samples], carrying what a frame still lacks.

    Parameters
    ----------
    length, hop
        Samples in a frame, and between the starts of neighbours; ``1 <= hop <= length``.

    Raises
    ------
    ValueError
        Length or hop out of range.
    """

    def __init__(self, length: int, hop: int) -> None:
        if not 1 <= hop <= length:
            msg = f"frames of {length} samples every {hop}: wanted 1 <= hop <= length"
            raise ValueError(msg)
        self.length, self.hop = length, hop
        self._carried: list[AnyFloat] = []
        self._n_carried = 0
        self._first: int | None = None

    def restart(self) -> None:
        """Forget the carried samples: the next push begins a new run or a new part of one."""
        self._carried, self._n_carried, self._first = [], 0, None

    @property
    def expects(self) -> int | None:
        """Index of the next sample within the run, or None before the first push."""
        return None if self._first is None else self._first + self._n_carried

    def push(self, values: AnyFloat, first: int) -> list[tuple[int, AnyFloat]]:
        """Take consecutive samples and give the frames they complete.

        Parameters
        ----------
        values
            [shape=(n_channel, n)], kept only as far as later frames need them.
        first
            Index of the first sample within its run. After a restart any value is right: frames begin at
            the next multiple of ``hop``, so a later part of a run makes the same frames as the whole.

        Returns
        -------
        list of tuple
            At most two groups: index of the first frame in the run, and the frames [shape=(n_channel, n_frame,
            length)] as a read-only view that is valid until the samples change.

        Raises
        ------
        ValueError
            The samples do not follow on those pushed before.
        """
        if self._first is None:
            self._first = first
        elif first != self.expects:
            msg = f"block starts at sample {first}, expected {self.expects}; restart the framer for a new run"
            raise ValueError(msg)
        if not self._carried:
            # a part that starts between frames leaves what belongs to none of its own
            skip = min(-self._first % self.hop, values.shape[-1])
            values, self._first = values[:, skip:], self._first + skip
        if self._n_carried + values.shape[-1] < self.length:
            # no frame yet: long segments must not be copied again for every short block
            if values.shape[-1]:
                self._carried.append(values.copy())
                self._n_carried += values.shape[-1]
            return []
        return self._frames(values, self._first)

    def _frames(self, values: AnyFloat, at: int) -> list[tuple[int, AnyFloat]]:
        groups: list[tuple[int, AnyFloat]] = []
        n_tail = self._n_carried
        if n_tail:
            tail = np.concatenate(self._carried, axis=-1)
            # frames that begin in the tail: only these samples are copied
            wanted = (n_tail - 1) // self.hop * self.hop + self.length
            joined = np.concatenate([tail, values[:, : max(wanted - n_tail, 0)]], axis=-1)
            frames = _strided(joined, self.length, self.hop)
            used = frames.shape[1] * self.hop
            if frames.shape[1]:
                groups.append((at // self.hop, frames))
            if used < n_tail:
                rest = values[:, max(joined.shape[-1] - n_tail, 0) :]
                self._keep(np.concatenate([joined[:, used:], rest], axis=-1), at + used)
                return groups
            values, at = values[:, used - n_tail :], at + used
        frames = _strided(values, self.length, self.hop)
        if frames.shape[1]:
            groups.append((at // self.hop, frames))
        used = frames.shape[1] * self.hop
        self._keep(values[:, used:].copy(), at + used)
        return groups

    def _keep(self, tail: AnyFloat, first: int) -> None:
        self._carried, self._n_carried, self._first = ([tail] if tail.shape[-1] else []), tail.shape[-1], first


def _strided(values: AnyFloat, length: int, hop: int) -> AnyFloat:
    """Overlapping frames [shape=(n_channel, n_frame, length)] as a view without a copy."""
    n_channel, n = values.shape
    n_frame = max((n - length) // hop + 1, 0)
    row, step = values.strides
    return np.lib.stride_tricks.as_strided(
        values, (n_channel, n_frame, length), (row, hop * step, step), writeable=False
    )


def frame_count(n: int, length: int, hop: int) -> int:
    """Frames that a run of ``n`` samples holds."""
    return max((n - length) // hop + 1, 0)

"""Transform ``upright``: turns the axes of each position so that z is up, by the gravity the capture itself shows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from ..pipeline.contracts import (
    Block,
    BlockFlow,
    ChainSchema,
    ChannelSpec,
    Context,
    SchemaError,
    SignalSpec,
    StageSettings,
    Transform,
    hookimpl,
)
from ..pipeline.contracts.signal import FloatArray
from ..pipeline.kernels.axes import rotation_to_vertical


class Upright(Transform[StageSettings]):
    """The smallest turn that brings the static vector onto z; where x and y point stays as the sensor was mounted.

    Samples are turned together, so phases between axes are kept; ``rss`` and ``principal`` do not change at all.
    Gravity's own share stays on the channels it was seen on: stages that take it off know it from there.
    """

    name = "upright"
    numeric_version = 1
    Settings = StageSettings

    def schema(self, incoming: ChainSchema) -> ChainSchema:
        """The same channels, turned. Raises SchemaError before the choice of stretches, or without three axes."""
        if not incoming.selected:
            raise SchemaError(
                "stage upright: gravity is known once the capture was screened", found="no choice of stretches before",
                allowed="a recipe in which 'stretches' stands before it", todo="put upright after stretches",
            )  # fmt: skip
        triples = _triples(incoming.signal)
        if not triples:
            axes = ", ".join(f"{c.position}.{c.axis}" for c in incoming.signal.channels) or "no channel"
            raise SchemaError(
                "stage upright: a position with acceleration on x, y and z", found=axes,
                todo="name the axes in column axes",
            )  # fmt: skip
        turned = {i for triple in triples.values() for i in triple}
        channels = tuple(replace(c, upright=i in turned or c.upright) for i, c in enumerate(incoming.signal.channels))
        return replace(incoming, signal=replace(incoming.signal, channels=channels))

    def divisible(self, signal: SignalSpec) -> bool:  # noqa: ARG002
        """Each sample is turned alone."""
        return True

    def open(self, signal: SignalSpec, context: Context) -> BlockFlow:
        """Start one pass. Raises SchemaError where a position shows no gravity to turn by."""
        turns = []
        for position, triple in _triples(signal).items():
            if position not in context.gravity:
                raise SchemaError(
                    f"stage upright: a static vector at {position or 'the sensor'}", found="none",
                    allowed="a sensor that shows gravity (not coupling = ac)", todo="leave upright out of the recipe",
                )  # fmt: skip
            static = np.asarray(context.gravity[position], dtype=np.float64)
            turns.append((triple, rotation_to_vertical(static), static[:, None]))
        return _Turning(turns)


class _Turning(BlockFlow):
    """Turns each block's samples about their static share."""

    def __init__(self, turns: list[tuple[list[int], FloatArray, FloatArray]]) -> None:
        self._turns = turns

    def push(self, block: Block) -> Iterable[Block]:
        """The block, turned."""
        values = np.array(block.values, dtype=np.float64)
        for triple, rotation, static in self._turns:
            values[triple] = rotation @ (values[triple] - static) + static
        return (replace(block, values=values, native=None),)

    def flush(self) -> Iterable[Block]:
        """Nothing is held back."""
        return ()


def _triples(signal: SignalSpec) -> dict[str, list[int]]:
    """Per position that has all three, the channels of x, y and z in this order."""
    found: dict[str, list[int]] = {}
    for position in signal.positions:
        axes = {c.axis: i for i, c in enumerate(signal.channels) if _accelerates(c) and c.position == position}
        if set("xyz") <= set(axes):
            found[position] = [axes[axis] for axis in "xyz"]
    return found


def _accelerates(channel: ChannelSpec) -> bool:
    return channel.quantity == "acceleration"


@hookimpl
def register_stages() -> list[type[Upright]]:
    """The stage of this module."""
    return [Upright]

"""What has to run: one order a capture, derived from the table and the archive, never stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ...storage import Batch, Original, TreeRow
from ..contracts import CaptureRow, Fitness, Reading, Reason, ReasonCode
from ..recipe import BoundRecipe
from .intake import Readers


@dataclass(frozen=True, slots=True)
class Order:
    """One row of the table to be taken in and run through one recipe. Small: it travels to a worker."""

    row: CaptureRow
    path: Path
    capture: int | None
    """Which capture of a file that holds several; None where the file must hold exactly one."""
    known_capture: str | None = None
    """The capture, where the archive holds it already: nothing is read again."""
    known_sha256: str | None = None

    @property
    def name(self) -> str:
        """The file's own name, as the table gives it: readers go by its suffix."""
        return self.row.file.replace("\\", "/").rsplit("/", 1)[-1]

    def from_capture(self, capture_id: str, sha256: str) -> Order:
        """The same order, to be run from the archive."""
        return replace(self, known_capture=capture_id, known_sha256=sha256)


@dataclass(frozen=True, slots=True)
class Job:
    """What all orders of one run share: where the archive is, the bound recipe, the readers."""

    archive: Path
    recipe: BoundRecipe
    readers: Readers
    plugins: str
    """Fingerprint of the plugins; a worker whose own differs refuses."""
    listing: tuple[dict[str, Any], ...] = ()
    """The plugins by name and version, for the message when a worker's differ."""

    @property
    def own_stages_only(self) -> bool:
        """Whether every stage is ours. A stranger's may end the process it runs in: only workers run it."""
        ours = __name__.partition(".")[0]
        return all(type(stage).__module__.partition(".")[0] == ours for stage in self.recipe.stages)


@dataclass(frozen=True, slots=True)
class Done:
    """What came of one order: identities, state and reasons; bulk stays on disk."""

    row: int
    capture_id: str | None
    result_id: str | None
    sha256: str | None
    fitness: Fitness
    readings: tuple[Reading, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    original: Original | None = None
    """What was put into the archive now, for the coordinator's index."""
    committed: tuple[TreeRow, ...] = ()
    """What was committed to the archive now, likewise."""
    new_capture: bool = False
    new_result: bool = False
    seconds: Mapping[str, float] = field(default_factory=dict)
    deferred: bool = False
    """Taken in, but its chain is still to run: it is so long that all workers share it, or a stranger's stage."""

    def settled(self, batch: Batch) -> Done:
        """The same with what a batch made of the original, and with others' rows where they were first."""
        original = self.original and batch.originals.get(self.original.path, self.original)
        theirs = {key: tree for key, tree in batch.trees.items() if not tree.fresh}
        rows = (theirs.get((row.kind, row.id)) or row for row in self.committed)
        told = tuple(row if isinstance(row, TreeRow) else TreeRow.of(row) for row in rows)
        return replace(self, original=original, committed=told)

    @classmethod
    def refused(cls, row: int, reason: Reason, sha256: str | None = None) -> Done:
        """A row without trustworthy samples."""
        return cls(row, None, None, sha256, Fitness("refused", reasons=(reason,)))

    @classmethod
    def unworkable(cls, row: int, capture_id: str, sha256: str, cause: str) -> Done:
        """A capture the recipe cannot work on (a band above its Nyquist frequency, say): archived, not used."""
        fitness = Fitness("unfit", reasons=(Reason(ReasonCode.STAGE_FAILED, cause),))
        return cls(row, capture_id, None, sha256, fitness)

    @classmethod
    def failed(cls, row: CaptureRow, error: BaseException) -> Done:
        """An error no capture should cause (a full disk, a fault of ours): this row says so, the others go on."""
        cause = f"{row.file}: {type(error).__name__}: {error}"
        return cls(row.row, None, None, None, Fitness("unfit", (Reason(ReasonCode.STAGE_FAILED, cause),)))

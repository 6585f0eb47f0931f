"""What one worker took in and worked out, made durable and visible together: one round of syncs for all of it.

A journal commit serves everything that has set out before it. One at a time, a capture costs some twenty syncs, each
with a wait of its own; eight of them together cost little more than one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from .fsio import Disk
from .originals import Copied, Original, Originals
from .places import Places
from .trees import Staged, Tree, committed, drop


@dataclass
class Batch:
    """Filled while work is done; ``settle`` makes it durable and visible. Nothing of it may be told before.

    ``trees`` and ``originals`` say then what came of it: ``(kind, id)`` -> tree, which is somebody else's where they
    were first, and path of the copy -> original.
    """

    copied: list[Copied] = field(default_factory=list)
    staged: list[Staged] = field(default_factory=list)
    afterwards: list[Callable[[], object]] = field(default_factory=list)
    """What speaks of an original and so must not stand before it does."""
    trees: dict[tuple[str, str], Tree] = field(default_factory=dict)
    originals: dict[Path, Original] = field(default_factory=dict)

    def settle(self, originals: Originals, places: Places) -> None:
        """Originals first, then the trees made from them. Where something is raised, what is not yet named is gone."""
        try:
            self.settle_originals(originals)
        except BaseException:
            self.drop(originals, places.disk)
            raise
        staged, self.staged = self.staged, []
        self.trees.update({(tree.kind, tree.id): tree for tree in committed(staged, places)})
        for work in self.afterwards:
            work()

    def settle_originals(self, originals: Originals) -> None:
        """What was copied so far, ahead of a tree that cannot wait for the end: none stands without its original."""
        copied, self.copied = self.copied, []
        settled = originals.settle(copied, away=True)
        self.originals.update(zip((one.staged for one in copied), settled, strict=True))

    def drop(self, originals: Originals, disk: Disk) -> None:
        """Let go of all that is not settled."""
        originals.drop(self.copied)
        for one in self.staged:
            drop(disk, one.path, one.unsynced)
        self.copied, self.staged = [], []

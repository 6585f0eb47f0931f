"""What a run of a study gives back, and where its parts lie; imports nothing that takes time to load."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

if TYPE_CHECKING:
    import pandas as pd

    from ..study import Study

DEFAULT_ARCHIVE = Path("thrumline-archive")


def out_folder(study_file: Path, out_dir: Path | str | None) -> Path:
    """Where a study's files go: the folder asked for, or one beside the study file."""
    return Path(out_dir) if out_dir is not None else study_file.parent / f"{study_file.stem}-results"


@dataclass(frozen=True, slots=True)
class Progress:
    """One step of a running study, for whoever watches."""

    done: int
    total: int
    file: str
    platform: str
    state: str


Watch = Callable[[Progress], None]


@dataclass(frozen=True, slots=True)
class StudyRun:
    """What a run gives back: plain entries as in the files, and where the files are."""

    study_file: Path
    captures: Sequence[dict[str, Any]]
    readings: Sequence[dict[str, Any]]
    comparisons: Sequence[dict[str, Any]]
    over_platforms: Sequence[dict[str, Any]]
    sentences: Sequence[str]
    notes: Sequence[str]
    files: Sequence[Path]
    n_new_captures: int = 0
    n_new_results: int = 0
    unchanged: bool = False
    """Nothing was new: the files are those of an earlier run, left as they were."""
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def study(self) -> Study:
        """The study, read from its file."""
        from ..study import load_study

        return load_study(self.study_file)

    @property
    def n_left_out(self) -> int:
        """Captures refused or unfit."""
        return sum(entry["state"] != "fit" for entry in self.captures)

    def table(self, name: str) -> pd.DataFrame:
        """``captures``, ``readings``, ``comparisons`` or ``over_platforms`` as a pandas table."""
        import pandas as pd

        return pd.DataFrame(list(getattr(self, name)))


@dataclass
class StoredEntries(Sequence[dict[str, Any]]):
    """Entries of one file for machines, read when somebody asks for them."""

    path: Path
    name: str
    _read: list[dict[str, Any]] | None = field(default=None, repr=False)

    def _all(self) -> list[dict[str, Any]]:
        if self._read is None:
            self._read = json.loads(self.path.read_text(encoding="utf-8"))[self.name]
        return self._read

    @overload
    def __getitem__(self, index: int) -> dict[str, Any]: ...

    @overload
    def __getitem__(self, index: slice) -> list[dict[str, Any]]: ...

    def __getitem__(self, index: int | slice) -> dict[str, Any] | list[dict[str, Any]]:
        return self._all()[index]

    def __len__(self) -> int:
        return len(self._all())

    def __eq__(self, other: object) -> bool:
        return list(self) == list(other) if isinstance(other, Sequence) else NotImplemented

    __hash__ = None  # type: ignore[assignment]

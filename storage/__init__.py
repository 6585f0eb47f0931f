"""The archive: commit protocol, catalogue, verify. It knows nothing of signals.

Each name is loaded when it is asked for: whoever only asks whether anything was written (``at_rest``) needs no array.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .archive import Archive
    from .batch import Batch
    from .catalogue import Attempts, TreeRow
    from .errors import (
        ArchiveBusy,
        ArchiveMissing,
        BadContent,
        DamageFound,
        DiskFault,
        DiskFull,
        NotAllowed,
        SourceChanged,
        StorageError,
    )
    from .findings import Finding, Report
    from .fsio import Disk
    from .originals import Original
    from .sealed import Spelt
    from .trees import Draft, Tree
    from .zarr_read import ArrayReader, StoreReader
    from .zarr_write import StoreDraft, StreamedArray

__all__ = [
    "Archive", "ArchiveBusy", "ArchiveMissing", "ArrayReader", "Attempts", "BadContent", "Batch", "DamageFound", "Disk",
    "DiskFault", "DiskFull", "Draft", "Finding", "NotAllowed", "Original", "Report", "SourceChanged", "Spelt",
    "StorageError", "StoreDraft", "StoreReader", "StreamedArray", "Tree", "TreeRow",
]  # fmt: skip

_HOMES = {
    "archive": ("Archive",),
    "batch": ("Batch",),
    "catalogue": ("Attempts", "TreeRow"),
    "errors": (
        "ArchiveBusy", "ArchiveMissing", "BadContent", "DamageFound", "DiskFault", "DiskFull", "NotAllowed",
        "SourceChanged", "StorageError",
    ),
    "findings": ("Finding", "Report"),
    "fsio": ("Disk",),
    "originals": ("Original",),
    "sealed": ("Spelt",),
    "trees": ("Draft", "Tree"),
    "zarr_read": ("ArrayReader", "StoreReader"),
    "zarr_write": ("StoreDraft", "StreamedArray"),
}  # fmt: skip


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f".{module}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

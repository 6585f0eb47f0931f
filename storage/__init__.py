"""The archive: commit protocol, catalogue, verify. It knows nothing of signals."""

from .archive import Archive
from .catalogue import Attempts
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
from .trees import Draft, Tree
from .zarr_read import ArrayReader, StoreReader
from .zarr_write import StoreDraft, StreamedArray

__all__ = [
    "Archive", "ArchiveBusy", "ArchiveMissing", "ArrayReader", "Attempts", "BadContent", "DamageFound", "Disk",
    "DiskFault", "DiskFull", "Draft", "Finding", "NotAllowed", "Original", "Report", "SourceChanged", "StorageError",
    "StoreDraft", "StoreReader", "StreamedArray", "Tree",
]  # fmt: skip

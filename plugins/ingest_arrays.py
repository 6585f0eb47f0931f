"""Readers ``hdf5`` and ``matlab``: containers of named numeric arrays.

Parts: ``ingest_arrays_capture`` (arrays to channels and clock), ``ingest_arrays_hdf5``, ``ingest_arrays_matlab``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..pipeline.contracts import CaptureHead, ChannelMapping, Reader, ReaderRefusal, ReasonCode, Sink, Source, hookimpl
from . import ingest_arrays_hdf5, ingest_arrays_matlab
from .ingest_arrays_capture import ArraySet, passed, planned


class _ArraysReader(Reader):
    """What both readers share: plan every set of arrays first, then pass the samples on."""

    def sets(self, source: Source) -> list[ArraySet]:
        """The sets of arrays in the file."""
        raise NotImplementedError

    def read(self, source: Source, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Pass all samples to the sink and return a head per set of arrays."""
        plans = [planned(arrays, mapping) for arrays in self._filled(source)]
        return [passed(plan, index, self.name, mapping, sink) for index, plan in enumerate(plans)]

    def describe(self, source: Source, mapping: ChannelMapping) -> dict[str, Any]:  # noqa: ARG002
        """Arrays and single numbers by name."""
        return {
            arrays.place: {
                "arrays": [
                    {"name": c.name, "unit": c.unit, "numbers": c.n, "type": str(c.dtype)} for c in arrays.columns
                ],
                "numbers": dict(arrays.facts),
                "passed_over": list(arrays.passed_over),
            }
            for arrays in self._filled(source)
        }

    def _filled(self, source: Source) -> list[ArraySet]:
        if source.path.stat().st_size == 0:
            raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no bytes", todo="record again, or copy it again")
        filled = [arrays for arrays in self.sets(source) if arrays.columns]
        if not filled:
            raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no arrays of numbers", todo="export the samples")
        return filled


class Hdf5Reader(_ArraysReader):
    """Numeric datasets; each HDF5 group that holds some is a capture."""

    name = "hdf5"
    numeric_version = 1
    summary = "HDF5: numeric datasets with names and 'units' attributes, time or sampling rate"

    def warm(self) -> None:
        """Import the library."""
        import h5py  # noqa: F401

    def sniff(self, head: bytes, name: str) -> float:  # noqa: ARG002
        """0.9 by the signature, at the start or behind a user block."""
        marks = (0, 512, 1024, 2048, 4096, 8192)
        return 0.9 if any(head[at : at + 8] == b"\x89HDF\r\n\x1a\n" for at in marks) else 0.0

    def sets(self, source: Source) -> list[ArraySet]:
        """One set per group."""
        return ingest_arrays_hdf5.sets_of(source.path)


class MatlabReader(_ArraysReader):
    """Numeric variables of MATLAB files, versions 4 to 7."""

    name = "matlab"
    numeric_version = 1
    summary = "MATLAB files, versions 4 to 7: numeric variables or the fields of one structure"

    def warm(self) -> None:
        """Import the library."""
        import scipy.io  # noqa: F401

    def sniff(self, head: bytes, name: str) -> float:
        """0.95 by the words of version 5 to 7; 0.6 for the binary head of version 4 under the usual suffix."""
        if head.startswith(b"MATLAB ") and not head.startswith(b"MATLAB 7.3"):
            return 0.95
        version_4 = len(head) > 20 and head[1:4] == b"\0\0\0" and name.lower().endswith(".mat")
        return 0.6 if version_4 else 0.0

    def sets(self, source: Source) -> list[ArraySet]:
        """The one set of the file."""
        return ingest_arrays_matlab.sets_of(source.path)


@hookimpl
def register_readers() -> Sequence[type[Reader]]:
    """Both readers of containers."""
    return [Hdf5Reader, MatlabReader]

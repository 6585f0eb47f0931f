"""Reader ``wav``: WAV and FLAC recordings, native counts kept, full scale never guessed.

A recording holds fractions of a full scale that is written nowhere: the captures table must give m s-2 per count
(``unit = counts`` with ``scale``), or, for recordings of floating-point numbers only, the unit they are in.
The container is walked by ourselves first, since a header that promises other samples than the file holds would
otherwise be read as far as it goes.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..pipeline.contracts import (
    CaptureHead,
    ChannelMapping,
    Clock,
    GroupHead,
    Reader,
    ReaderRefusal,
    ReasonCode,
    Sink,
    Source,
    hookimpl,
)
from ..pipeline.contracts.labels import Column, channel_head, column_of, with_axes, with_unit

if TYPE_CHECKING:
    import soundfile

BLOCK_FRAMES = 1 << 18
STATED_RATE = 0.02
"""A rate in the captures table may differ from the header's by rounding, not by more."""
_MOST_CHANNELS = 1024

_FORMS = {
    "PCM_16": ("int16", 1.0), "PCM_24": ("int32", 256.0), "PCM_32": ("int32", 1.0), "PCM_S8": ("int16", 256.0),
    "PCM_U8": ("int16", 256.0), "FLOAT": ("float32", 1.0), "DOUBLE": ("float64", 1.0),
}  # fmt: skip
"""Per kind of sample: the type it is read as, and how many of those make one native count."""


@dataclass(frozen=True, slots=True)
class _Form:
    """What the recording is: container, kind of sample, size."""

    container: str
    kind: str
    rate_hz: int
    n_channels: int
    n_frames: int

    @property
    def floating(self) -> bool:
        """Whether samples are floating-point numbers."""
        return self.kind in ("FLOAT", "DOUBLE")


class WavReader(Reader):
    """Uncompressed WAV (8 to 32 bits, float, large RF64 files) and FLAC."""

    name = "wav"
    numeric_version = 1
    summary = "WAV and FLAC recordings; needs a unit: counts with a scale"

    def warm(self) -> None:
        """Import the decoder."""
        import soundfile  # noqa: F401

    def sniff(self, head: bytes, name: str) -> float:  # noqa: ARG002
        """0.95 by the container's marks; the name does not count."""
        if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
            return 0.95
        return 0.95 if head[:4] == b"fLaC" else 0.0

    def read(self, source: Source, mapping: ChannelMapping, sink: Sink) -> list[CaptureHead]:
        """Pass all samples to the sink and return the one head."""
        import soundfile

        _refuse_torn_container(source.path)
        with _opened(source.path) as recording:
            form = _form(recording)
            columns = _columns(form, mapping)
            dtype, per_count = _FORMS[form.kind]
            sink.begin(0)
            try:
                _pass_frames(recording, form, dtype, sink)
            except soundfile.LibsndfileError as error:
                raise _unreadable(str(error)) from None
        channels = tuple(channel_head(column, mapping, per_count) for column in columns)
        clock = Clock(True, 0.0, float(form.rate_hz))
        metadata = {"container": form.container, "samples": form.kind}
        return [CaptureHead(0, self.name, (GroupHead("signal", channels, clock, form.n_frames, dtype),), "", metadata)]

    def describe(self, source: Source, mapping: ChannelMapping) -> dict[str, Any]:  # noqa: ARG002
        """Container, kind of samples, rate and channels."""
        with _opened(source.path) as recording:
            form = _form(recording)
        return {
            "container": form.container, "samples": form.kind, "rate_hz": form.rate_hz, "channels": form.n_channels,
            "frames": form.n_frames,
        }  # fmt: skip


def _unreadable(found: str, todo: str = "copy the file again, or record again") -> ReaderRefusal:
    return ReaderRefusal(ReasonCode.UNREADABLE, "the recording is not whole", found=found, todo=todo)


def _opened(path: Path) -> soundfile.SoundFile:
    import soundfile

    if path.stat().st_size == 0:
        raise ReaderRefusal(ReasonCode.EMPTY, "the file holds no bytes", todo="record again, or copy it again")
    try:
        return soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, TypeError, ValueError) as error:
        raise _unreadable(str(getattr(error, "error_string", error))) from None


def _form(recording: soundfile.SoundFile) -> _Form:
    form = _Form(
        recording.format, recording.subtype, recording.samplerate, recording.channels, max(int(recording.frames), 0)
    )
    if form.kind not in _FORMS:
        raise ReaderRefusal(
            ReasonCode.UNREADABLE, "samples kept as they were measured", found=f"{form.kind} (compressed with loss)",
            allowed=", ".join(_FORMS), todo="export as 16, 24 or 32 bit, or as float",
        )  # fmt: skip
    if not 0 < form.n_channels <= _MOST_CHANNELS:
        raise _unreadable(f"{form.n_channels} channels")
    if form.rate_hz <= 0:
        raise ReaderRefusal(ReasonCode.BAD_CLOCK, "the recording's rate", found=f"{form.rate_hz} Hz")
    if form.n_frames == 0:
        raise ReaderRefusal(ReasonCode.EMPTY, "the recording holds no samples", todo="record again")
    return form


def _columns(form: _Form, mapping: ChannelMapping) -> list[Column]:
    stated = mapping.sample_rate_hz
    if stated is not None and abs(form.rate_hz / stated - 1.0) > STATED_RATE:
        raise ReaderRefusal(
            ReasonCode.BAD_CLOCK, "sample_rate_hz of the captures table and the recording contradict each other",
            found=f"{stated:g} Hz against {form.rate_hz} Hz", todo="correct the one that is wrong",
        )  # fmt: skip
    if mapping.unit not in (None, "counts") and not form.floating:
        raise ReaderRefusal(
            ReasonCode.UNKNOWN_UNIT, "what one count of the recording stands for",
            found=f"unit {mapping.unit}, but counts of a full scale that nobody states",
            todo="fill in unit = counts and scale = m s-2 per count",
        )  # fmt: skip
    numbered = [replace(column_of(i, ""), number=i + 1, name=f"c{i + 1}") for i in range(form.n_channels)]
    columns = with_axes(numbered, numbered, mapping)
    return [with_unit(column, mapping) for column in columns]


def _pass_frames(recording: soundfile.SoundFile, form: _Form, dtype: str, sink: Sink) -> None:
    passed = 0
    while passed < form.n_frames:
        block = recording.read(min(BLOCK_FRAMES, form.n_frames - passed), dtype=dtype, always_2d=True)
        if not len(block):
            raise _unreadable(f"{passed} of {form.n_frames} samples")
        if form.floating and not np.isfinite(block).all():
            at = passed + int(np.argmin(np.isfinite(block).all(axis=1)))
            raise ReaderRefusal(
                ReasonCode.NON_FINITE, f"sample {at + 1} is no finite number", todo="cut the record there"
            )
        sink.samples("signal", np.ascontiguousarray(block.T))
        passed += len(block)


def _refuse_torn_container(path: Path) -> None:
    """Hold what a WAV header promises against the bytes that are there."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        start = stream.read(12)
        if start[:4] not in (b"RIFF", b"RF64") or len(start) < 12:
            return
        large = _large_sizes(stream) if start[:4] == b"RF64" else {}
        stated = large.get("riff", struct.unpack("<I", start[4:8])[0]) + 8
        if abs(stated - size) > 1:
            raise _unreadable(f"{size} bytes where the header says {stated}")
        stream.seek(12)
        block_align = 0
        parts: list[bytes] = []
        while len(mark := stream.read(8)) == 8:
            name, length = mark[:4], struct.unpack("<I", mark[4:])[0]
            length = large.get("data", length) if name == b"data" else length
            if stream.tell() + length > size:
                raise _unreadable(f"a part of {length} bytes where {size - stream.tell()} are left")
            parts.append(name)
            if name == b"fmt " and length >= 16:
                block_align = _block_align(stream.read(16))
                stream.seek(-16, 1)
            if name == b"data" and block_align and length % block_align:
                raise _unreadable(f"{length} bytes of samples, no multiple of {block_align}")
            stream.seek(length + length % 2, 1)
        if parts.count(b"fmt ") != 1 or parts.count(b"data") != 1:
            raise _unreadable(f"{parts.count(b'fmt ')} descriptions and {parts.count(b'data')} parts of samples")


def _block_align(description: bytes) -> int:
    """Bytes per instant; the description says channels, rate and width twice over, and must agree with itself."""
    kind, channels, rate, byte_rate, block_align, bits = struct.unpack("<HHIIHH", description)
    if kind in (1, 3, 0xFFFE) and (block_align != channels * ((bits + 7) // 8) or byte_rate != rate * block_align):
        stated = f"{channels} channels of {bits} bits at {rate} Hz"
        raise _unreadable(f"{stated}, but {block_align} bytes per instant and {byte_rate} a second")
    return int(block_align)


def _large_sizes(stream: Any) -> dict[str, int]:
    mark = stream.read(8)
    if mark[:4] != b"ds64":
        raise _unreadable("a large file without its sizes")
    riff, data = struct.unpack("<QQ", stream.read(16))
    return {"riff": riff, "data": data}


@hookimpl
def register_readers() -> Sequence[type[Reader]]:
    """The one reader of recordings."""
    return [WavReader]

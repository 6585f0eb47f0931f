"""WAV and FLAC recordings: native counts come back exactly; torn, lying and unit-less files are refused."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from thrumline.pipeline.contracts import AxisSource, ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.testing import GatheringSink, GivenFile, ReaderExample, ReaderSuite, RefusedExample
from thrumline.plugins.ingest_wav import WavReader

SCALE = ChannelMapping(unit="counts", scale=0.002)
COUNTS = np.random.default_rng(4).integers(-30000, 30000, (500, 3))


def wav(counts: np.ndarray, rate: int = 2000) -> bytes:
    stream = io.BytesIO()
    wavfile.write(stream, rate, counts)
    return stream.getvalue()


def by_library(values: np.ndarray, subtype: str, container: str = "WAV", rate: int = 2000) -> bytes:
    stream = io.BytesIO()
    soundfile.write(stream, values, rate, subtype=subtype, format=container)
    return stream.getvalue()


def read(folder: Path, content: bytes, mapping: ChannelMapping = SCALE):
    path = folder / "original"
    path.write_bytes(content)
    sink = GatheringSink()
    (head,) = WavReader().read(GivenFile(path, "a.wav"), mapping, sink)
    return head, sink


def refusal(folder: Path, content: bytes, mapping: ChannelMapping = SCALE) -> ReaderRefusal:
    with pytest.raises(ReaderRefusal) as caught:
        read(folder, content, mapping)
    return caught.value


@pytest.mark.parametrize("dtype", ["int16", "int32"])
@pytest.mark.parametrize("n_channels", [1, 3])
def test_native_counts_come_back_exactly(tmp_path, dtype, n_channels):
    """Written by another library than the one that reads."""
    counts = (COUNTS * (1 if dtype == "int16" else 65537)).astype(dtype)[:, :n_channels]
    head, sink = read(tmp_path, wav(counts[:, 0] if n_channels == 1 else counts))
    group = head.groups[0]
    assert np.array_equal(sink.counts(0, "signal"), counts.T)
    assert np.allclose(sink.values(head, group), counts.T * 0.002, rtol=1e-15)
    assert (group.clock.uniform, group.clock.rate_hz, group.dtype) == (True, 2000.0, dtype)
    assert [channel.axis for channel in group.channels] == list("xyz")[:n_channels]


@pytest.mark.parametrize(("container", "subtype", "bits"), [("WAV", "PCM_24", 24), ("FLAC", "PCM_16", 16), ("FLAC", "PCM_24", 24), ("WAV", "PCM_U8", 8), ("RF64", "PCM_16", 16)])
def test_one_count_is_one_step_of_the_recording_whatever_its_width(tmp_path, container, subtype, bits):
    """24 bits are read shifted; the scale still belongs to the recording's own counts."""
    counts = COUNTS >> 8 if bits == 8 else COUNTS * (200 if bits == 24 else 1)
    shifted = (counts << (32 - bits)).astype(np.int32)
    head, sink = read(tmp_path, by_library(shifted, subtype, container))
    assert np.array_equal(sink.values(head, head.groups[0]), counts.T * 0.002) or np.allclose(
        sink.values(head, head.groups[0]), counts.T * 0.002, rtol=1e-15, atol=0
    )


@pytest.mark.parametrize(("subtype", "dtype"), [("FLOAT", np.float32), ("DOUBLE", np.float64)])
def test_floats_may_be_in_a_stated_unit(tmp_path, subtype, dtype):
    values = np.random.default_rng(1).normal(size=(300, 3)).astype(dtype)
    head, sink = read(tmp_path, by_library(values, subtype), ChannelMapping(unit="g"))
    assert np.array_equal(sink.counts(0, "signal"), values.T)
    assert head.groups[0].channels[0].scale == 9.80665


def test_long_recordings_arrive_in_blocks(tmp_path):
    counts = np.random.default_rng(2).integers(-9000, 9000, (600_000, 1)).astype(np.int16)
    _, sink = read(tmp_path, wav(counts[:, 0]))
    assert np.array_equal(sink.counts(0, "signal"), counts.T)


def test_channels_are_mapped_by_number_and_sign(tmp_path):
    counts = np.hstack([COUNTS, COUNTS[:, :1]]).astype(np.int16)
    mapping = ChannelMapping(unit="counts", scale=0.5, axes=(AxisSource("seat", "z", 4, -1),))
    head, sink = read(tmp_path, wav(counts), mapping)
    channel = [i for i, c in enumerate(head.groups[0].channels) if c.axis == "z"]
    assert np.array_equal(sink.values(head, head.groups[0])[channel[0]], -0.5 * counts[:, 3])


@pytest.mark.parametrize("unit", [None, "g", "m/s2"])
def test_a_full_scale_that_nobody_states_is_not_guessed(tmp_path, unit):
    found = refusal(tmp_path, wav(COUNTS.astype(np.int16)), ChannelMapping(unit=unit))
    assert found.code is ReasonCode.UNKNOWN_UNIT
    assert "scale" in str(found)


def test_two_channels_without_axes_are_ambiguous(tmp_path):
    found = refusal(tmp_path, wav(COUNTS[:, :2].astype(np.int16)))
    assert found.code is ReasonCode.AMBIGUOUS
    assert "c1 'c1', c2 'c2'" in str(found)


def test_another_rate_in_the_table_is_refused(tmp_path):
    found = refusal(tmp_path, wav(COUNTS.astype(np.int16)), ChannelMapping(unit="counts", scale=1.0, sample_rate_hz=2100))
    assert found.code is ReasonCode.BAD_CLOCK
    assert "2100 Hz against 2000 Hz" in str(found)


def test_a_number_that_is_none_is_refused_with_its_place(tmp_path):
    values = np.zeros((50, 3))
    values[17, 1] = np.nan
    found = refusal(tmp_path, by_library(values, "DOUBLE"), ChannelMapping(unit="g"))
    assert found.code is ReasonCode.NON_FINITE
    assert "sample 18" in str(found)


def test_sound_compressed_with_loss_is_refused(tmp_path):
    found = refusal(tmp_path, by_library(COUNTS[:, 0] / 40000, "ULAW"))
    assert found.code is ReasonCode.UNREADABLE
    assert "ULAW (compressed with loss)" in str(found)


@pytest.mark.parametrize("kept", [43, 44, 100, 1043, 3043])
def test_a_file_cut_short_is_refused(tmp_path, kept):
    found = refusal(tmp_path, wav(COUNTS.astype(np.int16))[:kept])
    assert found.code in (ReasonCode.UNREADABLE, ReasonCode.EMPTY)


@pytest.mark.parametrize("size", [0, 10, 2998, 3001, 3002, 2**31, 2**32 - 1])
def test_a_header_that_promises_other_samples_is_refused(tmp_path, size):
    """The data part's own length lies; 3000 bytes are there."""
    content = bytearray(wav(COUNTS.astype(np.int16)))
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", size)
    found = refusal(tmp_path, bytes(content))
    assert found.code in (ReasonCode.UNREADABLE, ReasonCode.EMPTY)


def test_bytes_behind_the_recording_are_refused(tmp_path):
    found = refusal(tmp_path, wav(COUNTS.astype(np.int16)) + b"more bytes")
    assert found.code is ReasonCode.UNREADABLE
    assert "bytes where the header says" in str(found)


def test_a_recording_without_samples_is_empty(tmp_path):
    assert refusal(tmp_path, wav(np.zeros((0, 3), np.int16))).code is ReasonCode.EMPTY
    assert refusal(tmp_path, b"").code is ReasonCode.EMPTY


def test_a_torn_flac_is_refused(tmp_path):
    content = by_library(COUNTS.astype(np.int16), "PCM_16", "FLAC")
    assert refusal(tmp_path, content[: len(content) * 2 // 3]).code is ReasonCode.UNREADABLE


def plain_counts(content: bytes) -> tuple[np.ndarray, int]:
    """Samples and rate of a 16-bit file by walking its bytes here, knowing nothing of the reader."""
    at, size = 12, len(content)
    channels = rate = 0
    while at + 8 <= size:
        name, length = content[at : at + 4], int.from_bytes(content[at + 4 : at + 8], "little")
        if name == b"fmt ":
            channels, rate = struct.unpack("<HI", content[at + 10 : at + 16])
        if name == b"data":
            body = content[at + 8 : at + 8 + length]
            return np.frombuffer(body, "<i2").reshape(-1, channels).T, rate
        at += 8 + length + length % 2
    raise ValueError("no samples")


def test_damaged_headers_are_refused_or_change_nothing(tmp_path):
    """Every single bit of the header flipped, one at a time: the samples and rate stay those of the bytes, or no file."""
    content = wav(COUNTS.astype(np.int16))
    assert content.index(b"data") == 36
    accepted = 0
    for bit in range(44 * 8):
        damaged = bytearray(content)
        damaged[bit // 8] ^= 1 << bit % 8
        try:
            head, sink = read(tmp_path, bytes(damaged))
        except ReaderRefusal:
            continue
        accepted += 1
        counts, rate = plain_counts(bytes(damaged))
        assert np.array_equal(sink.counts(0, "signal"), counts), f"bit {bit}"
        assert np.array_equal(counts, COUNTS.T), f"bit {bit}"
        assert head.groups[0].clock.rate_hz == rate == 2000, f"bit {bit}"
    assert accepted < 20


class TestWavReader(ReaderSuite):
    """Everything the shipped suite asks of a reader."""

    truncation_keeps = False

    def reader(self):
        return WavReader()

    def files(self):
        counts = COUNTS.astype(np.int16)
        times = np.arange(500) / 2000
        return [
            ReaderExample("plain.wav", wav(counts), counts.T * 0.002, times, SCALE),
            ReaderExample("plain.flac", by_library(counts, "PCM_16", "FLAC"), counts.T * 0.002, times, SCALE),
        ]

    def refused(self):
        return [
            RefusedExample("empty.wav", b"", ReasonCode.EMPTY),
            RefusedExample("head.wav", wav(COUNTS.astype(np.int16))[:40], ReasonCode.UNREADABLE, SCALE),
        ]

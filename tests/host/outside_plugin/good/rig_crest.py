"""A stranger's plugin: a format of a test rig, a stage that follows peaks, and the metric made from them."""

import numpy as np
from pydantic import Field

from thrumline.pipeline.contracts import (
    Accumulator,
    CaptureHead,
    ChannelHead,
    Clock,
    Estimator,
    GroupHead,
    Metric,
    ProductSpec,
    Reader,
    ReaderRefusal,
    Reading,
    Reason,
    ReasonCode,
    SchemaError,
    StageSettings,
    hookimpl,
)

MAGIC = b"RIGCOUNTS1\n"


class RigCounts(Reader):
    """Three channels of 16-bit counts behind a short head: rate in Hz and micro-m/s2 per count."""

    name = "rig_counts"
    numeric_version = 1
    summary = "counts of a test rig"

    def sniff(self, head, name):
        return 1.0 if head.startswith(MAGIC) else 0.0

    def read(self, source, mapping, sink):
        content = source.path.read_bytes()
        rate_hz, scale, counts = self._parts(content)
        sink.begin(0)
        sink.samples("signal", counts)
        names = [("x", 0), ("y", 1), ("z", 2)]
        channels = tuple(
            ChannelHead(name, "acceleration", "m/s2", "m s-2", scale, position=mapping.position, axis=name)
            for name, _ in names
        )
        clock = Clock(uniform=True, start_s=0.0, rate_hz=rate_hz)
        group = GroupHead("signal", channels, clock, counts.shape[1], "int16")
        return [CaptureHead(0, self.name, (group,))]

    def _parts(self, content):
        asked = "a file of the test rig"
        if not content.startswith(MAGIC):
            raise ReaderRefusal(ReasonCode.UNREADABLE, asked, found="another beginning", todo="name another reader")
        body = content[len(MAGIC) :]
        if len(body) < 16 or (len(body) - 16) % 6:
            raise ReaderRefusal(ReasonCode.UNREADABLE, asked, found=f"{len(body)} bytes", allowed="16 + 6 n bytes")
        rate_hz, micro, n, check = (int(v) for v in np.frombuffer(body[:16], "<u4"))
        counts = np.frombuffer(body[16:], "<i2").reshape(-1, 3).T.astype(np.int16)
        if counts.shape[1] == 0 or n != counts.shape[1]:
            code = ReasonCode.EMPTY if n == 0 else ReasonCode.UNREADABLE
            raise ReaderRefusal(code, asked, found=f"{counts.shape[1]} samples where {n} are declared")
        if rate_hz == 0 or check != checksum(body[16:], rate_hz, micro, n):
            raise ReaderRefusal(ReasonCode.UNREADABLE, asked, found="a check sum that does not fit")
        return float(rate_hz), micro * 1e-6, counts


def checksum(samples, rate_hz, micro, n):
    """Position-weighted sum of the bytes and the head, modulo 2**32."""
    octets = np.frombuffer(samples, np.uint8).astype(np.uint64)
    weights = np.arange(1, len(octets) + 1, dtype=np.uint64)
    return int((int(np.sum(octets * weights)) + 31 * rate_hz + 17 * micro + 7 * n) % 2**32)


def packed(counts, rate_hz, micro):
    """Bytes of a rig file holding these counts [shape=(3, n), int16]."""
    samples = np.ascontiguousarray(counts.T, "<i2").tobytes()
    head = np.array([rate_hz, micro, counts.shape[1], checksum(samples, rate_hz, micro, counts.shape[1])], "<u4")
    return MAGIC + head.tobytes() + samples


class CrestSettings(StageSettings):
    """What counts as the static part."""

    gravity_removed: bool = Field(True, description="crest factors are of the motion, so the mean is taken off")


class CrestSums(Accumulator):
    """Sums, squares and extremes per channel about the first sample, so that gravity costs no digits."""

    def __init__(self, n_channel, gravity_removed):
        self.n, self.about, self.gravity_removed = 0, None, gravity_removed
        self.sum, self.square = np.zeros(n_channel), np.zeros(n_channel)
        self.least, self.greatest = np.full(n_channel, np.inf), np.full(n_channel, -np.inf)

    def accumulate(self, block):
        if self.about is None:
            self.about = block.values[:, :1].copy()
        off = block.values - self.about
        self.n += block.n
        self.sum, self.square = self.sum + off.sum(axis=1), self.square + np.sum(off**2, axis=1)
        self.least = np.minimum(self.least, block.values.min(axis=1))
        self.greatest = np.maximum(self.greatest, block.values.max(axis=1))

    def merge(self, other):
        if other.about is None:
            return
        if self.about is None:
            self.__dict__.update(other.__dict__)
            return
        shift = (other.about - self.about)[:, 0]
        self.square = self.square + other.square + 2 * shift * other.sum + other.n * shift**2
        self.sum = self.sum + other.sum + other.n * shift
        self.n += other.n
        self.least = np.minimum(self.least, other.least)
        self.greatest = np.maximum(self.greatest, other.greatest)

    def finish(self):
        if self.about is None:
            return None
        mean = self.sum / self.n
        variance = np.maximum(self.square / self.n - mean**2, 0.0)
        whole_mean = mean + self.about[:, 0]
        if self.gravity_removed:
            return np.maximum(self.greatest - whole_mean, whole_mean - self.least), np.sqrt(variance)
        return np.maximum(np.abs(self.greatest), np.abs(self.least)), np.sqrt(variance + whole_mean**2)


class Crest(Estimator):
    """Greatest departure from the mean, and rms about it, per channel."""

    name = "crest"
    numeric_version = 1
    Settings = CrestSettings
    makes = "crest"

    def schema(self, incoming):
        if not incoming.signal.channels:
            raise SchemaError("stage 'crest' needs channels", found="none", allowed="one or more")
        return incoming.plus(ProductSpec("crest", ("channel",), incoming.signal.channels[0].unit))

    def open(self, signal, context, products):
        return CrestSums(len(signal.channels), self.settings.gravity_removed)


class CrestFactor(Metric):
    """Peak over rms of the strongest axis at each position."""

    name = "crest_factor"
    numeric_version = 1
    reading_names = ("crest_factor",)

    def schema(self, incoming):
        if "crest" not in incoming.products:
            raise SchemaError("stage 'crest_factor' needs product 'crest'", found=str(sorted(incoming.products)))
        return incoming

    def readings(self, products, context):
        return [self._reading(products["crest"], context.signal, position) for position in context.signal.positions]

    def _reading(self, crest, signal, position):
        reading = Reading("crest_factor", position, "max", "1", "peak", None, kind="ratio")
        if crest is None:
            return Reading.missing(reading, Reason(ReasonCode.NO_LINE, "no samples were used"))
        peak, rms = (values[list(signal.at(position))] for values in crest)
        strongest = int(np.argmax(rms))
        if rms[strongest] == 0.0:
            return Reading.missing(reading, Reason(ReasonCode.AT_FLOOR, "the signal never moves"))
        return Reading(
            "crest_factor", position, "max", "1", "peak", float(peak[strongest] / rms[strongest]), kind="ratio"
        )


@hookimpl
def register_readers():
    return [RigCounts]


@hookimpl
def register_stages():
    return [Crest]


@hookimpl
def register_metrics():
    return [CrestFactor]

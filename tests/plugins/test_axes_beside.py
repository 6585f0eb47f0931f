"""``axes`` that name what stands beside the accelerations only: these keep the axes of their own, or it is refused."""

import io
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from thrumline.pipeline.contracts import ChannelMapping, ReaderRefusal, ReasonCode
from thrumline.pipeline.contracts.labels import column_of, with_axes
from thrumline.pipeline.study.table_rows import axes_from_text
from thrumline.pipeline.testing import GatheringSink, GivenFile
from thrumline.plugins.ingest_text import TextReader
from thrumline.plugins.ingest_universal58 import Universal58Reader
from thrumline.plugins.ingest_wav import WavReader


def told(folder, reader, content, axes, **more):
    """Axis and quantity of every channel, by number."""
    path = folder / "original"
    path.write_bytes(content)
    mapping = ChannelMapping("seat rail", axes_from_text(axes), **more)
    (head,) = reader.read(GivenFile(path, "a"), mapping, GatheringSink())
    return [(c.axis, c.quantity, c.position) for group in head.groups for c in group.channels]


def text(header):
    rows = [f"{k * 0.001:.3f},0.1,0.2,9.8,{5 * (k % 7 == 0)}" for k in range(60)]
    return "\n".join([header, *rows, ""]).encode()


ACCELERATIONS = [(axis, "acceleration", "seat rail") for axis in "xyz"]


def test_accelerations_beside_a_named_tachometer_keep_the_axes_of_their_names(tmp_path):
    """In the file's order, which is z, x, y here."""
    content = text("time (s),z (m/s2),x (m/s2),y (m/s2),pickup (V)")
    found = told(tmp_path, TextReader(), content, "tacho=+c4")
    assert [item[0] for item in found[:3]] == ["z", "x", "y"]
    assert {item[1:] for item in found[:3]} == {("acceleration", "seat rail")}
    assert found[3][1] == "tachometer"


def test_accelerations_beside_a_named_microphone_keep_theirs(tmp_path):
    content = text("time (s),x (m/s2),y (m/s2),z (m/s2),ear (Pa)")
    found = told(tmp_path, TextReader(), content, "driver's ear.p=+c4")
    assert found[:3] == ACCELERATIONS
    assert found[3] == ("p", "pressure", "driver's ear")


def test_three_further_channels_of_a_recording_are_x_y_z(tmp_path):
    """As the first three of a recording with three channels are, whose channels have no names."""
    buffer = io.BytesIO()
    samples = np.random.default_rng(1).integers(-900, 900, (200, 4)).astype(np.int16)
    soundfile.write(buffer, samples, 1000, format="WAV", subtype="PCM_16")
    found = told(tmp_path, WavReader(), buffer.getvalue(), "tacho=+c1", unit="counts", scale=0.001)
    assert found[0][1] == "tachometer"
    assert found[1:] == ACCELERATIONS


def test_directions_of_a_node_hold_beside_a_named_tachometer(tmp_path):
    """Labels without an axis, directions z, -x and y of one node; the fourth dataset is the pulses."""

    def dataset(direction, values):
        record6 = f"{1:5d}{0:10d}{0:5d}{0:10d} {'NONE':10s}{7:10d}{direction:4d} {'NONE':10s}{0:10d}{0:4d}"
        record7 = f"{2:10d}{len(values):10d}{1:10d}{0.0:13.5E}{0.005:13.5E}{0.0:13.5E}"
        axis = "{:10d}{:5d}{:5d}{:5d} {:20s} {:20s}".format
        ends = [axis(17, 0, 0, 0, "Time", "s"), axis(12, 0, 0, 0, "Level", "m/s^2"), *[axis(0, 0, 0, 0, "NONE", "NONE")] * 2]
        lines = ["".join(f"{v:13.5E}" for v in values[i : i + 6]) for i in range(0, len(values), 6)]
        return "\n".join(["    -1", "    58", *["NONE"] * 5, record6, record7, *ends, *lines, "    -1", ""])

    values = np.random.default_rng(2).normal(size=(4, 60))
    content = "".join(dataset(d, row) for d, row in zip((3, -1, 2, 1), values, strict=True)).encode()
    found = told(tmp_path, Universal58Reader(), content, "tacho=+c4")
    assert [item[0] for item in found[:3]] == ["z", "x", "y"]
    assert found[3][1] == "tachometer"


@pytest.mark.parametrize("header", ["time (s),a (V),b (V),c (V),d (V)", "time (s),x (g),Acc X (g),z (g),d"])
def test_what_cannot_be_told_is_refused_with_what_to_write(tmp_path, header):
    """No column is an acceleration, or two are along x."""
    with pytest.raises(ReaderRefusal, match=r"for example x=\+c1 y=\+c2 z=\+c3 tacho=\+c4") as refused:
        told(tmp_path, TextReader(), text(header), "tacho=+c4")
    assert refused.value.reason.code is ReasonCode.AMBIGUOUS
    assert "name no acceleration" in str(refused.value)


def test_columns_left_out_on_purpose_stay_out(tmp_path):
    """Where ``axes`` name an acceleration, the others are not asked for; a microphone alone is a capture too."""
    content = text("time (s),x (m/s2),y (m/s2),z (m/s2),pickup (V)")
    found = told(tmp_path, TextReader(), content, "x=+c1 tacho=+c4")
    assert [item[0] for item in found] == ["x", "", "", ""]
    numbered = [replace(column_of(i, f"c{i + 1}"), number=i + 1) for i in range(2)]
    alone = with_axes(numbered, numbered, ChannelMapping("cabin", axes_from_text("p=+c1")))
    assert [column.axis for column in alone] == ["p", ""]

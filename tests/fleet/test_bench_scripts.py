"""The bench scripts measure what they say: the yardstick reads right, the long capture is what its head says."""

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from thrumline.pipeline.testing import FleetSpec, write_fleet

BENCHES = Path(__file__).parents[2] / "bench_datasets"


@pytest.fixture
def script(monkeypatch):
    """A bench script as a module, its neighbours importable as they are when it is run."""
    monkeypatch.syspath_prepend(str(BENCHES))

    def loaded(name):
        spec = importlib.util.spec_from_file_location(f"bench_{name}", BENCHES / f"{name}.py")
        module = importlib.util.module_from_spec(spec)
        monkeypatch.setitem(sys.modules, spec.name, module)
        spec.loader.exec_module(module)
        return module

    return loaded


@pytest.fixture(scope="module")
def steady_fleet(tmp_path_factory):
    """No wander, no modulation, no re-fitting: here even the highest bin is right but for scalloping."""
    spec = FleetSpec(
        repeats=1, wander=0.0, am=0.0, refit=0.0, replace_sensor=0.0, retake=0.0, duration_s=20.0, platform_spread=0.0,
    )  # fmt: skip
    return write_fleet(tmp_path_factory.mktemp("steady"), spec, 3)


def test_yardstick_reads_every_dialect_within_the_scalloping_of_its_window(script, steady_fleet):
    """Hann: a steady line off the bins reads at most 15.1 % low, and never high beyond the floor."""
    import json

    amplitude = script("yardstick").amplitude_mg
    for item in json.loads((steady_fleet.parent / "truth.json").read_text())["captures"]:
        found = amplitude((steady_fleet.parent / item["file"], item["firing_hz"]))
        assert 0.84 * item["mean_mg"] <= found <= 1.01 * item["mean_mg"], item["file"]


@pytest.mark.parametrize("processes", [1, 2])
def test_yardstick_prints_the_same_table_alone_and_in_a_pool(steady_fleet, processes):
    table = str(steady_fleet.parent / "captures.csv")
    said = subprocess.run(
        [sys.executable, str(BENCHES / "yardstick.py"), table, "--processes", str(processes)],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    rows = [line for line in said.splitlines() if re.match(r"(Cormorant|Dunlin|Wheatear)", line)]
    assert len(rows) == 3
    for row in rows:
        original, first, second = (float(cell) for cell in row.split()[-3:])
        assert original == 0.0
        assert -12.0 < first < 24.0
        assert 0.0 < second < 38.0


@pytest.mark.parametrize("bits", [16, 32])
def test_long_capture_is_read_by_another_library_as_its_head_says(script, tmp_path, bits):
    long_capture = script("long_capture")
    n = long_capture.write_capture(tmp_path / "long.wav", 0.01, bits)
    rate, counts = wavfile.read(tmp_path / "long.wav")
    assert rate == 51_200
    assert counts.shape == (n, 16)
    static = counts.mean(axis=0) * long_capture.FULL_SCALE / 2 ** (bits - 1)
    assert static[2] == pytest.approx(9.80665, abs=0.01)
    assert static[0] == pytest.approx(0.0, abs=0.01)


def test_long_capture_beyond_the_format_is_refused(script):
    with pytest.raises(ValueError, match="do not fit into a WAV"):
        script("long_capture").wav_head(2**31, 16)


def test_spectral_bench_compares_like_with_like(script):
    """Kernel and yardstick agree before their times are compared."""
    spectral = script("spectral_kernel")
    samples = np.random.default_rng(2).standard_normal((2, 100_000))
    assert spectral.largest_difference(samples, 1024, "float64") < 1e-12
    assert spectral.largest_difference(samples.astype(np.float32), 1024, "float32") < 1e-5


def test_bench_fleet_is_as_large_as_asked(script, monkeypatch, tmp_path):
    fleet_bench = script("fleet_bench")
    words = ["--platforms", "2", "--parts", "4", "--repeats", "2", "--seconds", "2", "--rate", "400", "--channels", "6"]
    monkeypatch.setattr(sys, "argv", ["fleet_bench.py", *words])
    spec = fleet_bench.fleet_of(fleet_bench.arguments())
    assert fleet_bench.size_of(spec) == 16
    folder = write_fleet(tmp_path / "fleet", spec, 1).parent
    assert len(list(folder.rglob("*.csv"))) == 17

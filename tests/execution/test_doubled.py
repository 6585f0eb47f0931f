"""One recording in two files is no second recording: found over unit, digits and axes, and left out with both names."""

import numpy as np
import pytest

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.testing import IdleSpec, idle_capture

SPEC = IdleSpec(duration_s=40, rate_hz=400, rpm=750)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Two fittings of each part; the candidate's second is its first again, in g, axes shuffled, five decimals."""
    folder = tmp_path_factory.mktemp("doubled")
    rows = ["file,platform,part,position,condition,repeat,cylinders,rpm,unit"]
    for number, part, repeat, seed in ((0, "original", 1, 0), (1, "candidate-A", 1, 1), (2, "original", 2, 2),
                                       (3, "candidate-A", 2, 1)):  # fmt: skip
        made = idle_capture(SPEC, seed)
        values, unit, digits = (made.acceleration, "m/s2", 6) if number < 3 else (
            made.acceleration[[1, 2, 0]] / 9.80665, "g", 5)  # fmt: skip
        table = np.column_stack([made.time_s, *values])
        np.savetxt(folder / f"c{number}.csv", table, "%." + f"{digits}f", ",", header="t_s,x,y,z", comments="")
        rows.append(f"c{number}.csv,Dunlin 2.0,{part},seat rail,idle-drive,{repeat},4,750,{unit}")
    (folder / "captures.csv").write_text("\n".join(rows) + "\n")
    (folder / "study.toml").write_text('title = "t"\ncaptures = "captures.csv"\nbaseline = "original"\nlimit_percent = 15\n')
    study = folder / "study.toml"
    return [run_study(study, archive_dir=folder / "archive", spread=Spread(workers=1)) for _ in range(2)]


def test_both_files_are_refused_and_name_each_other(run):
    states = {c["file"]: c for c in run[0].captures}
    assert [states[f"c{n}.csv"]["state"] for n in range(4)] == ["fit", "refused", "fit", "refused"]
    for file, other in (("c1.csv", "row 5 (c3.csv)"), ("c3.csv", "row 3 (c1.csv)")):
        (reason,) = states[file]["reasons"]
        assert reason["code"] == "duplicate"
        assert f"({file}) holds the same samples as {other}" in reason["detail"]
        assert "differ in repeat" in reason["detail"]


def test_a_copy_makes_no_repeat_and_no_verdict(run):
    (verdict,) = [c for c in run[0].comparisons if c["carries_verdict"]]
    assert verdict["n_candidate"] == 0
    assert verdict["verdict"] == "no_verdict"


def test_a_second_run_finds_the_copy_again_from_the_archive(run):
    assert [c["reasons"] for c in run[1].captures] == [c["reasons"] for c in run[0].captures]

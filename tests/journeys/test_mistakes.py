"""Mistakes a new user makes in study and table, and the message that lets each be mended in one try.

Three kinds: those that stop before a capture is read (exit code 3), those that cost one row (exit code 4, the
others go on), and those that only deserve a remark.
"""

import csv
import json
import sys

import pytest

from thrumline.pipeline.front.entry import main
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet

TABLE = """\
file,platform,part,position,condition,repeat,cylinders,rpm
a.csv,Wren 2.0,original,seat-rail,idle-drive,1,4,750
b.csv,Wren 2.0,candidate-A,seat-rail,idle-drive,1,4,750
"""
STUDY = """\
title = "Rear mounts"
captures = "captures.csv"
baseline = "original"
limit_percent = 15
"""


@pytest.fixture
def answered(tmp_path, monkeypatch, capsys):
    """Write study and table, run the command in this process, give back exit code and message."""

    def run(study=STUDY, table=TABLE, name="study.toml", typed=None):
        (tmp_path / name).write_text(study, encoding="utf-8")
        (tmp_path / "captures.csv").write_text(table, encoding="utf-8")
        words = ["run", str(tmp_path / (typed or name)), "--archive", str(tmp_path / "archive")]
        monkeypatch.setattr(sys, "argv", ["thrumline", *words])
        with pytest.raises(SystemExit) as left:
            main()
        assert not (tmp_path / "archive").exists(), "nothing may be stored for a study that cannot be run"
        return left.value.code, " ".join(capsys.readouterr().err.split())

    return run


STOPPED = [
    ("wrong path of the study", {"typed": "stduy.toml"}, ["no such file", "did you mean 'study.toml'?"]),
    ("wrong path of the table", {"study": STUDY.replace("captures.csv", "capture.csv")},
     ["no such file", "did you mean 'captures.csv'?"]),
    ("table given as the study", {"typed": "captures.csv"}, ["name the study's .toml file"]),
    ("misspelt key", {"study": STUDY.replace("limit_percent", "limit_precent")},
     ["'limit_precent'", "did you mean 'limit_percent'?"]),
    ("forgotten key", {"study": STUDY.replace("limit_percent = 15\n", "")},
     ["lacks 'limit_percent'", "Most the reading may rise over the baseline"]),
    ("decimal comma in the study", {"study": STUDY.replace("15", "12,5")},
     ["line 4: limit_percent = 12,5", "write limit_percent = 12.5"]),
    ("text without quotes", {"study": STUDY.replace('"original"', "original")}, ["line 3: baseline = original", 'write texts in quotes: baseline = "original"']),
    ("unit inside a number", {"study": STUDY.replace("15", '"15 %"')}, ["'15 %'", "write the number alone: limit_percent = 15"]),
    ("percent for a share", {"study": STUDY + "confidence = 95\n"}, ["confidence", "write 0.95"]),
    ("backslashes in a path", {"study": STUDY.replace("captures.csv", "data\\captures.csv")}, ["single quotes"]),
    ("band upside down", {"study": STUDY + "band_hz = [60, 20]\n"}, ["write band_hz = [20, 60]"]),
    ("unknown combination", {"study": STUDY + 'combination = "sum"\n'}, ["combination", "'sum'", "'rss'"]),
    ("unknown reading", {"study": STUDY + 'reading = "firing_oder"\n'}, ["'firing_oder'", "firing_order"]),
    ("unknown recipe", {"study": STUDY + 'recipe = "idel"\n'}, ["'idel'", "idle"]),
    ("stage setting at the wrong place", {"study": STUDY + "[screen]\nx = 1\n"}, ["[stage.screen]"]),
    ("misspelt baseline", {"study": STUDY.replace('"original"', '"orignal"')},
     ["'orignal'", "did you mean 'original'?"]),
    ("missing column", {"table": TABLE.replace(",repeat", ",rpt")}, ["'repeat'", "repeat"]),
    ("misspelt column", {"table": TABLE.replace("platform", "platfrom")}, ["rename 'platfrom' to 'platform'"]),
    ("column twice", {"table": TABLE.replace("cylinders", "Part")}, ["'part' more than once"]),
    ("blanks between columns", {"table": TABLE.replace(",", "  ")}, ["commas, semicolons or tabs"]),
    ("header alone", {"table": TABLE.splitlines()[0] + "\n"}, ["at least one row"]),
]  # fmt: skip


@pytest.mark.parametrize(("mistake", "change", "words"), STOPPED, ids=[case[0] for case in STOPPED])
def test_a_question_that_cannot_be_asked_is_told_what_to_mend(answered, mistake, change, words):
    """Exit code 3, nothing stored, and a message that names the place and the way out."""
    code, message = answered(**change)
    assert code == 3, message
    assert "Traceback" not in message
    for word in words:
        assert word in message, message


ROWS = {
    "missing file": ({"file": "captures/nowhere.csv"}, "missing_file", ["no such file"]),
    "unknown unit": ({"unit": "gee"}, "unknown_unit", ["'gee'", "allowed: g, mg"]),
    "counts without scale": ({"unit": "counts"}, "unknown_unit", ["'scale'", "m s-2 per count"]),
    "unit in a number": ({"rpm": "600 rpm"}, "not_numeric", ["'rpm'", "'600 rpm'"]),
    "thousands mark": ({"rpm": "1,200"}, "ambiguous", ["write 1200 or 1.200"]),
    "no repeat number": ({"repeat": ""}, "ambiguous", ["repeat numbers the fittings"]),
    "part spelt otherwise": ({"part": "Original"}, "ambiguous", ["'Original'", "'original'", "write them alike"]),
    "axes not understood": ({"axes": "xyz"}, "ambiguous", ["x=+c1 y=-c3 z=+c2"]),
    "stretch upside down": ({"start_s": "30", "stop_s": "5"}, "ambiguous", ["start_s before stop_s"]),
    "strokes for cylinders": ({"strokes": "6"}, "ambiguous", ["2 to 4"]),
}


@pytest.fixture(scope="module")
def repaired(tmp_path_factory):
    """A sound small fleet, with one spoilt row of each kind added to its table, run once as a semicolon table."""
    folder = tmp_path_factory.mktemp("fleet")
    spec = FleetSpec(platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=2, duration_s=32)
    study = write_fleet(folder, spec, 5)
    table = next(folder.rglob("captures.csv"))
    with table.open(newline="", encoding="utf-8-sig") as stream:
        sound = list(csv.DictReader(stream))
    columns = list(dict.fromkeys([*sound[0], "unit", "scale", "axes", "start_s", "stop_s", "strokes", "rpm"]))
    spoilt = []
    for name, (change, _, _) in ROWS.items():
        copy = table.parent / f"spoilt {name}.csv"
        copy.write_bytes((table.parent / sound[0]["file"]).read_bytes() + b"\n" * (len(spoilt) + 1))
        spoilt.append({**sound[0], "file": copy.name, "repeat": "9", **change})
    doubled = [dict(sound[0])]
    with table.open("w", newline="", encoding="utf-8-sig") as stream:
        writer = csv.DictWriter(stream, columns, delimiter=";", restval="")
        writer.writeheader()
        writer.writerows([*sound, *spoilt, *doubled])
    out = folder / "results"
    words = ["run", str(study), "--archive", str(folder / "archive"), "--out", str(out), "--workers", "1"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["thrumline", *words])
        with pytest.raises(SystemExit) as left:
            main()
    captures = json.loads((out / "captures.json").read_text())["captures"]
    comparisons = json.loads((out / "comparisons.json").read_text())["comparisons"]
    return left.value.code, len(sound), captures, comparisons


@pytest.mark.parametrize("name", ROWS)
def test_a_spoilt_row_is_refused_by_number_with_the_way_out(repaired, name):
    """The row stands in captures.json as refused, under its own number, with code and message."""
    code, n_sound, captures, _ = repaired
    number = 2 + n_sound + list(ROWS).index(name)
    (entry,) = [c for c in captures if c["row"] == number]
    _, wanted, words = ROWS[name]
    assert code == 4
    assert entry["state"] == "refused"
    assert [reason["code"] for reason in entry["reasons"]] == [wanted]
    for word in words:
        assert word in entry["reasons"][0]["detail"]


def test_one_capture_in_two_rows_refuses_both(repaired):
    """Neither row can be trusted; each names the other."""
    _, _, captures, _ = repaired
    first, last = captures[0], captures[-1]
    assert first["reasons"][0]["code"] == last["reasons"][0]["code"] == "duplicate"
    assert f"row {last['row']}" in first["reasons"][0]["detail"]
    assert f"row {first['row']}" in last["reasons"][0]["detail"]


def test_the_sound_rows_go_on_beside_the_spoilt_ones(repaired):
    """Spoilt rows cost themselves and nothing else: the comparison stands on the fittings that are left."""
    _, n_sound, captures, comparisons = repaired
    assert [c["state"] for c in captures[1:n_sound]] == ["fit"] * (n_sound - 1)
    (verdict,) = [c for c in comparisons if c["carries_verdict"] and c["baseline"] == "original"]
    assert verdict["candidate"] == "candidate-A"
    assert verdict["percent_change"] is not None

"""Remarks on what stands in a table without being wrong by itself."""

import math

import pytest

from thrumline.pipeline.contracts import StudyError
from thrumline.pipeline.study import Study, check_question, read_captures_table

HEADER = "file,platform,part,position,condition,repeat,take,cylinders,rpm"
NEAR = (0.0, 0.01, -0.01)


@pytest.fixture
def remarks(tmp_path):
    def ask(*rows, header=HEADER, **keys):
        path = tmp_path / "captures.csv"
        path.write_text("\n".join([header, *rows]) + "\n")
        asked = {"title": "t", "captures": "captures.csv", "baseline": "original", "limit_percent": 15, **keys}
        return check_question(Study(**asked), read_captures_table(path, check_files=False))

    return ask


GOOD = ("a.csv,Wren,original,seat-rail,idle-drive,1,,8,600", "b.csv,Wren,candidate-A,seat-rail,idle-drive,1,,8,600")


def test_a_sound_table_gets_no_remark(remarks):
    assert remarks(*GOOD) == ()


def test_a_misspelt_baseline_is_refused_before_anything_is_read(remarks):
    with pytest.raises(StudyError, match="did you mean 'original'"):
        remarks(*GOOD, baseline="orignal")


def test_a_baseline_in_refused_rows_only_is_still_known(remarks):
    assert remarks(GOOD[0].replace("600", "idle"), GOOD[1], baseline="original") is not None


def test_a_limit_written_as_a_fraction_is_remarked(remarks):
    assert any("write 15" in note for note in remarks(*GOOD, limit_percent=0.15))


def test_a_lonely_baseline_is_remarked(remarks):
    assert any("nothing to compare" in note for note in remarks(GOOD[0]))


def test_rows_without_cylinders_are_named(remarks):
    rows = [GOOD[0], GOOD[1].replace(",8,", ",,")]
    assert any("row 3: neither cylinders" in note for note in remarks(*rows))


def test_a_highest_bin_without_rpm_or_band_is_remarked(remarks):
    rows = [row.removesuffix("600") for row in GOOD]
    assert any("band_hz" in note for note in remarks(*rows, reading="highest_bin"))
    assert remarks(*rows, reading="highest_bin", band_hz=(20, 60)) == ()


def test_fittings_all_numbered_one_are_remarked(remarks):
    """The commonest way to lose an interval: three fittings in the table, each called repeat 1."""
    rows = [GOOD[0], GOOD[0].replace("a.csv", "c.csv"), GOOD[1]]
    assert any("rows 2, 3 all say repeat 1" in note for note in remarks(*rows))


def test_takes_that_say_so_are_not_remarked(remarks):
    rows = [GOOD[0].replace(",1,,", ",1,1,"), GOOD[0].replace("a.csv", "c.csv").replace(",1,,", ",1,2,"), GOOD[1]]
    assert remarks(*rows) == ()


def test_a_candidate_at_another_position_is_told_where_the_baseline_is(remarks):
    found = remarks(GOOD[0], GOOD[1].replace("seat-rail", "steering-wheel"))
    assert any("'steering-wheel, idle-drive'" in n and "'seat-rail, idle-drive'" in n for n in found)


def test_engine_off_captures_need_no_cylinders(remarks):
    assert remarks(*GOOD, "c.csv,Wren,original,seat-rail,engine-off,1,,,") == ()


def test_two_parts_swapped_in_the_table_are_remarked(fleet):
    """Repeat 2 of both parts bears the other's name: 30 % apart at 1 % scatter."""
    for repeat, log in enumerate(NEAR, start=1):
        swapped = repeat == 2
        fleet.take("candidate-A" if swapped else "original", 5 * math.exp(log), str(repeat))
        fleet.take("original" if swapped else "candidate-A", 6.5 * math.exp(log), str(repeat))
    (note,) = [n for n in fleet.answer().notes if "swapped" in n]
    assert "repeat 2 of original" in note
    assert "repeat 2 of candidate-A" in note


def test_parts_that_merely_scatter_are_not_called_swapped(fleet):
    spread = (0.0, 0.03, -0.03)
    fleet.part("original", spread).part("candidate-A", [0.3 + s for s in spread])
    assert not [n for n in fleet.answer().notes if "swapped" in n]


@pytest.mark.parametrize("n", [3, 5])
def test_alike_parts_are_called_swapped_less_than_once_in_a_hundred(n):
    """1,000 studies of two parts that do not differ: where chance finds the best exchange."""
    import numpy as np

    from thrumline.pipeline.study.pairing import Repeat, Side
    from thrumline.pipeline.study.slips import perhaps_swapped

    rng = np.random.default_rng(n)

    def side(part):
        values = np.exp(0.03 * rng.standard_normal(n))
        return Side(part, tuple(Repeat(str(i), float(v), None, 1, False, ()) for i, v in enumerate(values)))

    assert sum(perhaps_swapped(side("a"), side("b")) is not None for _ in range(1000)) < 10

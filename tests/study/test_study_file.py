"""The study file: what is read, and what each mistake is told."""

import pytest

from thrumline.pipeline.contracts import StudyError
from thrumline.pipeline.study import load_study, question_keys

GOOD = """
title = "Rear mounts, spring campaign"
captures = "captures.csv"
baseline = "original"
limit_percent = 15
"""


@pytest.fixture
def written(tmp_path):
    def write(text, name="study.toml", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return write


def refusal(path):
    with pytest.raises(StudyError) as caught:
        load_study(path)
    return str(caught.value)


def test_four_keys_make_a_study_with_the_documented_defaults(written):
    study = load_study(written(GOOD))
    assert (study.recipe, study.confidence, study.minimum_duration_s) == ("idle", 0.95, 30.0)
    assert (study.reading, study.combination, study.looks) == ("firing_order", "rss", 1)
    assert study.limit_mg is None


def test_the_table_is_found_beside_the_study_file(written, tmp_path):
    study = load_study(written(GOOD))
    assert study.base_dir == tmp_path
    assert study.table_path == tmp_path / "captures.csv"


def test_stage_tables_pass_through_untouched(written):
    study = load_study(written(GOOD + "[stage.spectra]\nresolution_hz = 0.5\n[stage.screen]\nmarkers_s = 10\n"))
    assert study.stage == {"spectra": {"resolution_hz": 0.5}, "screen": {"markers_s": 10}}


def test_a_byte_order_mark_does_no_harm(written):
    assert load_study(written(GOOD, encoding="utf-8-sig")).baseline == "original"


def test_a_study_cannot_be_changed_after_it_was_read(written):
    study = load_study(written(GOOD))
    with pytest.raises(ValueError, match="frozen"):
        study.limit_percent = 99.0


def test_every_key_has_a_meaning_for_the_help():
    assert all(len(text) > 10 for text in question_keys().values())


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("limit_precent = 15", "limit_percent"),
        ("Limit-percent = 15", None),
        ("baselin = 'original'", "baseline"),
        ("equivalence = 10", "equivalence_percent"),
        ("min_duration_s = 20", "minimum_duration_s"),
        ("band = [70, 90]", "band_hz"),
    ],
)
def test_an_unknown_key_is_named_with_the_nearest_known_one(written, typed, meant):
    key = typed.split("=")[0].strip()
    message = refusal(written(GOOD + typed + "\n"))
    assert repr(key) in message
    if meant:
        assert f"did you mean {meant!r}" in message


def test_stage_settings_at_the_wrong_place_are_told_the_right_one(written):
    assert "[stage.zoom]" in refusal(written(GOOD + "[zoom]\nwidth = 2\n"))


def test_all_missing_keys_are_named_at_once(written):
    message = refusal(written("title = 't'\n"))
    assert all(repr(key) in message for key in ("captures", "baseline", "limit_percent"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("confidence = 95", ("confidence", "95", "less than 1")),
        ("confidence = 1.0", ("confidence", "less than 1")),
        ("limit_mg = -3", ("limit_mg", "-3", "greater than 0")),
        ("negligible_mg = 0", ("negligible_mg", "greater than 0")),
        ("looks = 0", ("looks", "greater than or equal to 1")),
        ("looks = 2.5", ("looks", "2.5")),
        ("combination = 'vector'", ("combination", "'vector'", "'rss'")),
        ("band_hz = [90, 70]", ("band_hz", "rising")),
        ("band_hz = [70]", ("band_hz",)),
        ("minimum_duration_s = '30 s'", ("minimum_duration_s", "'30 s'", "number")),
        ("equivalence_percent = 100", ("equivalence_percent", "less than 100")),
        ("limit_mg = 2\nnegligible_mg = 3", ("negligible_mg", "limit_mg")),
        ("limit_mg = nan", ("limit_mg",)),
    ],
)
def test_a_value_that_cannot_be_meant_is_refused_with_what_is_allowed(written, text, words):
    message = refusal(written(GOOD + text + "\n"))
    assert all(word in message for word in words), message


def test_a_decimal_comma_is_shown_with_its_line(written):
    message = refusal(written(GOOD.replace("15", "12,5")))
    assert "line 5: limit_percent = 12,5" in message
    assert "write limit_percent = 12.5" in message


@pytest.mark.parametrize("typed", ["15 %", "15%", '"15 %"', '"15,0 percent"'])
def test_a_number_with_its_unit_is_told_the_number_alone(written, typed):
    message = refusal(written(GOOD.replace("= 15", f"= {typed}")))
    assert "limit_percent = 15" in message
    assert "number alone" in message


def test_a_text_without_quotes_is_shown_with_its_line(written):
    message = refusal(written(GOOD.replace('"original"', "original")))
    assert "line 4: baseline = original" in message
    assert 'write texts in quotes: baseline = "original"' in message


def test_a_backslash_path_in_quotes_is_explained(written):
    message = refusal(written(GOOD.replace("captures.csv", "data\\captures.csv")))
    assert "single quotes" in message


def test_a_backslash_that_became_a_tab_is_explained(written):
    """In double quotes \\t is a tab: the path would be looked for in vain."""
    message = refusal(written(GOOD.replace("captures.csv", "data\\tables.csv")))
    assert "control character" in message
    assert "single quotes" in message


def test_a_backslash_path_in_single_quotes_is_followed(written, tmp_path):
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "captures.csv").write_text("x")
    study = load_study(written(GOOD.replace('"captures.csv"', "'data\\captures.csv'")))
    assert study.table_path.is_file()


def test_a_misspelt_file_name_is_answered_with_the_one_that_is_there(written, tmp_path):
    written(GOOD, "spring.toml")
    assert "did you mean 'spring.toml'?" in refusal(tmp_path / "sprin.toml")


def test_a_folder_is_no_study_file(tmp_path):
    assert "a folder" in refusal(tmp_path)


def test_a_table_given_as_the_study_file_is_recognised(written):
    message = refusal(written("file;platform;part\na.csv;Wren 2.0;original\n", "captures.csv"))
    assert "name the study's .toml file" in message


def test_other_encodings_are_refused_with_the_way_out(written):
    assert "save it as UTF-8" in refusal(written(GOOD.replace("spring", "Frühjahr"), encoding="latin-1"))

"""The order reading against known truth on simulated captures: a sample of the benchmark, and the whole nightly."""

import importlib.util
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

BENCH = Path(__file__).parents[2] / "bench_datasets" / "order_accuracy.py"
SAMPLE = 0.02


@cache
def bench():
    """The benchmark's own module, loaded from its file."""
    spec = importlib.util.spec_from_file_location("order_accuracy_bench", BENCH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@cache
def found(share):
    return bench().outcomes(share)


def strong(items):
    """Captures with a line at 20 dB and above."""
    return [item for item in items if item.case.ratio_db is not None and item.case.ratio_db >= 20.0]


def read(items):
    return [item for item in items if item.code is None]


def test_sample_has_no_refusal_at_20_db_and_no_false_line():
    assert [item.code for item in strong(found(SAMPLE)) if item.code is not None] == []
    assert bench().false_lines(found(SAMPLE))[0] == 0


def test_sample_is_unbiased_and_its_frequencies_are_right():
    items = read(strong(found(SAMPLE)))
    errors = np.array([item.error for item in items])
    assert len(errors) >= 25
    assert abs(np.mean(errors)) <= 0.01
    assert all(item.frequency_right for item in items)


def test_sample_states_its_uncertainty_right():
    """Normalised errors of a sample this small: their spread within 0.7 and 1.4."""
    normal = [item.normalised for item in read(strong(found(SAMPLE)))]
    assert 0.7 < np.std(normal) < 1.4


def test_same_seed_gives_the_same_case():
    one, other = (bench().drawn_case(17, 1) for _ in range(2))
    assert one == other
    assert bench().drawn_case(18, 1) != one


def test_table_counts_every_capture_with_a_line_once():
    rows = bench().table(found(SAMPLE))
    weak = sum(row.n for row in bench().weak_table(found(SAMPLE)))
    silent = bench().false_lines(found(SAMPLE))[1]
    assert sum(row.n for row in rows) + weak + silent == round(SAMPLE * bench().FULL)


def test_sample_of_weak_lines_gets_bounds_and_no_value():
    rows = bench().weak_table(found(SAMPLE))
    assert sum(row.n for row in rows) >= 6
    assert sum(row.valued for row in rows) == 0
    assert sum(row.bounded for row in rows) == sum(row.n for row in rows)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
def test_whole_benchmark_meets_its_targets():
    """2,000 captures: bias, refusals, frequencies, false lines, and the spread of the normalised error per ratio."""
    items = found(1.0)
    print("\n".join(bench().lines_of(bench().table(items))))
    false, silent = bench().false_lines(items)
    assert false <= 0.01 * silent
    for ratio in bench().RATIOS_DB:
        for running_up in (False, True):
            of_class = [
                item for item in items if (item.case.ratio_db, item.case.running_up) == (ratio, running_up)
            ]
            values = read(of_class)
            assert 0.9 <= float(np.std([item.normalised for item in values], ddof=1)) <= 1.1
            assert sum(not item.frequency_right for item in values) <= 0.01 * len(values)
            if ratio >= 20.0:
                assert len(of_class) - len(values) <= 0.01 * len(of_class)
                assert abs(np.mean([item.error for item in values])) <= 0.01
    weak = bench().weak_table(items)
    assert sum(row.valued for row in weak) <= 0.01 * sum(row.n for row in weak)
    assert sum(row.held for row in weak) >= 0.95 * sum(row.bounded for row in weak)

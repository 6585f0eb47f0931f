"""The root between two bounds: closed forms, another library, and what is refused."""

import math

import numpy as np
import pytest

from thrumline.pipeline.kernels.roots import brent_root

FUNCTIONS = {
    "steep": lambda x: math.tanh(1e3 * (x - 0.3)),
    "flat at the root": lambda x: (x - 0.3) ** 3,
    "a pole beyond the bounds": lambda x: 1.0 / (x + 4.0) - 1.0 / 4.3,
    "decades high on one side": lambda x: math.expm1(40.0 * (x - 0.3)),
}


@pytest.mark.parametrize("name", FUNCTIONS)
@pytest.mark.parametrize(("xtol", "rtol"), [(1e-15, 1e-14), (2e-12, 9e-16), (1e-6, 1e-9)])
def test_the_root_is_found_within_what_was_asked_for(name, xtol, rtol):
    """A flat root is known to the cube root of what a float resolves, whoever looks for it."""
    flat = 1e-5 if name == "flat at the root" else 1e-15
    found = brent_root(FUNCTIONS[name], -2.0, 1.7, xtol=xtol, rtol=rtol)
    assert found == pytest.approx(0.3, abs=xtol + rtol + flat)


@pytest.mark.parametrize("name", [name for name in FUNCTIONS if name != "flat at the root"])
def test_it_is_the_root_that_a_general_library_finds_in_as_many_steps(name):
    from scipy.optimize import brentq

    calls = []

    def counted(x):
        calls.append(x)
        return FUNCTIONS[name](x)

    theirs, told = brentq(FUNCTIONS[name], -2.0, 1.7, full_output=True)
    assert brent_root(counted, -2.0, 1.7) == pytest.approx(theirs, abs=4e-12)
    assert len(calls) <= told.function_calls + 2


def test_a_root_at_a_bound_and_a_line_are_met_exactly():
    assert brent_root(lambda x: x, 0.0, 1.0) == 0.0
    assert brent_root(lambda x: x - 1.0, 0.0, 1.0) == 1.0
    assert brent_root(lambda x: 2.0 * x - 1.0, -3.0, 1.0) == 0.5


def test_bounds_with_one_sign_are_refused_with_both_values():
    with pytest.raises(ValueError, match=r"change of sign.*1\.0 at 1\.0.*4\.0 at 2\.0"):
        brent_root(np.square, 1.0, 2.0)

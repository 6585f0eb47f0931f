"""One door for checks against published numbers and other libraries: each says what, against whom, how close."""

import json
from pathlib import Path

import numpy as np
import pytest


@pytest.fixture(scope="session")
def reference():
    """Published and independently worked out numbers, see the sources named beside each check."""
    return json.loads((Path(__file__).parent / "reference_values.json").read_text(encoding="utf-8"))


@pytest.fixture
def published(record_property):
    """Compare a found number with an outside one, and record quantity, source, tolerance and both numbers."""

    def check(quantity, found, expected, source, *, rel=None, abs=None):  # noqa: A002
        tolerance = f"{rel:g} relative" if rel is not None else f"{abs:g}"
        worst = float(np.max(np.abs(np.asarray(found, dtype=complex) - np.asarray(expected, dtype=complex))))
        record_property(
            "published", json.dumps({"quantity": quantity, "source": source, "tolerance": tolerance, "apart": worst})
        )
        assert found == pytest.approx(expected, rel=rel, abs=abs if abs is not None else 0.0), (quantity, source)

    return check

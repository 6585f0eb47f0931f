"""Level strips in a result: one array for all of them, and the arrays of earlier results."""

from __future__ import annotations

import numpy as np
import xarray
from zarr.storage import ZipStore

from thrumline.pipeline.contracts import Fitness
from thrumline.pipeline.execution.chain import ChainOutcome
from thrumline.pipeline.execution.results import SPECTRA_STORE, commit_result, levels_of
from thrumline.storage import Archive

CAPTURE, RESULT = "cd" * 16, "ef" * 16
LEVELS = {"x": np.array([1.0, 2.5, np.nan]), "dose": np.array([0.0, 0.25, 4.0])}


def test_strips_come_back_by_name_from_one_array_that_plain_xarray_opens(tmp_path) -> None:
    """Written together, read apart; the names stand beside them."""
    with Archive.open(tmp_path / "archive", role="coordinator", create=True) as archive:
        outcome = ChainOutcome(fitness=Fitness("fit", levels=LEVELS), readings=(), products={}, faults={})
        tree = commit_result(archive, RESULT, CAPTURE, outcome, {}, {})
        found = levels_of(tree.zarr(SPECTRA_STORE))
        plain = xarray.open_zarr(ZipStore(tree.place_of(SPECTRA_STORE), mode="r"), consolidated=False)
        assert list(found) == list(LEVELS) == plain.strips.attrs["levels"]
        for row, (name, values) in zip(plain.strips.values, LEVELS.items(), strict=True):
            np.testing.assert_array_equal(found[name], values)
            np.testing.assert_array_equal(row, values)


def test_strips_of_results_made_earlier_are_read(tmp_path) -> None:
    """They have an array each."""
    with Archive.open(tmp_path / "archive", role="coordinator", create=True) as archive:
        with archive.draft("results", RESULT) as draft:
            for name, values in LEVELS.items():
                draft.zarr(SPECTRA_STORE).put(f"strip_{name}", values, dims=("strip",))
            tree = draft.commit({"capture_id": CAPTURE}, {})
        found = levels_of(tree.zarr(SPECTRA_STORE))
        assert set(found) == set(LEVELS)
        for name, values in LEVELS.items():
            np.testing.assert_array_equal(found[name], values)

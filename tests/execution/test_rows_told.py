"""Whoever commits a tree tells its row of the index: nobody opens its manifest again, and the row is the same."""

from __future__ import annotations

import hashlib

from thrumline.pipeline.api.rerun import note_done
from thrumline.pipeline.contracts import Fitness
from thrumline.pipeline.execution.orders import Done
from thrumline.storage import Archive, TreeRow

RESULT = hashlib.sha256(b"a result").hexdigest()


def test_what_a_worker_tells_is_indexed_as_what_is_on_the_disk(tmp_path):
    """Coordinator and worker on one archive; the index knows the result before anything is reconciled."""
    with (
        Archive.open(tmp_path / "archive", role="coordinator", create=True) as archive,
        Archive.open(tmp_path / "archive", role="worker") as worker,
    ):
        content = {"capture_id": "c", "summary": {"readings": [], "fitness": {"state": "fit"}}}
        tree = worker.put_small("results", RESULT, content, {})
        assert archive.catalogue.tree_seal("results", RESULT) is None
        note_done(archive, Done(1, "c", RESULT, "s", Fitness("fit"), committed=(TreeRow.of(tree),), new_result=True))
        assert archive.catalogue.tree_seal("results", RESULT) == tree.seal
        assert archive.catalogue.summaries("results", [RESULT]) == {RESULT: content["summary"]}
        read = archive.tree("results", RESULT)
        assert TreeRow.of(read) == TreeRow.of(tree)

"""Work that another process does meanwhile."""

from __future__ import annotations

import multiprocessing
import os
import time

import pytest

from thrumline.pipeline.execution import beside
from thrumline.pipeline.execution.beside import begun_beside
from thrumline.pipeline.execution.early_workers import START_METHOD, import_once

forked = pytest.mark.skipif(START_METHOD != "forkserver", reason="no process to be forked from on this system")


@forked
def test_work_is_done_before_anybody_waits_for_it(tmp_path):
    import_once()
    wait = begun_beside(os.mkdir, tmp_path / "made")
    deadline = time.monotonic() + 60
    while not (tmp_path / "made").exists():
        assert time.monotonic() < deadline, "nobody does it"
        time.sleep(0.01)
    wait()


@forked
def test_what_the_other_process_could_not_do_is_raised_here_with_its_own_words(tmp_path, capfd):
    import_once()
    wait = begun_beside(os.mkdir, tmp_path)
    with pytest.raises(FileExistsError, match=str(tmp_path)):
        wait()
    assert capfd.readouterr() == ("", "")


@forked
def test_where_no_process_may_be_started_it_is_done_here(tmp_path, monkeypatch):
    """As in a process of a pool, which may have no children."""
    import_once()
    monkeypatch.setitem(multiprocessing.current_process()._config, "daemon", True)
    begun_beside(os.mkdir, tmp_path / "made")()
    assert (tmp_path / "made").is_dir()


def test_without_a_process_to_be_forked_from_it_is_done_when_it_is_waited_for(tmp_path, monkeypatch):
    monkeypatch.setattr(beside, "workers_have_a_parent", lambda: False)
    wait = begun_beside(os.mkdir, tmp_path / "made")
    assert not (tmp_path / "made").exists()
    wait()
    assert (tmp_path / "made").is_dir()

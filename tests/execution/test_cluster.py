"""A real cluster: scheduler and workers started apart, in another folder; killed, paused, differing, poisoned."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from distributed import Client

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import PluginError
from thrumline.pipeline.execution import spread as spreading
from thrumline.pipeline.testing import FleetSpec, demo_fleet, write_fleet
from thrumline.storage import Archive

OUTSIDE = Path(__file__).parents[1] / "host" / "outside_plugin" / "good"
QUICK = "minimum_duration_s = 3\n"


def short_fleet(folder, repeats, *, seconds=4.0):
    """One platform, two parts, short captures: what counts is their number."""
    spec = FleetSpec(
        platforms=demo_fleet().platforms[:1], parts=("original", "candidate-A"), repeats=repeats, faults=(),
        duration_s=seconds, rates_hz=(400.0,), taps=False,
    )  # fmt: skip
    study = write_fleet(folder, spec, 11)
    text = study.read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("minimum_duration_s")]
    study.write_text(QUICK + "\n".join(lines) + "\n", encoding="utf-8")
    return study


class Cluster:
    """``dask scheduler`` and ``dask worker`` processes of their own, working in a folder of their own."""

    def __init__(self, folder, stack, time_out):
        self.folder, self.stack, self.workers, self.n_started = folder, stack, [], 0
        self.address_file = folder / "scheduler.json"
        settings = {"DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL": time_out, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1"}
        self.start(
            ["scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", "scheduler.json"],
            settings,
        )
        deadline = time.monotonic() + 120
        while not self.address_file.exists() and time.monotonic() < deadline:
            time.sleep(0.1)
        self.client = stack.enter_context(Client(scheduler_file=str(self.address_file), timeout="60s"))
        self.address = self.client.scheduler.address

    def start(self, words, settings):
        self.n_started += 1
        log = self.stack.enter_context((self.folder / f"process-{self.n_started}.log").open("wb"))
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words], cwd=self.folder, env={**os.environ, **settings},
            stdout=subprocess.DEVNULL, stderr=log, start_new_session=True,
        )  # fmt: skip
        self.stack.callback(self.end, process)
        return process

    def end(self, process):
        if process.poll() is None:
            for number in (signal.SIGCONT, signal.SIGKILL):
                os.killpg(process.pid, number)
            process.wait()

    def add_worker(self, name, **settings):
        process = self.start(
            ["worker", "--scheduler-file", "scheduler.json", "--no-nanny", "--nthreads", "1", "--name", name,
             "--no-dashboard", "--memory-limit", "0"],
            {"OPENBLAS_NUM_THREADS": "1", **settings},
        )  # fmt: skip
        self.workers.append((name, process))

    def wait(self, n):
        self.client.wait_for_workers(n, timeout=180)

    def at_work(self, name):
        """Whether orders are on that worker now."""
        info = self.client.scheduler_info(n_workers=-1)["workers"]
        addresses = [address for address, about in info.items() if about["name"] == name]
        busy = self.client.processing()
        return any(busy.get(address) for address in addresses)

    def signal(self, name, number):
        process = dict(self.workers)[name]
        os.killpg(process.pid, number)


@contextmanager
def cluster_in(folder, time_out="60s"):
    folder.mkdir()
    with ExitStack() as stack:
        yield Cluster(folder, stack, time_out)


@pytest.fixture
def cluster(tmp_path):
    with cluster_in(tmp_path / "elsewhere") as made:
        yield made


def run_on(cluster, study, folder, watch=None):
    spread = Spread(scheduler=cluster.address)
    return run_study(study, archive_dir=folder / "archive", out_dir=folder / "out", spread=spread, watch=watch)


def all_there_once(run, folder, n):
    """Every capture has one result, the archive holds each once and is whole."""
    assert [entry["state"] for entry in run.captures] == ["fit"] * n
    assert len({entry["result_id"] for entry in run.captures}) == n
    results = sorted(path.name for path in (folder / "archive" / "results").glob("??/*"))
    assert results == sorted(entry["result_id"] for entry in run.captures)
    with Archive.open(folder / "archive", role="reader") as archive:
        report = archive.verify("data")
        assert (report.damage, report.unchecked) == ([], [])


def once_at_work(cluster, names, action):
    """A watcher that acts once, when all the workers named have orders on them; and how often it acted."""
    acted = []

    def watch(_step):
        if not acted and all(cluster.at_work(name) for name in names):
            acted.append(True)
            action()

    return watch, acted


def test_a_worker_killed_in_mid_run_costs_a_rerun_only(cluster, tmp_path):
    """Scheduler and workers stand in another folder; one is killed with orders on it: all results, each once."""
    study = short_fleet(tmp_path / "fleet", 12)
    for name in ("one", "two", "three"):
        cluster.add_worker(name)
    cluster.wait(3)
    watch, acted = once_at_work(cluster, ["two"], lambda: cluster.signal("two", signal.SIGKILL))
    run = run_on(cluster, study, tmp_path, watch)
    assert acted == [True]
    all_there_once(run, tmp_path, 24)
    assert run.n_new_results == 24


@pytest.mark.nightly
@pytest.mark.timeout(600)
def test_one_worker_killed_and_one_paused_past_its_time_out_lose_nothing(tmp_path):
    """The paused one wakes after its orders were done elsewhere: what it still writes changes nothing."""
    with cluster_in(tmp_path / "elsewhere", time_out="15s") as cluster:
        killed_and_paused(cluster, tmp_path)


def killed_and_paused(cluster, tmp_path):
    study = short_fleet(tmp_path / "fleet", 30)
    for name in ("one", "two", "three"):
        cluster.add_worker(name)
    cluster.wait(3)

    def trouble():
        cluster.signal("two", signal.SIGKILL)
        cluster.signal("three", signal.SIGSTOP)
        # wakes when the scheduler has given it up (15 s)
        threading.Timer(40.0, cluster.signal, ("three", signal.SIGCONT)).start()

    watch, acted = once_at_work(cluster, ["two", "three"], trouble)
    run = run_on(cluster, study, tmp_path, watch)
    assert acted == [True]
    all_there_once(run, tmp_path, 60)
    time.sleep(20.0)
    all_there_once(run, tmp_path, 60)


def test_a_worker_with_other_plugins_is_refused_by_name_and_version(cluster, tmp_path):
    """Found before anything runs: what only the worker has, distribution and version included."""
    study = short_fleet(tmp_path / "fleet", 1)
    cluster.add_worker("richer", PYTHONPATH=str(OUTSIDE))
    cluster.wait(1)
    with pytest.raises(PluginError) as refused:
        run_on(cluster, study, tmp_path)
    said = str(refused.value)
    assert "has other plugins than this machine" in said
    assert "only there: " in said
    assert "stage crest (rig-crest 1.2, numbers 1)" in said
    assert "only here: nothing" in said


def test_a_worker_with_other_plugins_that_joins_late_is_sent_away_and_its_orders_go_to_the_others(
    cluster, tmp_path, monkeypatch
):
    """The check at the start cannot see it: its first order tells."""
    study = short_fleet(tmp_path / "fleet", 4)
    cluster.add_worker("like-us")
    cluster.add_worker("richer", PYTHONPATH=str(OUTSIDE))
    cluster.wait(2)
    monkeypatch.setattr(spreading, "_same_plugins", lambda client, job: None)  # as if it had joined after it
    run = run_on(cluster, study, tmp_path)
    all_there_once(run, tmp_path, 8)
    names = [about["name"] for about in cluster.client.scheduler_info(n_workers=-1)["workers"].values()]
    assert names == ["like-us"]


POISON = '''
import os, signal
from thrumline.pipeline.contracts import Derivation, ProductSpec, hookimpl

class Poison(Derivation):
    """Ends its process on captures longer than five seconds."""
    name = "poison"
    makes = "poisoned"
    numeric_version = 1

    def schema(self, incoming):
        return incoming.plus(ProductSpec("poisoned", (), ""))

    def derive(self, products, context):
        if context.span_s[1] - context.span_s[0] > 5.0:
            os.kill(os.getpid(), signal.SIGKILL)
        return None

@hookimpl
def register_stages():
    return [Poison]
'''


@pytest.fixture
def poison(tmp_path, monkeypatch):
    """An installed stage that kills the process it runs in, on some captures."""
    folder = tmp_path / "installed"
    about = folder / "rig_poison-1.0.dist-info"
    about.mkdir(parents=True)
    (folder / "rig_poison.py").write_text(POISON)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: rig-poison\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[thrumline.plugins]\nrig_poison = rig_poison\n")
    monkeypatch.syspath_prepend(str(folder))
    paths = [str(folder), os.environ.get("PYTHONPATH", "")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(path for path in paths if path))


@pytest.mark.nightly
@pytest.mark.timeout(600)
@pytest.mark.usefixtures("poison")
def test_a_capture_that_kills_its_worker_is_refused_and_the_others_finish(tmp_path):
    """Twice on a worker, the second time alone: the culprit is named, the innocent are done."""
    study = short_fleet(tmp_path / "fleet", 3)
    long = short_fleet(tmp_path / "longer", 1, seconds=6.0)
    culprit = sorted((study.parent / "captures").rglob("*.csv"))[0]
    shutil.copyfile(sorted((long.parent / "captures").rglob("*.csv"))[0], culprit)
    recipe = Path(spreading.__file__).parents[1] / "recipe" / "recipes" / "idle.toml"
    stages = recipe.read_text(encoding="utf-8").replace('  "lines",\n', '  "lines",\n  "poison",\n')
    (study.parent / "poisoned.toml").write_text(stages.replace('name = "idle"', 'name = "poisoned"'))
    study.write_text('recipe = "poisoned.toml"\n' + study.read_text(encoding="utf-8"), encoding="utf-8")
    run = run_study(study, archive_dir=tmp_path / "archive", out_dir=tmp_path / "out", spread=Spread(workers=2))
    states = {entry["file"]: (entry["state"], [reason["code"] for reason in entry["reasons"]]) for entry in run.captures}
    name = culprit.relative_to(study.parent).as_posix()
    assert states.pop(name) == ("refused", ["worker_killed"])
    assert [state for state, _ in states.values()] == ["fit"] * 5

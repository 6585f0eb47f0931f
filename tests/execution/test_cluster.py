"""A real cluster: scheduler and workers started apart, in another folder; killed, paused, differing, poisoned."""

from __future__ import annotations

import json
import os
import shutil
import signal
import site
import subprocess
import sys
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest
from distributed import Client

from thrumline.pipeline.api import Spread, run_study
from thrumline.pipeline.contracts import PluginError, ThrumlineError
from thrumline.pipeline.execution import cluster as cluster_module
from thrumline.pipeline.execution import handing_out
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
    """``dask scheduler`` and ``dask worker`` processes of their own, each working in a folder of its own."""

    def __init__(self, folder, stack, time_out, python=sys.executable):
        self.folder, self.stack, self.workers, self.n_started = folder, stack, [], 0
        self.python = str(python)
        self.address_file = folder / "scheduler.json"
        settings = {"DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL": time_out, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1"}
        self.start(
            ["scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(self.address_file)],
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
        home = self.folder / f"process-{self.n_started}"
        home.mkdir()
        process = subprocess.Popen(
            [self.python, "-m", "dask", *words], cwd=home, env={**os.environ, **settings},
            stdout=subprocess.DEVNULL, stderr=log, start_new_session=True,
        )  # fmt: skip
        self.stack.callback(self.end, process)
        return process

    def end(self, process):
        if process.poll() is None:
            for number in (signal.SIGCONT, signal.SIGKILL):
                os.killpg(process.pid, number)
            process.wait()

    def add_worker(self, name, *, nanny=False, **settings):
        process = self.start(
            ["worker", "--scheduler-file", str(self.address_file), "--nanny" if nanny else "--no-nanny", "--nthreads", "2", "--name", name,
             "--no-dashboard", "--memory-limit", "0"],
            {"OPENBLAS_NUM_THREADS": "1", **settings},
        )  # fmt: skip
        self.workers.append((name, process))

    def wait(self, n):
        self.client.wait_for_workers(n, timeout=180)

    def names(self):
        """Workers that the scheduler knows of now."""
        return [about["name"] for about in self.client.scheduler_info(n_workers=-1)["workers"].values()]

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
def cluster_in(folder, time_out="60s", python=sys.executable):
    folder.mkdir()
    with ExitStack() as stack:
        yield Cluster(folder, stack, time_out, python)


@pytest.fixture
def cluster(tmp_path):
    with cluster_in(tmp_path / "elsewhere") as made:
        yield made


def run_on(cluster, study, folder, watch=None):
    spread = Spread(scheduler=cluster.address)
    return run_study(study, archive_dir=folder / "archive", out_dir=folder / "out", spread=spread, watch=watch)


def all_there_once(run, folder, n):
    """Every capture has one result, the archive holds each once and is whole."""
    assert {entry["file"]: entry["reasons"] for entry in run.captures if entry["state"] != "fit"} == {}
    assert len(run.captures) == n
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
    # what the killed one had committed without a word is found there, not made anew: at most the task in its hand
    assert 24 - handing_out.TOGETHER <= run.n_new_results <= 24


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
    study = short_fleet(tmp_path / "fleet", 16)
    cluster.add_worker("like-us")
    cluster.add_worker("richer", PYTHONPATH=str(OUTSIDE))
    cluster.wait(2)
    monkeypatch.setattr(cluster_module, "_same_plugins", lambda client, job: None)  # as if it had joined after it
    run = run_on(cluster, study, tmp_path)
    all_there_once(run, tmp_path, 32)
    deadline = time.monotonic() + 20.0
    while (names := cluster.names()) != ["like-us"] and time.monotonic() < deadline:
        time.sleep(0.2)  # it is sent away in its own time
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


def poisoned_fleet(tmp_path):
    """Six captures under a recipe with the deadly stage; the file of the one that it kills on."""
    study = short_fleet(tmp_path / "fleet", 3)
    long = short_fleet(tmp_path / "longer", 1, seconds=6.0)
    culprit = sorted((study.parent / "captures").rglob("*.csv"))[0]
    shutil.copyfile(sorted((long.parent / "captures").rglob("*.csv"))[0], culprit)
    recipe = Path(handing_out.__file__).parents[1] / "recipe" / "recipes" / "idle.toml"
    stages = recipe.read_text(encoding="utf-8").replace('  "lines",\n', '  "lines",\n  "poison",\n')
    (study.parent / "poisoned.toml").write_text(stages.replace('name = "idle"', 'name = "poisoned"'))
    study.write_text('recipe = "poisoned.toml"\n' + study.read_text(encoding="utf-8"), encoding="utf-8")
    return study, culprit.relative_to(study.parent).as_posix()


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
    study, name = poisoned_fleet(tmp_path)
    run = run_study(study, archive_dir=tmp_path / "archive", out_dir=tmp_path / "out", spread=Spread(workers=2))
    states = {entry["file"]: (entry["state"], [reason["code"] for reason in entry["reasons"]]) for entry in run.captures}
    assert states.pop(name) == ("refused", ["worker_killed"])
    assert [state for state, _ in states.values()] == ["fit"] * 5
    with Archive.open(tmp_path / "archive", role="reader") as archive:
        (held,) = archive.quarantined()
    assert (held["reason"]["code"], held["reason"]["file"]) == ("worker_killed", name)


def test_a_cluster_that_has_lost_all_its_workers_ends_the_run_with_words(cluster, tmp_path, monkeypatch):
    """Nobody looks after the only worker: the run says so instead of waiting for ever, and keeps what was done."""
    monkeypatch.setattr(handing_out, "NO_WORKER_S", 3.0)
    study = short_fleet(tmp_path / "fleet", 12)
    cluster.add_worker("one")
    cluster.wait(1)
    watch, acted = once_at_work(cluster, ["one"], lambda: cluster.signal("one", signal.SIGKILL))
    with pytest.raises(ThrumlineError, match=r"none left for 3 s.*what was done stays done"):
        run_on(cluster, study, tmp_path, watch)
    assert acted == [True]
    assert list((tmp_path / "archive").glob("results/??/*"))


# ------------------------------------------------------------------------------------- on an installed wheel
REPOSITORY = Path(__file__).parents[2]


def _done(*words, **more):
    """One command of the preparation; where it cannot be done the proofs are skipped with its words."""
    made = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False, **more)
    if made.returncode:
        pytest.skip(f"{' '.join(str(w) for w in words[:4])} failed: {(made.stderr or made.stdout)[-300:]}")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The Python of an environment that holds the wheel of what is committed, and this one's other packages.

    A path file names the folder of the other packages: unlike a site folder its own path files are not looked at, so
    an editable install there does not reach the environment.
    """
    folder = tmp_path_factory.mktemp("wheel")
    if shutil.which("git") is None or not (REPOSITORY / ".git").exists():
        pytest.skip("no git checkout to build the wheel from")
    source, dist, env = folder / "source", folder / "dist", folder / "env"
    source.mkdir()
    _done("git", "-C", REPOSITORY, "archive", "-o", folder / "source.tar", "HEAD")
    shutil.unpack_archive(folder / "source.tar", source)
    _done(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", dist, source)
    _done(sys.executable, "-m", "venv", env)
    python = env / "bin" / "python"
    _done(python, "-m", "pip", "install", "-q", "--no-deps", "--no-index", *dist.glob("*.whl"))
    (installed,) = env.glob("lib/*/site-packages")
    (installed / "others.pth").write_text("\n".join(site.getsitepackages()) + "\n")
    where = subprocess.run(
        [python, "-c", "import thrumline.pipeline.api as a; print(a.__file__)"], capture_output=True, text=True,
        cwd=folder, check=True,
    ).stdout.strip()  # fmt: skip
    assert where.startswith(str(env)), f"not the wheel but {where}"
    return python


def started_on(cluster, study, folder):
    """``thrumline run`` of the wheel on the cluster, from a folder of its own."""
    home = folder / "coordinator"
    home.mkdir()
    words = ["run", study, "--archive", folder / "archive", "--out", folder / "out", "--scheduler", cluster.address]
    return subprocess.Popen(
        [Path(cluster.python).with_name("thrumline"), *map(str, words)], cwd=home,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def ended(process, cluster, names=(), action=lambda: None, seconds=400):
    """Exit code and words; the action is taken once, when all workers named have orders on them."""
    acted, deadline = False, time.monotonic() + seconds
    while process.poll() is None and time.monotonic() < deadline:
        if not acted and names and all(cluster.at_work(name) for name in names):
            acted = True
            action()
        time.sleep(0.05)
    if process.poll() is None:
        process.kill()
        pytest.fail(f"not done after {seconds} s")
    assert acted or not names, "the run was over before the workers were at work"
    return process.returncode, process.stdout.read()


def captures_in(folder):
    captures = json.loads((folder / "out" / "captures.json").read_text(encoding="utf-8"))["captures"]
    return SimpleNamespace(captures=captures)


@pytest.mark.nightly
@pytest.mark.timeout(900)
def test_installed_one_of_three_workers_killed_and_one_paused_lose_nothing(wheel, tmp_path):
    """Coordinator, scheduler and workers run from the wheel, each in another folder; all results there, each once."""
    study = short_fleet(tmp_path / "fleet", 30)
    with cluster_in(tmp_path / "elsewhere", "15s", wheel) as cluster:
        for name in ("one", "two", "three"):
            cluster.add_worker(name)
        cluster.wait(3)

        def trouble():
            cluster.signal("two", signal.SIGKILL)
            cluster.signal("three", signal.SIGSTOP)
            threading.Timer(40.0, cluster.signal, ("three", signal.SIGCONT)).start()

        code, said = ended(started_on(cluster, study, tmp_path), cluster, ("two", "three"), trouble)
        assert code == 0, said
        all_there_once(captures_in(tmp_path), tmp_path, 60)
        time.sleep(45.0)
        # what the one that woke still wrote changed nothing
        all_there_once(captures_in(tmp_path), tmp_path, 60)


@pytest.mark.nightly
@pytest.mark.timeout(900)
@pytest.mark.usefixtures("poison")
def test_installed_a_capture_that_kills_its_worker_ends_in_quarantine_and_the_others_finish(wheel, tmp_path):
    """Workers die of it and come again; its bytes and the reason are kept, five of six captures are done."""
    study, culprit = poisoned_fleet(tmp_path)
    with cluster_in(tmp_path / "elsewhere", python=wheel) as cluster:
        for name in ("one", "two", "three"):
            cluster.add_worker(name, nanny=True)
        cluster.wait(3)
        code, said = ended(started_on(cluster, study, tmp_path), cluster)
    assert code == 4, said
    states = {entry["file"]: (entry["state"], [r["code"] for r in entry["reasons"]]) for entry in captures_in(tmp_path).captures}
    assert states.pop(culprit) == ("refused", ["worker_killed"])
    assert [state for state, _ in states.values()] == ["fit"] * 5
    listed = subprocess.run(
        [wheel.with_name("thrumline"), "quarantine", "list", "--archive", str(tmp_path / "archive")],
        capture_output=True, text=True, cwd=tmp_path, check=True,
    ).stdout  # fmt: skip
    assert "worker killed" in listed.replace("_", " ")


@pytest.mark.nightly
@pytest.mark.timeout(600)
def test_installed_a_worker_with_other_plugins_is_refused_by_name_and_version(wheel, tmp_path):
    study = short_fleet(tmp_path / "fleet", 1)
    with cluster_in(tmp_path / "elsewhere", python=wheel) as cluster:
        cluster.add_worker("like-us")
        cluster.add_worker("richer", PYTHONPATH=str(OUTSIDE))
        cluster.wait(2)
        code, said = ended(started_on(cluster, study, tmp_path), cluster)
    assert code == 3, said
    assert "stage crest (rig-crest 1.2, numbers 1)" in said
    assert "only here: nothing" in said

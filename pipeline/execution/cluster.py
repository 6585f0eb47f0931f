"""Where workers come from: an embedded cluster that comes up in the background, or an existing one that is named."""

from __future__ import annotations

import os
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..contracts import SettingsError
from .early_workers import INLINE_UP_TO, START_METHOD, WORKER_ENVIRONMENT, import_once
from .orders import Job

if TYPE_CHECKING:
    from .reader_stem import Stem

THREADS = 2
"""Of a worker: one carries out orders, the other brings to the device what was carried out before, which is waiting."""

TRIES = 3
"""A worker that dies while the job is handed out makes the hand-out fail for all: it is repeated."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How to spread: ``workers`` processes here (None = one a core, 1 = this process alone), or a scheduler."""

    workers: int | None = None
    memory: str = "2GB"
    inline_up_to: int = INLINE_UP_TO
    """So few small captures are done in this process before a cluster has earned back what it costs to start."""
    inline_bytes: int = 48 << 20
    """Their files together may be so large."""
    scheduler: str | None = None
    tls_ca: str | None = None
    tls_cert: str | None = None
    tls_key: str | None = None

    @property
    def n_workers(self) -> int:
        """Processes to start."""
        return self.workers if self.workers is not None else os.cpu_count() or 1

    def with_one_worker(self) -> Spread:
        """The same with a single process to start; a scheduler that was named keeps its own."""
        return self if self.scheduler is not None else replace(self, workers=1)


class Cluster:
    """A cluster coming up in the background; ``client`` waits for it.

    With an ``example`` of the files that will be read, its workers' reader children are forked as they are. With an
    ``ending`` it is closed in the background, and whoever leaves that waits for it.
    """

    def __init__(
        self, job: Job, spread: Spread, example: Path | None = None, ending: ExitStack | None = None
    ) -> None:
        self._job, self._spread, self._example, self._ending = job, spread, example, ending
        self._stem: Stem | None = None
        self._ready = threading.Event()
        self._client: Any = None
        self._cluster: Any = None
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._start, daemon=True)

    def __enter__(self) -> Cluster:
        self._thread.start()
        return self

    def __exit__(self, *exc_info: object) -> None:
        if self._ending is None:
            self._close()
            return
        beside = ThreadPoolExecutor(1)
        closed = beside.submit(self._close)
        beside.shutdown(wait=False)
        self._ending.callback(closed.result)

    def _close(self) -> None:
        self._thread.join()
        for closing in (self._client, self._cluster, self._stem):
            if closing is not None:
                closing.close()

    def ready(self) -> bool:
        """Whether workers can take orders, or starting them has failed."""
        return self._ready.is_set()

    def client(self) -> Any:
        """The client, once workers are up. Raises what starting them raised."""
        self._thread.join()
        if self._fault is not None:
            raise self._fault
        return self._client

    def _start(self) -> None:
        try:
            self._stem = self._stem_for_readers()
            self._client = self._connected()
            for tries_left in reversed(range(TRIES)):
                try:
                    self._make_ready()
                except OSError:
                    if not tries_left:
                        raise
                else:
                    break
        except BaseException as error:  # noqa: BLE001  handed over to the waiting thread
            self._fault = error
        finally:
            self._ready.set()

    def _make_ready(self) -> None:
        """Hand the job to all workers. Raises OSError when one of them dies meanwhile."""
        from .worker_side import PLUGIN_NAME, BenchPlugin

        stem = None if self._stem is None else self._stem.address
        self._client.register_plugin(BenchPlugin(self._job, stem), name=PLUGIN_NAME)
        _same_plugins(self._client, self._job)

    def _stem_for_readers(self) -> Stem | None:
        if self._example is None or self._spread.scheduler is not None:
            return None
        from .reader_stem import CAN_FORK, Stem

        with suppress(OSError):
            # where there can be none, each worker starts its reader child from nothing
            return Stem(self._job.readers.paths, self._example) if CAN_FORK else None
        return None

    def _connected(self) -> Any:
        from dask import config
        from distributed import Client, LocalCluster, utils

        config.set(
            {
                "distributed.nanny.pre-spawn-environ": WORKER_ENVIRONMENT,
                "distributed.worker.multiprocessing-method": START_METHOD,
                "distributed.worker.profile.enabled": False,
                "distributed.scheduler.allowed-failures": 1,
                "distributed.worker.daemon": False,
                "distributed.comm.timeouts.connect": "20s",
                "distributed.admin.low-level-log-length": 0,
                # a scheduler and its nannies beside two busy cores: fifty looks a second each cost more than messages
                "distributed.admin.tick.interval": "1s",
                "distributed.admin.system-monitor.interval": "5s",
                "distributed.admin.system-monitor.disk": False,
                "distributed.worker.memory.monitor-interval": "300ms",
            }
        )
        if self._spread.scheduler is not None:
            return Client(self._spread.scheduler, security=_security(self._spread), timeout="20s")
        import_once()
        # distributed would import pandas here only to find out whether the process the workers come from can
        vars(utils)["_forkserver_preload_set"] = True
        self._cluster = LocalCluster(
            n_workers=self._spread.n_workers, threads_per_worker=THREADS, processes=True, dashboard_address=None,
            memory_limit=self._spread.memory, silence_logs="ERROR", host="127.0.0.1",
            # without a page for people there is still a server for programs: on a port that another run has, it warns
            scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
        )  # fmt: skip
        _keep_out_of_the_search_path(self._cluster)
        return Client(self._cluster)


def _keep_out_of_the_search_path(cluster: Any) -> None:
    """Take the scratch folders that servers of a cluster put into ``sys.path`` out again, and keep them from doing so.

    They would do it as they close, which here is beside the report: whoever goes through the path at that moment, to
    import something or to ask a version, misses an entry. Another list takes its place; who has the old one keeps it.
    """
    servers = [cluster.scheduler, *cluster.workers.values()]
    for server in servers:
        vars(server)["_updated_sys_path"] = False
    scratch = {server.local_directory for server in servers}
    sys.path = [entry for entry in sys.path if entry not in scratch]


def expect_workers(spread: Spread, n_orders: int) -> None:
    """Have the process that workers are forked from import everything already, beside what this one still imports.

    For a run that will probably need workers; a process too many ends with this one.
    """
    if spread.scheduler is None and spread.n_workers > 1 and n_orders > spread.inline_up_to:
        import_once()


def _security(spread: Spread) -> Any:
    """TLS as given; a plain connection is for this machine only."""
    from distributed.security import Security

    if spread.tls_ca is None:
        address = spread.scheduler or ""
        if not any(local in address for local in ("127.0.0.1", "localhost", "[::1]")):
            raise SettingsError(
                f"scheduler {address!r} is on another machine", found="no TLS settings",
                allowed="--tls-ca, --tls-cert, --tls-key", todo="a scheduler runs any code sent to it: give all three",
            )  # fmt: skip
        return None
    return Security(
        tls_ca_file=spread.tls_ca, tls_client_cert=spread.tls_cert, tls_client_key=spread.tls_key,
        require_encryption=True,
    )  # fmt: skip


def _same_plugins(client: Any, job: Job) -> None:
    """Refuse to start when a worker's plugins differ. Raises PluginError with names and versions."""
    from .worker_side import OtherPlugins, plugins_here

    for address, (fingerprint, listing) in client.run(plugins_here).items():
        if fingerprint != job.plugins:
            raise OtherPlugins.than(job.listing, listing, address)

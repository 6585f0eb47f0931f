"""What the process that workers are forked from imports: all a worker needs, once; then it stays for good.

The one module whose import is its effect, since that process can be told of nothing but modules. Found here, our
plugins need not be looked for by the command before it has that process begin. Afterwards no collector looks through
what was imported, there or in a forked process, and so copies its pages; and the process ends at once, where it took
all of it apart for a quarter of a second, with the command's output still open.
"""

import gc
from contextlib import suppress
from importlib import import_module
from importlib.metadata import entry_points

from . import reader_stem, worker_side
from .early_workers import PLUGINS

__all__ = ["reader_stem", "worker_side"]

_OURS = __name__.partition(".")[0]
# a stranger's plugin is left to the workers: what its import does must not reach the process they all come from
for _module in sorted({point.module for point in entry_points(group=PLUGINS)}):
    if _module.partition(".")[0] == _OURS:
        with suppress(ImportError):
            import_module(_module)
gc.freeze()

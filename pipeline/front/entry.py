"""The command line's front door: which commands there are; each is loaded only when it is called."""

from __future__ import annotations

import atexit
import gc
import importlib
import os
import sys
from difflib import get_close_matches
from io import TextIOWrapper
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from importlib.metadata import EntryPoints

COMMANDS: dict[str, str] = {
    "demo": "command_demo:demo",
    "run": "command_run:run",
    "new-study": "command_new_study:new_study",
    "check": "command_check:check",
    "inspect": "command_inspect:inspect",
    "calibrate": "command_calibrate:calibrate",
    "plan": "command_plan:plan",
    "archive": "command_archive:archive",
    "quarantine": "command_quarantine:quarantine",
    "plugins": "command_plugins:plugins",
    "recipe": "command_recipe:recipe",
    "explain": "command_explain:explain",
    "cautions": "command_explain:cautions",
}
"""Command name to ``module:function`` in this room, in the order the help lists them."""

PLUGIN_COMMANDS = "thrumline.commands"


def _plugin_commands() -> EntryPoints:
    from importlib.metadata import entry_points  # late: it takes a third of the time until workers are asked for

    return entry_points(group=PLUGIN_COMMANDS)


class LateGroup(click.Group):
    """A group whose commands are imported when asked for, so that ``--help`` stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Our own commands in our order, then those of plugins by name."""
        return [*COMMANDS, *sorted(point.name for point in _plugin_commands())]

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command meant; for one that is not there the nearest is named."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as wrong:
            near = get_close_matches(args[0], self.list_commands(ctx), n=1)
            if not near:
                raise
            raise click.UsageError(f"{wrong.message} Did you mean {near[0]!r}?", ctx=wrong.ctx or ctx) from wrong

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import one command."""
        if cmd_name in COMMANDS:
            module, attribute = COMMANDS[cmd_name].split(":")
            found: click.Command = getattr(importlib.import_module(f".{module}", __package__), attribute)
            return found
        for point in _plugin_commands().select(name=cmd_name):
            loaded: click.Command = point.load()
            return loaded
        return None


@click.group(cls=LateGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96})
@click.version_option(package_name="thrumline", prog_name="thrumline")
def cli() -> None:
    """How much more vibration reaches the seat than with the original mount, with evidence.

    \b
    Start here:
      thrumline demo                     an invented fleet, run and explained
      thrumline run STUDY.toml           your captures and your question
      thrumline inspect FILE             what a reader makes of one file
    """  # noqa: D301


OWN_PROCESS = {
    "OPENBLAS_NUM_THREADS": 1, "OMP_NUM_THREADS": 1, "MKL_NUM_THREADS": 1,
    "MALLOC_TRIM_THRESHOLD_": 1 << 28, "MALLOC_MMAP_THRESHOLD_": 1 << 26,
}  # fmt: skip
"""Variables that linear algebra libraries and allocators read (``execution/own_memory.py``), where not set already."""


COLLECT_EVERY = 50_000
"""Objects made before a search for rings of them that nothing else holds: by default every 700, and a command makes
hundreds of thousands as it loads, all of which stay; the searches were a twelfth of its processor time."""


def main() -> None:
    """Run the command line; every fault becomes a message in three parts and an exit code."""
    gc.set_threshold(COLLECT_EVERY)
    # what is left goes with the process: searched through and taken apart first, it took a quarter of a second
    atexit.register(gc.freeze)
    for name, value in OWN_PROCESS.items():
        # captures keep the cores busy; threads inside a product of small matrices spin, at 1.8 times the CPU time
        os.environ.setdefault(name, str(value))
    from .faults import exit_code_of, tell

    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show a mark gets a question mark in its place, not an error
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        result: Any = cli.main(standalone_mode=False)
    except click.exceptions.Exit as leaving:
        sys.exit(leaving.exit_code)
    except click.ClickException as wrong:
        wrong.show()
        sys.exit(wrong.exit_code)
    except (KeyboardInterrupt, click.Abort):
        click.echo("\nstopped; what was done is kept, the same command goes on from there", err=True)
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except Exception as error:  # noqa: BLE001  the last door: a message instead of a traceback
        tell(error)
        sys.exit(exit_code_of(error))
    sys.exit(result if isinstance(result, int) else 0)

"""What is installed, what was set aside and why."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from ..host import Host


def plugin_listing() -> dict[str, list[dict[str, Any]]]:
    """``{"installed": rows, "set_aside": rows}`` with names, owners, versions and causes."""
    host = Host.discover()
    return {"installed": host.listing(), "set_aside": [asdict(aside) for aside in host.set_aside]}

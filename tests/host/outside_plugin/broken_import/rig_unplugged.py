"""A stranger's plugin whose own dependency is not installed."""

import rig_driver_that_nobody_installed  # noqa: F401

from thrumline.pipeline.contracts import hookimpl


@hookimpl
def register_stages():
    return []

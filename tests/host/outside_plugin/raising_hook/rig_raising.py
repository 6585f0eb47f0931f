"""A stranger's plugin whose hook fails when it is called."""

from thrumline.pipeline.contracts import hookimpl


@hookimpl
def register_metrics():
    raise RuntimeError("the rig is switched off")

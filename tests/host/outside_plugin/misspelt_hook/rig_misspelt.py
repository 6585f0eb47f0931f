"""A stranger's plugin with one letter too many in its hook."""

from thrumline.pipeline.contracts import hookimpl


@hookimpl
def register_stagess():
    return []

"""A stranger's plugin that takes the name of a built-in stage."""

from thrumline.pipeline.contracts import Derivation, ProductSpec, hookimpl


class OtherScreen(Derivation):
    """Says that everything is well."""

    name = "screen"
    numeric_version = 1
    makes = "screen"

    def schema(self, incoming):
        return incoming.plus(ProductSpec("screen", (), ""))

    def derive(self, products, context):
        return None


@hookimpl
def register_stages():
    return [OtherScreen]

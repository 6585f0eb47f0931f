"""The chain of stages as data: read, bound to a row, checked before any sample is read."""

from .binding import BoundRecipe, bind, nominal_signal, settings_fault
from .document import Recipe, load_recipe, recipe_from_toml, shipped_recipes

__all__ = [
    "BoundRecipe", "Recipe", "bind", "load_recipe", "nominal_signal", "recipe_from_toml", "settings_fault",
    "shipped_recipes",
]  # fmt: skip

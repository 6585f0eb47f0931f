"""The plugin host: finds plugins, sets broken ones aside, refuses duplicates."""

from .discovery import Offer, SetAside, installed_entry_points
from .host import Host

__all__ = ["Host", "Offer", "SetAside", "installed_entry_points"]

"""The plugin host: finds plugins, sets broken ones aside, refuses duplicates."""

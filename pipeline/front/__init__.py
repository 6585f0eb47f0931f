"""Command line, night run, HTTP service, web pages: they compute nothing."""

"""Shipped kit for plugin authors: closed-form captures, conformance suites, the fleet simulator."""

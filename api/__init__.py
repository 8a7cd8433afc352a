"""Faces: HTTP, pages, event stream, deliveries, command line; wires everything together."""

__version__ = "0.1.0"

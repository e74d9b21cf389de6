"""The command line: each command parses, calls the Python interface, and prints."""

from speclake.cli.app import main

__all__ = ["main"]

"""Command line: reads arguments, calls the library, prints. No physics."""

from simbank.cli.program import app, main

__all__ = ["app", "main"]

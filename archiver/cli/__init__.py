"""The command line: parses arguments, calls the pipeline, renders what it returns."""

from archiver.cli.run import main

__all__ = ["main"]

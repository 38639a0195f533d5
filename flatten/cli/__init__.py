"""The commands: parse, call one function, print. Importing this costs click and nothing else."""

from flatten.cli.running import main, run

__all__ = ["main", "run"]

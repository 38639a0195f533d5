from __future__ import annotations
import click


@click.command()
def demo() -> None:
    """Demo."""

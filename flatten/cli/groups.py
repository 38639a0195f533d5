"""Groups of commands that help with a misspelt one."""

from __future__ import annotations

import difflib

import click


class Commands(click.Group):
    """A group that lists its commands in the order given, and names the nearest for a wrong one."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """List the commands as they were added."""
        return list(self.commands)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; UsageError with the nearest name where there is none."""
        name = args[0]
        if name not in self.commands and not ctx.resilient_parsing:
            close = difflib.get_close_matches(name, self.commands, 1, 0.5)
            hint = f"did you mean {close[0]!r}?" if close else f"there are {', '.join(self.commands)}"
            raise click.UsageError(f"no command {name!r}, {hint}", ctx)
        return super().resolve_command(ctx, args)

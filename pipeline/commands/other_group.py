"""A group that tells where a command is that was looked for one level too high."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any

from typer.core import TyperGroup


class HintsAtGroups(TyperGroup):
    """A group that, asked for a command of one of its groups, says how that is called."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that the first word names; fails with a hint where a group has it."""
        word = args[0]
        below: dict[str, list[str]] = {}
        for group, one in self.commands.items():
            for name, command in getattr(one, "commands", {}).items():
                if not command.hidden:
                    below.setdefault(name, []).append(f"'{ctx.command_path} {group} {name}'")
        if word not in self.commands and not get_close_matches(word, self.commands, cutoff=0.7):
            near = get_close_matches(word, below, n=1, cutoff=0.7)
            if near:
                ctx.fail(f"No such command {word!r}. Did you mean {' or '.join(below[near[0]])}?")
        return super().resolve_command(ctx, args)

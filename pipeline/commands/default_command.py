"""A group that has a usual command: called with none of its commands' names, it runs that one."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import Any, ClassVar

from typer.core import TyperGroup


class UsualCommand(TyperGroup):
    """Runs ``usual``, hidden among its commands, when the first word is none of the others."""

    usual: ClassVar[str]
    taken_for: ClassVar[str]
    """What the first word is if it is no command, for messages."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """The words with the usual command put before them where none is named."""
        shown = [name for name, one in self.commands.items() if not one.hidden]
        word = args[0] if args else ""
        if word.isalpha() and word not in self.commands and not Path(word).exists():
            near = get_close_matches(word, shown, n=1, cutoff=0.7)
            if near:
                ctx.fail(f"{word!r} is no command and no {self.taken_for}; did you mean {near[0]}?")
        if args[:1] not in (["--help"], ["-h"]) and args[:1] not in [
            [name] for name in self.commands
        ]:
            args = [self.usual, *args]
        return list(super().parse_args(ctx, args))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that the first word names; the usual one has no name that anyone calls."""
        name, command, rest = super().resolve_command(ctx, args)
        return "" if name == self.usual else name, command, rest

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """The help of the usual command, then the others."""
        usual = self.commands[self.usual]
        with ctx.scope():
            usual.format_usage(ctx, formatter)
            usual.format_help_text(ctx, formatter)
            usual.format_options(ctx, formatter)
            self.format_commands(ctx, formatter)
            usual.format_epilog(ctx, formatter)

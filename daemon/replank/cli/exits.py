"""One exit-code convention for every command."""

from __future__ import annotations

import click

DONE, CHECK_FAILED, WRONG_INPUT, ABSENT = 0, 1, 2, 3
"""Done; a check failed; the input was wrong; something needed is absent."""
INTERRUPTED, PIPE_CLOSED = 130, 141
"""Ended by Ctrl-C; nobody reads the output any more.  As shells have it: 128 and the signal's number."""


class Fail(click.ClickException):
    """Ends a command with one clear line on standard error and an exit code."""

    def __init__(self, message: str, code: int = WRONG_INPUT) -> None:
        super().__init__(message)
        self.exit_code = code  # type: ignore[misc]  # a class variable in click, read from the instance

    def show(self, file: object = None) -> None:
        """Print the line; several mistakes are several lines."""
        click.echo(f"replank: {self.message}", err=True)

"""The `replank` command: a table of commands, each loaded when it is used.

Loading on use keeps `replank send` quick and lets commands that need no MIDI
port run on machines that have none.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from importlib import import_module
from typing import Any, TextIO

import click

from replank import __version__
from replank.cli.exits import DONE, INTERRUPTED, PIPE_CLOSED, WRONG_INPUT

COMMANDS: dict[str, tuple[str, str]] = {
    "init": ("replank.cli.init", "Write a first rig and set into a folder."),
    "check": ("replank.cli.check", "Validate rig, set and profile files."),
    "ports": ("replank.cli.ports", "List MIDI ports and what is patched to them."),
    "soundcheck": ("replank.cli.soundcheck", "Test clock, knobs, output and timing in one minute."),
    "learn": ("replank.cli.learn", "Make a profile by moving a box's controls."),
    "tune": ("replank.cli.tune", "Tune a MIDI-to-CV interface from readings."),
    "play": ("replank.cli.play", "Play: the headless daemon."),
    "watch": ("replank.cli.watch", "Open the dashboard on a running daemon."),
    "demo": ("replank.cli.demo", "Play and watch without any hardware."),
    "status": ("replank.cli.status", "Say what the daemon is doing."),
    "send": ("replank.cli.send", "Set a parameter or do an action."),
    "render": ("replank.cli.render", "Play offline into a MIDI file."),
    "forecast": ("replank.cli.forecast", "Say how fast a line will change."),
    "shows": ("replank.cli.shows", "List recorded shows."),
    "replay": ("replank.cli.replay", "Perform a recorded show again and compare."),
    "export": ("replank.cli.export", "Write a recorded show to a MIDI file."),
    "where": ("replank.cli.where", "Say which files and folders are used."),
}
"""Command name -> (module with `command`, one line of help), in the order of a show's day."""


class Commands(click.Group):
    """A click group that imports a command when it is asked for."""

    def main(self, *args: Any, standalone_mode: bool = True, **extra: Any) -> Any:
        """Run a command; whatever was typed wrong is one line on standard error."""
        run: Any = super().main
        if not standalone_mode:
            return run(*args, standalone_mode=False, **extra)
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(AttributeError, ValueError):  # a stream of somebody else's, or none
                # a terminal that has no such character shows a question mark
                stream.reconfigure(errors="replace")  # type: ignore[union-attr]
        try:
            code = run(*args, standalone_mode=False, **extra)
        except click.exceptions.NoArgsIsHelpError as error:
            is_whole = error.ctx is None or error.ctx.parent is None
            click.echo(error.format_message(), err=not is_whole)
            sys.exit(DONE if is_whole else WRONG_INPUT)
        except click.UsageError as error:
            path = error.ctx.command_path if error.ctx else "replank"
            click.echo(f"replank: {error.format_message()} ({path} --help says more)", err=True)
            sys.exit(WRONG_INPUT)
        except click.ClickException as error:
            error.show()
            sys.exit(error.exit_code)
        except (click.Abort, KeyboardInterrupt):
            sys.exit(INTERRUPTED)
        except OSError as error:
            what = error.filename if error.filename is not None else "the output"
            click.echo(f"replank: {what} cannot be used: {error.strerror or error}", err=True)
            _let_go(sys.stdout)
            sys.exit(WRONG_INPUT)
        sys.exit(code if isinstance(code, int) else DONE)

    def make_context(self, *args: Any, **extra: Any) -> click.Context:
        """Read what was typed; help is said here already."""
        with _to_its_end():
            return super().make_context(*args, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        with _to_its_end():
            return super().invoke(ctx)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        found: click.Command = import_module(COMMANDS[cmd_name][0]).command
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from replank.control.parameters import nearest  # only this needs the tables

            ctx.fail(f"there is no command {args[0]!r}{nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def _let_go(stream: TextIO) -> None:
    """Let what is still to be written go nowhere, so that the interpreter's end says nothing of it."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


@contextlib.contextmanager
def _to_its_end() -> Iterator[None]:
    """End a command quietly where nobody reads its output any more, as behind `| head -1`."""
    try:
        yield
    except BrokenPipeError:
        _let_go(sys.stdout)
        sys.exit(PIPE_CLOSED)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="replank")
def main() -> None:
    """Play one slowly changing melodic line over MIDI, live.

    \b
    Begin with:   replank demo
    On stage:     replank soundcheck, then replank play and replank watch
    """

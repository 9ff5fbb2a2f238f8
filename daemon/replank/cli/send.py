"""`replank send`: set parameters and do actions from a shell."""

from __future__ import annotations

import click

from replank.cli.daemons import lost, reach
from replank.cli.exits import Fail
from replank.host.client import Denied, NoDaemon
from replank.host.paths import DEFAULT_INSTANCE


def _list(ctx: click.Context, _: click.Parameter, is_wanted: bool) -> None:
    if is_wanted and not ctx.resilient_parsing:
        from replank.cli.listing import listing  # only this needs the tables

        click.echo(listing())
        ctx.exit()


@click.command(no_args_is_help=True, context_settings={"ignore_unknown_options": True})
@click.argument("words", nargs=-1)
@click.option("--instance", default=DEFAULT_INSTANCE, show_default=True, help="Which running player is meant.")
@click.option(
    "--list", is_flag=True, is_eager=True, expose_value=False, callback=_list,
    help="Say what can be sent: every parameter, action and scale.",
)  # fmt: skip
@click.option("--reload", is_flag=True, help="Read rig, set and profiles again, while playing.")
@click.option("--quiet", "-q", is_flag=True, help="Say nothing when it is done.")
def command(words: tuple[str, ...], instance: str, reload: bool, quiet: bool) -> None:
    """Set a parameter (NAME=VALUE), move it (NAME+=AMOUNT) or do an action (NAME:ARGUMENT, @DUE behind it).

    All words are checked first; if one is wrong, nothing is done.  A word with
    a space in it stands in quotes.

    --reload goes alone: the files hold from the next step, or nothing changes if
    one has a mistake. A value that the rig now gives otherwise holds, unless it
    has been moved by hand or by a piece meanwhile; pieces, when they next begin.

    \b
    replank send mutation_chance=0.5 redraw
    replank send scale=dorian root=G
    replank send gate+=0.1 length-=2
    replank send keep:blue
    replank send recall:blue@now
    replank send pitch:5:+1 back:12
    replank send --list
    replank send --reload
    """
    if reload == bool(words):
        raise click.UsageError("--reload goes alone" if reload else "say what to send; --list says what there is")
    with reach(instance) as client:
        try:
            answer = client.ask("reload") if reload else client.ask("say", words=list(words))
        except Denied as error:
            raise Fail(str(error)) from None
        except NoDaemon as error:
            lost(error)
    if not quiet:
        for line in answer.get("said") or ["read again: it holds from the next step" if reload else "done"]:
            click.echo(line)

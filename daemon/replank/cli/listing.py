"""What can be sent, as `replank send --list` shows it, from the tables themselves."""

from __future__ import annotations

import shutil

import click

from replank.control.actions import ACTIONS, usage
from replank.control.parameters import PARAMETERS, allowed, show
from replank.line.scale_table import SCALE_ROWS

NARROWEST, WIDEST = 40, 110


def listing(columns: int = 0) -> str:
    """Return every parameter, action and scale, in lines that fit a terminal.

    Args:
        columns: Of the terminal; 0 asks it.
    """
    columns = columns or shutil.get_terminal_size((80, 24)).columns
    formatter = click.HelpFormatter(width=min(max(columns, NARROWEST), WIDEST))
    with formatter.section("Parameters, NAME=VALUE"):
        formatter.write_dl(
            [(p.name, f"{p.help}  {allowed(p.name)}  [{show(p.name, p.default)}]") for p in PARAMETERS.values()]
        )
    with formatter.section("Actions; another due time: @now, @step, @cycle, @bar, @4bars"):
        formatter.write_dl([(usage(a), f"{a.help}  [@{a.due}]") for a in ACTIONS.values()])
    with formatter.section("Scales"):
        formatter.write_text(", ".join(row.name for row in SCALE_ROWS))
    return formatter.getvalue().rstrip()

"""`replank learn`: make or extend a profile by moving a box's controls."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import click

from replank.cli.exits import ABSENT, Fail
from replank.control.learning import Finding, recognise
from replank.control.learnt import check_function, entry_for
from replank.control.notices import counted
from replank.host.files.mistakes import BadFile, plain_text
from replank.host.files.profile_editing import HEARD, Learnt, ProfileFile
from replank.midi.assembly import Assembler
from replank.midi.listening import Ear, NoMidi
from replank.midi.naming import PortNameError

QUIET_S = 1.2
"""So long after the last message a movement is over."""
LONGEST_S = 60.0
_LARGEST = 4 * 1024 * 1024


class Recorded(NamedTuple):
    """A function of a recorded stream, its messages and the line where it began."""

    function: str
    label: str
    messages: list[bytes]
    line: int


@click.command(no_args_is_help=True)
@click.argument("profile", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--port", help="Part of the name of the box's MIDI port.")
@click.option(
    "--api", default="auto", type=click.Choice(("auto", "alsa", "jack", "coremidi", "windows")), help="MIDI system."
)
@click.option(
    "--from", "stream", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Read a recorded stream instead of a port.",
)  # fmt: skip
@click.option("--function", "-f", "functions", multiple=True, help="Learn this function; may be given several times.")
@click.option("--title", default="", help="What a new profile calls the box.")
@click.option("--yes", "-y", is_flag=True, help="Take what was heard without asking.")
def command(
    profile: Path, port: str | None, api: str, stream: Path | None, functions: tuple[str, ...], title: str, yes: bool
) -> None:
    """Make or extend PROFILE by moving a box's controls.

    For each function, a control is moved: a knob or encoder slowly right,
    left, right; a button twice.  What was heard is shown and, if it is right,
    written.  Comments, ranges and order of an edited file stay.

    A function is a parameter (gate), a parameter with values that a button
    chooses (scale=dorian,phrygian), or an action (keep_last, recall:blue@now,
    rotate:* for a turn).

    A recorded stream (--from) is text: a line `function: gate` begins a
    control, the lines below it are its messages in hexadecimal (B0 10 40);
    `label: big knob` names it, # begins a comment.

    \b
    replank learn mybox.yaml --port "my box"
    replank learn mybox.yaml --port "my box" -f gate -f keep_last
    replank learn mybox.yaml --from recorded.txt
    """
    if (port is None) == (stream is None):
        raise Fail("name the box's port with --port (replank ports lists them), or a recorded stream with --from")
    if not profile.resolve().parent.is_dir():  # before anybody moves a control for nothing
        raise Fail(f"{plain_text(str(profile))} cannot be written: there is no folder {profile.resolve().parent}")
    try:
        file = ProfileFile(profile, title)
    except BadFile as error:
        raise Fail(str(error)) from None
    except OSError as error:
        raise Fail(f"{plain_text(str(profile))} cannot be read: {error.strerror}") from None
    count = _from_stream(file, stream) if stream is not None else _from_port(file, port or "", api, functions, yes)
    if count:
        click.echo(f"{counted(control=count)} written to {plain_text(str(profile))}")
        click.echo(f"see it: replank check --draw {plain_text(str(profile))}")
    else:
        click.echo("nothing written")


# -- a port and a person ------------------------------------------------------------------------


def _from_port(file: ProfileFile, port: str, api: str, functions: tuple[str, ...], yes: bool) -> int:
    for function in functions:
        try:
            check_function(function)
        except ValueError as error:
            raise Fail(str(error)) from None
    try:
        ear = Ear(port, api)
    except NoMidi as error:
        raise Fail(f"no MIDI system can be listened to; replank ports says what there is ({error})", ABSENT) from None
    except PortNameError as error:
        raise Fail(str(error), ABSENT) from None
    click.echo(f"listening to {plain_text(ear.name)}")
    count = 0
    for function in functions or _asked():
        label = (
            ""
            if functions
            else click.prompt("label on the box (Enter: as the function)", default="", show_default=False)
        )
        if _learn_one(file, ear, function, label, yes):
            _save(file)
            count += 1
    return count


def _asked() -> Iterator[str]:
    while True:
        try:
            function = click.prompt("\nfunction (Enter: done)", default="", show_default=False).strip()
        except click.Abort:
            click.echo()
            return
        if not function:
            return
        try:
            check_function(function)
        except ValueError as error:
            click.echo(str(error))
            continue
        yield function


def _learn_one(file: ProfileFile, ear: Ear, function: str, label: str, yes: bool) -> bool:
    """Listen until a movement is recognised and accepted; return whether it was put in."""
    for _ in range(3):
        ear.drain()
        click.echo(f"{function}: turn a knob slowly right, left, right, or press a button twice ...")
        finding = recognise(ear.until_quiet(QUIET_S, LONGEST_S))
        click.echo(f"  heard: {finding.heard}")
        if finding.unsure:
            click.echo(f"  not sure: {finding.unsure}")
        if finding.source is None or (finding.unsure and yes):
            continue
        if not yes and not click.confirm("  is that right?", default=not finding.unsure):
            continue
        problem = _put(file, function, label, finding)
        if problem:
            click.echo(f"  {problem}", err=True)
            continue
        return True
    click.echo(f"  {function} is left out")
    return False


def _put(file: ProfileFile, function: str, label: str, finding: Finding) -> str:
    """Put a control in; return what is wrong, or nothing."""
    try:
        entry = entry_for(function, finding, label)
        replaced = file.add(Learnt(entry, HEARD + finding.heard))
    except ValueError as error:
        return str(error)
    except BadFile as error:
        return "; ".join(mistake.what for mistake in error.mistakes)
    if replaced:
        click.echo(f"  {replaced} had a control already; it is this one now")
    return ""


def _save(file: ProfileFile) -> None:
    try:
        file.save()
    except OSError as error:
        raise Fail(f"{plain_text(str(file.path))} cannot be written: {error.strerror or error}") from None


# -- a recorded stream --------------------------------------------------------------------------


def _from_stream(file: ProfileFile, path: Path) -> int:
    if path.stat().st_size > _LARGEST:
        raise Fail(f"{plain_text(str(path))} is larger than {_LARGEST >> 20} MB")
    try:
        rows = read_stream(path.read_text(encoding="utf-8").splitlines(), plain_text(str(path)))
    except UnicodeDecodeError:
        raise Fail(f"{plain_text(str(path))} is no text") from None
    problems = []
    for row in rows:
        finding = recognise(row.messages)
        click.echo(f"{row.function}: heard: {finding.heard}")
        problem = _put(file, row.function, row.label, finding)
        if problem:
            problems.append(f"{plain_text(str(path))}:{row.line}: {row.function}: {problem}")
        elif finding.unsure:
            click.echo(f"  not sure: {finding.unsure}")
    if problems:
        raise Fail("\n".join([*problems, "nothing was written"]))
    if rows:
        _save(file)
    return len(rows)


def read_stream(lines: Iterable[str], name: str) -> list[Recorded]:
    """Return the controls of a recorded stream.

    Raises:
        Fail: With every wrong line.
    """
    rows: list[Recorded] = []
    wrong: list[str] = []
    assembler = Assembler()
    for number, line in enumerate(lines, 1):
        text = line.split("#", 1)[0].strip()
        key, colon, value = text.partition(":")
        if not text:
            continue
        if colon and key in ("function", "label"):
            value = value.strip()
            if key == "function":
                rows.append(Recorded(value, "", [], number))
                assembler = Assembler()
                try:
                    check_function(value)
                except ValueError as error:
                    wrong.append(f"{name}:{number}: {error}")
            elif rows:
                rows[-1] = rows[-1]._replace(label=value)
            else:
                wrong.append(f"{name}:{number}: a label stands below its function")
            continue
        try:
            data = bytes.fromhex(text)
        except ValueError:
            wrong.append(f"{name}:{number}: {plain_text(text[:40])!r} is no message in hexadecimal such as B0 10 40")
            continue
        if rows:
            rows[-1].messages.extend(assembler.feed(data))
        else:
            wrong.append(f"{name}:{number}: messages stand below a line 'function: NAME'")
    if not rows and not wrong:
        wrong.append(f"{name}: there is no line 'function: NAME'")
    if wrong:
        raise Fail("\n".join(wrong))
    return rows

"""The keeper's life: start both processes, listen to their hearts, restart either.

Standard library only.  It holds the pipes between player and host and the
listening socket, so that whichever of the two is restarted inherits them and
nothing that was written is lost.  A spare player waits with everything
imported and its ports open, so that a replacement is not held up by a cold start.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from replank import wire
from replank.keeper.child import Pace, Pulse, start_python
from replank.keeper.claim import write_holder
from replank.keeper.systemd import notify, watchdog_seconds
from replank.keeper.waiting import Waiting, say
from replank.pipes import widen
from replank.struck import open_page, read_page

PLAYER_SILENCE = 0.3
"""Seconds without a heartbeat after which a player is killed and replaced."""
HOST_SILENCE = 5.0
STARTING = 5.0
"""Seconds that a new process has until its heart must beat."""
SPARE_FIRST, SPARE_AGAIN = 2.0, 0.5
"""Seconds after the beginning, and after a replacement, until a spare is started, which would compete with it."""
END_PLAYER, END_HOST = 2.0, 4.0
"""Seconds that the end of each may take before it is killed."""
LONGEST_MESSAGE = 65536
LONGEST_LOG = 1 << 20
"""Bytes of a log that is put aside at the next start, in the place of the one before."""


class Keeper:
    """State of the keeper; see `run` for the configuration."""

    def __init__(self, config: dict[str, Any]) -> None:
        self._config = config
        self._log = Path(config["log"])
        with contextlib.suppress(OSError):
            if self._log.stat().st_size > LONGEST_LOG:
                self._log.replace(self._log.with_suffix(".old.log"))
        self._command, self._command_in = _pipe()
        self._record, self._record_in = _pipe()
        self._player_beat, self._player_beat_in = os.pipe()
        self._host_beat, self._host_beat_in = os.pipe()
        self._player_pulse = Pulse(self._player_beat, PLAYER_SILENCE)
        self._host_pulse = Pulse(self._host_beat, HOST_SILENCE)
        self._player: subprocess.Popen[bytes] | None = None
        self._spare = Waiting(self._make_player)
        self._spare_at = 0.0
        self._host: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None
        self._generation = 0
        self._player_pace, self._host_pace = Pace(), Pace()
        self._player_at = self._host_at = 0.0
        self._stopping = False
        self._ready = False
        self._page_path = Path(config["socket"]).with_suffix(".struck")
        self._page = open_page(self._page_path)
        self._wake, self._wake_in = os.pipe()
        self._watchdog = watchdog_seconds()
        self._next_watchdog = 0.0

    # -- starting --------------------------------------------------------------

    def _make_player(self) -> tuple[subprocess.Popen[bytes], int]:
        """Start a player that waits for its word; return it and where to write the word."""
        start, word = os.pipe()
        fds = (self._command, self._record_in, self._player_beat_in, start)
        page = () if self._page < 0 else (self._page,)
        inherited = (*fds, *page, self._config["lock_fd"])
        made = start_python("replank.player", map(str, (*fds, self._page)), inherited, self._log)
        os.close(start)
        return made, word

    def _start_player(self) -> None:
        player, word = self._spare.take() or self._make_player()
        self._generation += 1
        say(word, wire.TURN, {"generation": self._generation})
        os.close(word)
        self._player = player
        self._player_at = 0.0
        self._player_pulse.grant(STARTING)
        self._spare_at = time.monotonic() + (SPARE_AGAIN if self._ready else SPARE_FIRST)
        self._tell({"player": player.pid, "generation": self._generation})
        write_holder(self._config["lock_fd"], Path(self._config["socket"]), player.pid)

    def _start_host(self, adopt: bool) -> None:
        if self._control is not None:
            self._control.close()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        fds = {
            "control": theirs.fileno(),
            "command": self._command_in,
            "record": self._record,
            "beat": self._host_beat_in,
            "listen": self._config["listen_fd"],
        }
        facts = {
            **self._config["host"],
            "fds": fds,
            "adopt": adopt,
            "keeper": os.getpid(),
            "player": self._player.pid if self._player else 0,
            "generation": self._generation,
            "spare": self._spare.pid,
            "struck": read_page(self._page),
        }
        inherited = (*fds.values(), self._config["lock_fd"])
        self._host = start_python("replank.host", [json.dumps(facts)], inherited, self._log)
        theirs.close()
        self._control = ours
        self._host_at = 0.0
        self._host_pulse.grant(STARTING * 3)

    # -- the loop --------------------------------------------------------------

    def run(self) -> int:
        """Keep both alive until told to end; return the exit code."""
        signal.set_wakeup_fd(_non_blocking(self._wake_in))
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._asked_to_stop)
        signal.signal(signal.SIGHUP, lambda *_: self._tell({"reload": True}))
        signal.signal(signal.SIGCHLD, lambda *_: None)  # its only use is to wake the loop
        _non_blocking(self._wake)
        self._start_player()
        self._start_host(adopt=False)
        while not self._stopping:
            self._wait(0.1)
            self._look_after_player()
            self._look_after_host()
            self._look_after_spare()
            self._feed_watchdog()
        return self._end()

    def _asked_to_stop(self, *_: object) -> None:
        self._stopping = True

    def _wait(self, seconds: float) -> None:
        """Sleep until a signal, a word of the host, or the time is over."""
        watched: list[Any] = [self._wake]
        if self._control is not None:
            watched.append(self._control)
        ready, _, _ = select.select(watched, [], [], seconds)
        if self._wake in ready:
            os.read(self._wake, 4096)
        if self._control in ready:
            self._hear_host()

    def _look_after_player(self) -> None:
        now = time.monotonic()
        player = self._player
        if player is None:
            if now >= self._player_at:
                self._start_player()
            return
        why = ""
        if player.poll() is not None:
            why = f"ended with {_exit_words(player.returncode)}"
        elif self._player_pulse.is_silent():
            why = "gave no sign of life"
            player.kill()
            player.wait()
        if why:
            self._player = None
            self._tell({"player_gone": player.pid, "generation": self._generation, "why": why})
            self._player_at = now + self._player_pace.wait()
            if self._player_at <= now:
                self._start_player()

    def _look_after_host(self) -> None:
        now = time.monotonic()
        host = self._host
        if host is None:
            if now >= self._host_at:
                self._start_host(adopt=True)
            return
        if host.poll() is None and self._host_pulse.is_silent():
            _say("the host gave no sign of life and is restarted; the note engine plays on")
            host.kill()
            host.wait()
        if host.poll() is not None:
            if not self._ready:
                self._hear_last_words()
                if "code" not in self._config:
                    _say(f"the host could not begin ({_exit_words(host.returncode)}); the reason is in {self._log}")
                self._stopping = True
                return
            _say(f"the host ended with {_exit_words(host.returncode)} and is restarted; the note engine plays on")
            self._host = None
            self._host_at = now + self._host_pace.wait()

    def _look_after_spare(self) -> None:
        now = time.monotonic()
        if self._spare.has_died():
            self._spare_at = now + SPARE_FIRST
        if not self._spare.pid and self._ready and now >= self._spare_at:
            self._spare.start()
            self._tell({"spare": self._spare.pid})

    def _feed_watchdog(self) -> None:
        now = time.monotonic()
        if self._watchdog is None or now < self._next_watchdog:
            return
        if self._player is not None and self._host is not None and self._player.poll() is None:
            notify("WATCHDOG=1")
            self._next_watchdog = now + self._watchdog

    # -- the host --------------------------------------------------------------

    def _tell(self, message: dict[str, Any]) -> None:
        if self._control is not None:
            with contextlib.suppress(OSError):  # a host that is gone learns it at its restart
                self._control.send(json.dumps(message).encode())

    def _hear_host(self) -> None:
        assert self._control is not None
        try:
            data = self._control.recv(LONGEST_MESSAGE)
        except OSError:
            data = b""
        if not data:  # it is gone; SIGCHLD says so, too
            self._control.close()
            self._control = None
            return
        try:
            message = json.loads(data)
        except ValueError:  # longer than `LONGEST_MESSAGE`
            _say("a message of the host could not be read")
            return
        if "ports" in message:
            self._spare.open(message["ports"])
        if "say" in message:
            _say(str(message["say"]))
        if "fail" in message:
            _say(str(message["fail"]))
        if "fail" in message and not self._ready:  # later it is a host like any that ends: another one is tried
            self._config["code"] = int(message.get("code", 2))
            self._stopping = True
        if message.get("playing") == self._generation:
            self._player_pulse.grant(0.0)
            self._player_pulse.last = time.monotonic()
        if "ready" in message and not self._ready:
            self._ready = True
            self._print_ready(message["ready"])
        if message.get("swap") == self._generation and self._player is not None:
            (self._player.kill if message.get("kill") else self._player.terminate)()

    def _hear_last_words(self) -> None:
        """Hear what a host said before it ended."""
        while self._control is not None:
            self._hear_host()
            if "code" in self._config:
                return

    def _print_ready(self, facts: dict[str, Any]) -> None:
        facts["pids"]["keeper"] = os.getpid()
        notify(f"READY=1\nMAINPID={os.getpid()}\nSTATUS=playing as {self._config['instance']}")
        words = facts.pop("words")
        with contextlib.suppress(OSError, ValueError):
            print(json.dumps(facts) if self._config["json"] else words, flush=True)

    # -- the end ---------------------------------------------------------------

    def _end(self) -> int:
        """End player and host, the player first, so that the host records its end."""
        notify("STOPPING=1")
        self._stopping = False  # a second signal sets it again and cuts the waiting short
        self._tell({"stop": True})
        self._spare.dismiss()
        player, host = self._player, self._host
        if player is not None:
            player.terminate()
            if not self._ends(player, END_PLAYER):
                player.kill()
            code = player.wait()
            self._tell({"player_gone": player.pid, "generation": self._generation, "why": _exit_words(code)})
        if host is not None and not self._ends(host, END_HOST):
            host.terminate()
            if not self._ends(host, 1.0):
                host.kill()
                host.wait()
        self._spare.join()
        for name in (self._config["socket"], self._config["lock"], self._page_path):
            with contextlib.suppress(FileNotFoundError):
                Path(name).unlink()
        return int(self._config.get("code", 0 if self._ready else 3))

    def _ends(self, process: subprocess.Popen[bytes], seconds: float) -> bool:
        """Wait for a process to end; False if it does not, or a second signal came."""
        until = time.monotonic() + seconds
        while process.poll() is None and time.monotonic() < until and not self._stopping:
            self._wait(0.05)
        return process.poll() is not None


def _pipe() -> tuple[int, int]:
    read, write = os.pipe()
    widen(write)
    return read, write


def _non_blocking(fd: int) -> int:
    os.set_blocking(fd, False)
    return fd


def _exit_words(code: int | None) -> str:
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return f"signal {signal.Signals(-code).name}"
    return f"code {code}"


def _say(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # the terminal is gone; the line plays on
        print(f"replank: {text}", file=sys.stderr, flush=True)


def run(config: dict[str, Any]) -> int:
    """Keep an instance alive until SIGINT or SIGTERM.

    Args:
        config: ``socket``, ``lock`` (paths to remove at the end), ``listen_fd``,
            ``lock_fd`` (inherited descriptors), ``log`` (file for both
            processes' own output), ``instance``, ``json`` (how to say ready)
            and ``host`` (what the host is told, see `replank.host.app`).

    Returns:
        0; 3 if it never got ready.
    """
    return Keeper(config).run()

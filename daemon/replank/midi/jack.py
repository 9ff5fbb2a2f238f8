"""JACK from outside: ports and connections of all programs, and word when they change.

The library's callbacks come on threads of its own; they only call what they
were given, which must hand over to somebody else.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable
from typing import Any

from replank.midi.bay import NoSystem, Port

TRIES = 5
"""How often ports are listed anew when one goes away meanwhile."""


def load_library() -> Any:
    """Return the JACK-Client module with the library's own chatter silenced.

    Raises:
        NoSystem: The package or libjack is missing.
    """
    try:
        import jack
    except (ImportError, OSError) as error:
        raise NoSystem(f"JACK's client library is not usable here: {error}") from None
    jack.set_error_function(lambda text: None)
    jack.set_info_function(lambda text: None)
    return jack


class JackBay:
    """See `replank.midi.bay.Bay`.

    Args:
        name: Client name.
        changed: Called on a foreign thread when ports or connections change, or the server ends.

    Raises:
        NoSystem: No server answers.
    """

    api = "jack"

    def __init__(self, name: str, changed: Callable[[], None] = lambda: None) -> None:
        jack = self._jack = load_library()
        server = os.environ.get("JACK_DEFAULT_SERVER", "default")
        try:
            self._client = jack.Client(name, no_start_server=True)
        except jack.JackError:
            raise NoSystem(f"no JACK server {server!r} answers") from None
        self.alive = True
        self._changed = changed
        self._listed: list[Port] = []
        self._gone: set[str] = set()
        self._client.set_port_registration_callback(self._registered, only_available=False)
        self._client.set_port_connect_callback(lambda a, b, connect: changed(), only_available=False)
        self._client.set_shutdown_callback(self._shut_down)
        self._tells_pids = self._pid(self._client.name) > 0  # some builds of the library do not, and log each question
        self._client.activate()

    def _registered(self, port: Any, register: bool) -> None:
        if not register and port is not None:
            self._gone.add(port.name)
        self._changed()

    def _shut_down(self, status: object, reason: str) -> None:
        self.alive = False
        self._changed()

    def ports(self) -> list[Port]:
        for _ in range(TRIES):
            if not self.alive:
                return []
            with contextlib.suppress(self._jack.JackError):  # a port went away while it was being listed
                self._listed = self._list()
                break
        return self._listed

    def _list(self) -> list[Port]:
        pids: dict[str, int] = {}
        found = []
        for is_source in (True, False):
            for port in self._client.get_ports(is_midi=True, is_output=is_source, is_input=not is_source):
                client = port.name.partition(":")[0]
                if client not in pids:
                    pids[client] = self._pid(client) if self._tells_pids else 0
                found.append(Port(port.name, is_source, pids[client]))
        return found

    def gone(self) -> set[str]:
        found, self._gone = self._gone, set()
        return found

    def _pid(self, client: str) -> int:
        try:
            return int(self._jack.client_pid(client))
        except self._jack.JackError:
            return 0

    def connections(self, port: Port) -> set[str]:
        if not self.alive:
            return set()
        try:
            return {other.name for other in self._client.get_all_connections(port.name)}
        except self._jack.JackError:
            return set()  # it has just gone

    def connect(self, source: str, sink: str) -> str:
        try:
            self._client.connect(source, sink)
        except self._jack.JackError as error:
            return "" if getattr(error, "code", 0) == 17 else str(error)  # EEXIST: connected already
        return ""

    def disconnect(self, source: str, sink: str) -> None:
        with contextlib.suppress(self._jack.JackError):
            self._client.disconnect(source, sink)

    def period(self) -> tuple[int, int] | None:
        return (self._client.blocksize, self._client.samplerate) if self.alive else None

    def close(self) -> None:
        if self.alive:  # with its server gone, any call on a client may crash: it is left behind
            self.alive = False
            self._client.deactivate()
            self._client.close()


def main() -> int:
    """Return 0 if a JACK server answers: a look from a process that may be thrown away."""
    try:
        JackBay("replank-look").close()
    except NoSystem as error:
        print(error, file=sys.stderr)
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())

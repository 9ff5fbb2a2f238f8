"""The ALSA sequencer from outside: ports and subscriptions of all programs.

Names are written ``client:port NN:N`` as the driver library of our own ports
writes them, so that one kind of pattern fits both.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from replank.midi.bay import NoSystem, Port

DEVICE = Path("/dev/snd/seq")


class AlsaBay:
    """See `replank.midi.bay.Bay`.

    Args:
        name: Client name.
        changed: Not called: who uses it looks again now and then.

    Raises:
        NoSystem: The sequencer, or the library for it, is missing.
    """

    api = "alsa"

    def __init__(self, name: str, changed: Callable[[], None] = lambda: None) -> None:
        if not DEVICE.exists():
            raise NoSystem(f"there is no ALSA sequencer ({DEVICE} is missing; modprobe snd-seq)")
        try:
            import alsa_midi
        except (ImportError, OSError) as error:
            raise NoSystem(f"the package alsa-midi is not usable here: {error}") from None
        self._alsa = alsa_midi
        try:
            self._client = alsa_midi.SequencerClient(name)
        except Exception as error:
            raise NoSystem(f"the ALSA sequencer refuses: {error}") from None
        self.alive = True
        self._addresses: dict[str, Any] = {}

    def ports(self) -> list[Port]:
        """Return every port; their names are read anew, since client numbers change."""
        rows = list(self._client.list_ports(include_system=False, include_no_export=False))
        self._addresses = {full_name(row): (row.client_id, row.port_id) for row in rows}
        return read_ports(rows, self._pids(rows))

    def gone(self) -> set[str]:
        """Return nothing: what is plugged in again has another client number, or the same within a look."""
        return set()

    def _pids(self, rows: Iterable[Any]) -> dict[int, int]:
        found = {}
        for client in {row.client_id for row in rows}:
            with contextlib.suppress(Exception):  # a client that has just gone
                found[client] = int(self._client.get_client_info(client).pid or 0)
        return found

    def connections(self, port: Port) -> set[str]:
        address = self._addresses.get(port.name)
        if address is None:
            return set()
        kind = self._alsa.SubscriptionQueryType
        names = {where: name for name, where in self._addresses.items()}
        try:
            rows = self._client.list_port_subscribers(address, kind.READ if port.is_source else kind.WRITE)
        except Exception:  # it has just gone
            return set()
        found = {(row.addr.client_id, row.addr.port_id) for row in rows}
        return {names[where] for where in found if where in names}

    def connect(self, source: str, sink: str) -> str:
        try:
            self._client.subscribe_port(self._addresses[source], self._addresses[sink])
        except KeyError as error:
            return f"{error.args[0]} has gone"
        except Exception as error:
            busy = getattr(error, "errno", 0) in (16, -16)  # EBUSY: subscribed already
            return "" if busy else str(error)
        return ""

    def disconnect(self, source: str, sink: str) -> None:
        with contextlib.suppress(Exception):  # not connected, or gone
            self._client.unsubscribe_port(self._addresses[source], self._addresses[sink])

    def period(self) -> tuple[int, int] | None:
        return None

    def close(self) -> None:
        if self.alive:
            self.alive = False
            self._client.close()


def full_name(row: Any) -> str:
    """Return a port's name as the driver library of our own ports writes it."""
    return f"{row.client_name}:{row.name} {row.client_id}:{row.port_id}"


def read_ports(rows: Iterable[Any], pids: dict[int, int]) -> list[Port]:
    """Return the ports of a list as the sequencer gives it (fields of alsa-midi's PortInfo).

    A port that can be read and subscribed to is a source, one that can be
    written and subscribed to a sink; many are both and stand here twice.
    """
    found = []
    for row in rows:
        able = int(row.capability)
        for is_source, bits in ((True, 0x01 | 0x20), (False, 0x02 | 0x40)):  # seq.h: READ|SUBS_READ, WRITE|SUBS_WRITE
            if able & bits == bits:
                found.append(Port(full_name(row), is_source, pids.get(row.client_id, 0)))
    return found

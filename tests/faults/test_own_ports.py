"""Our own ports are found whatever number the system gave their clients, also where it does not tell processes."""

import pytest

from replank.host import patching
from replank.midi.bay import Port


def check(find_own) -> None:
    for pid in (0, 40):  # 0: the system does not tell
        ports = [Port(name, True, pid) for name in ("replank-rescue:out", "replank-rescue-01:second", "other:out")]
        assert find_own(ports, 40, "replank-rescue", "out", True) == "replank-rescue:out"
        assert find_own(ports, 40, "replank-rescue", "second", True) == "replank-rescue-01:second"
        # a killed player's port is still there while the next one's has a number
        ports = [Port("replank-out:out", True, pid and 39), Port("replank-out-01:out", True, pid)]
        assert find_own(ports, 40, "replank-out", "out", True) == "replank-out-01:out"
    assert find_own([Port("replank-out:out", True, 39)], 40, "replank-out", "out", True) == ""
    assert find_own([Port("replank 128:0", False, 0)], 40, "replank", "clock", False) == ""


def test_ports_of_ours_under_any_number():
    check(patching.find_own)


def test_finding_by_name_alone_is_rejected():
    """Negative control: as it was, with notes of the second output hanging after a kill."""

    def by_name(ports, pid, client, port, is_source):
        return next((one.name for one in ports if one.name.startswith(f"{client}:{port}")), "")

    with pytest.raises(AssertionError):
        check(by_name)

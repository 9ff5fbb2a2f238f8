"""The long form's own behaviour: a trial that fails is told with its seed, and the next one begins."""

import pytest

from tests.faults import trials
from tests.faults.measure import Evidence


def fails(ground):
    ground.evidence.append(Evidence({"out": []}, 0, 0, [], [], "unknown", None, cuts={"out": (0, 0)}))
    raise AssertionError("out heard 0 notes after the fault")


def left_out(ground):
    pytest.skip("elsewhere: no rights")


def test_a_failure_is_told_and_the_rest_is_tried():
    said = []
    kinds = {"one": fails, "two": left_out, "three": lambda ground: None}
    found = trials.run(0.0, 77, said.append, kinds)
    assert (found["one"].failed, found["one"].least_after) == (1, 0)
    assert found["two"].left_out == "no rights"
    assert found["three"].passed == 1
    assert any("FAILED AssertionError" in text and "0 notes after" in text for text in said)
    wrong = trials.verdict(found)
    assert len(wrong) == 1 and "REPLANK_FAULT_SEED=77" in wrong[0]
    assert any("| one | 0 of 1 | 0, 0 | unknown 1 |" in line for line in trials.table(found))


def test_the_kinds_are_those_that_were_asked_for():
    asked = "killed stopped server cables numbers short drops 20 400 storm full read-only slow cut damaged".split()
    assert [word for word in asked if not any(word in name for name in trials.KINDS)] == []

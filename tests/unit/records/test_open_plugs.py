"""Plugs that were opened and never entered as tightened."""

from __future__ import annotations

from sumpwright.display import Display
from sumpwright.records.fold import fold
from sumpwright.records.open_plugs import open_plugs, untightened_words
from yardkit import FLUID, Log


def names(log: Log) -> list[str]:
    return [plug.name for plug in open_plugs(fold(log.events))]


def test_a_plug_is_open_until_its_last_opening_was_followed_by_a_tightening() -> None:
    log = Log()
    assert names(log) == []
    log.add("drained", {"volume": 0.004})
    assert names(log) == ["drain"]
    # The sheet gives no torque for the fill plug: nothing is to be entered for it.
    log.add("filled", {"volume": 0.004, "fluid": FLUID})
    assert names(log) == ["drain"]
    log.add("did", {"step": "level"})
    assert names(log) == ["drain", "level"]
    tight = log.add("tightened", {"plug": "Drain ", "torque": 27.0, "new_seal": True})
    assert names(log) == ["level"]
    log.add("reversed", {"event": tight.id})
    assert names(log) == ["drain", "level"]
    log.add("tightened", {"plug": "drain", "torque": 27.0, "new_seal": True})
    log.add("drained", {"volume": 0.0001})
    assert names(log) == ["drain", "level"]


def test_what_stayed_open_is_told_with_the_torque_of_the_sheet() -> None:
    log = Log()
    log.add("drained", {"volume": 0.004})
    log.add("lost", {"volume": 0.0001, "step": "level"})
    assert untightened_words(fold(log.events), Display()) == [
        "no tightening of the drain plug was entered; the sheet gives 27.0 N·m",
        "no tightening of the level plug was entered; the sheet gives 18.0 N·m to 22.0 N·m",
    ]

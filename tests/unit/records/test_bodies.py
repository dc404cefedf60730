from __future__ import annotations

import math
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.records.bodies import BODIES, Body, Kind, add_kind, check_body
from sumpwright.records.body_fields import LARGEST_VOLUME, SMALLEST_VOLUME

WITH_VOLUME = ["drained", "discharged", "circulated", "lost"]


def test_every_named_kind_has_a_body() -> None:
    assert set(get_args(Kind)) == set(BODIES)


@pytest.mark.parametrize("kind", WITH_VOLUME)
@pytest.mark.parametrize(
    "volume", [0.0, -0.0041, math.nan, math.inf, -math.inf, 4100.0, 1e-12, "4.1", None, True, [1.0]]
)
def test_an_impossible_volume_is_refused(kind: str, volume: Any) -> None:
    with pytest.raises(Complaint) as caught:
        check_body(kind, {"volume": volume})
    assert caught.value.field == "volume"
    assert caught.value.do
    assert "\n" not in str(caught.value)


@given(st.floats(SMALLEST_VOLUME, LARGEST_VOLUME))
def test_a_possible_volume_is_kept_as_it_is(volume: float) -> None:
    assert check_body("drained", {"volume": volume}) == {"volume": volume}


def test_a_whole_number_is_a_number() -> None:
    assert check_body("drained", {"volume": 1}) == {"volume": 1.0}


@pytest.mark.parametrize(
    ("kind", "body", "says"),
    [
        ("drianed", {}, "did you mean 'drained'?"),
        ("zzzz", {}, "use one of opened, drained"),
        ("drained", {"volumne": 0.004, "volume": 0.004}, "did you mean 'volume'?"),
        ("filled", {"volume": 0.004}, "'fluid' is missing"),
        ("filled", {"volume": 0.004, "fluid": "  "}, "'fluid' is empty"),
        ("noted", {"text": " \n"}, "is empty"),
        ("noted", {"text": "a\0b"}, "control character"),
        ("noted", {"text": "\ud800"}, "control character"),
        ("noted", {"text": "x" * 10_001}, "longer than 10000"),
        ("worked", {"sweeps": 0}, "greater than or equal to 1"),
        ("worked", {"sweeps": 2.5}, "valid integer"),
        ("purged", {"share": 1.2}, "less than or equal to 1"),
        ("purged", {"share": math.nan}, "'share'"),
        ("read", {"what": "temperature", "value": 45.0, "unit": "degC"}, "kept in K"),
        ("read", {"what": "temperature", "value": 45.0, "unit": "K"}, "-228.15 °C"),
        ("read", {"what": "odometer", "value": -1.0, "unit": "m"}, "not a sensible amount"),
        ("read", {"what": "colour", "value": math.inf, "unit": ""}, "not a finite number"),
        ("tightened", {"plug": "drain", "torque": 0.0}, "0 N·m"),
        ("tightened", {"plug": "drain", "torque": 27.0, "calibrated": "soon"}, "not a date"),
        ("tightened", {"plug": "drain", "torque": 27.0, "extension": -0.1}, "length of -0.1 m"),
        ("sampled", {"vial": "A", "cycle": -1}, "greater than or equal to 0"),
        ("overrode", {"step": "stands"}, "'reason' is missing"),
        ("drained", {"volume": 0.004, "temperature": 5000.0}, "beyond any working fluid"),
        ("closed", {"odometer": math.nan}, "not a finite number"),
        ("signal", {"to": "seat", "instruction": "start", "extra": math.inf}, "not a finite"),
        ("signal", {"to": "seat", "instruction": "start", "extra": {1, 2}}, "set cannot be kept"),
        ("signal", {"to": "seat", "instruction": "start", "extra": ["\x07"]}, "control"),
    ],
)
def test_a_wrong_body_is_named(kind: str, body: dict[str, Any], says: str) -> None:
    with pytest.raises(Complaint) as caught:
        check_body(kind, body)
    assert says in str(caught.value)


def test_what_nests_without_end_is_refused() -> None:
    deep: dict[str, Any] = {}
    inner = deep
    for _ in range(50):
        inner["in"] = {}
        inner = inner["in"]
    with pytest.raises(Complaint, match="nested"):
        check_body("signal", {"to": "seat", "instruction": "start", "deep": deep})


def test_a_signal_may_carry_more() -> None:
    body = {"to": "seat", "instruction": "start", "pause": 3, "steps": ["P", "R"]}
    assert check_body("signal", body) == body


def test_what_holds_nothing_is_dropped() -> None:
    assert check_body("drove", {"distance": None, "seconds": 0.0}) == {"seconds": 0.0}


def test_a_taken_kind_is_not_replaced() -> None:
    class Other(Body):
        pass

    with pytest.raises(Complaint, match="exists already"):
        add_kind("drained", Other)
    add_kind("drained", BODIES["drained"])

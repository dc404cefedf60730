"""User-set scalings against the standard library's own unpacking."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.link.decode import Scaling, identified, legislated, plain_number, spn_177, to_kelvin

CODES = {1: "b", 2: "h", 4: "i", 8: "q"}


@given(
    st.binary(min_size=0, max_size=16),
    st.integers(0, 8),
    st.sampled_from([1, 2, 4, 8]),
    st.booleans(),
    st.booleans(),
)
def test_fields_are_taken_as_struct_takes_them(
    record: bytes, start: int, length: int, little: bool, signed: bool
) -> None:
    scaling = Scaling(
        start, length, "little" if little else "big", signed, 0.5, -3.0, "C", -math.inf, math.inf
    )
    found = scaling.decode(record)
    if len(record) < start + length:
        assert found.doubt
        assert math.isnan(found.kelvin)
        return
    code = CODES[length] if signed else CODES[length].upper()
    (value,) = struct.unpack_from(("<" if little else ">") + code, record, start)
    assert found.kelvin == pytest.approx(value * 0.5 - 3.0 + 273.15, rel=1e-12)
    assert not found.doubt


@pytest.mark.parametrize("unit", ["C", "F", "K"])
def test_the_range_check_is_in_the_users_unit(unit: str) -> None:
    scaling = Scaling(length=1, unit=unit, low=10.0, high=20.0)  # type: ignore[arg-type]
    assert scaling.decode(b"\x09").doubt
    assert scaling.decode(b"\x15").doubt
    assert not scaling.decode(b"\x0a").doubt
    assert not scaling.decode(b"\x14").doubt


# near misses of a true answer, so that each part of it is put to the test
legislated_like = st.builds(
    lambda *parts: b"".join(parts),
    st.sampled_from([b"\x41", b"\x62", b"\x7f", b""]),
    st.sampled_from([b"\x05", b"\x5c", b"\x0f", b""]),
    st.binary(max_size=2),
)
identified_like = st.builds(
    lambda *parts: b"".join(parts),
    st.sampled_from([b"\x62", b"\x41", b"\x22", b""]),
    st.sampled_from([b"\x19\x40", b"\x40\x19", b"\x19\x41", b"\x18\x40", b""]),
    st.binary(max_size=3),
)


@given(legislated_like | st.binary(max_size=12))
def test_only_a_whole_legislated_answer_counts(payload: bytes) -> None:
    found = legislated(0x05, payload)
    if len(payload) == 3 and payload[:2] == b"\x41\x05":
        assert found.kelvin == payload[2] - 40 + 273.15
    else:
        assert found.doubt
        assert math.isnan(found.kelvin)


@given(identified_like | st.binary(max_size=12))
def test_only_the_answer_to_the_question_counts(payload: bytes) -> None:
    found = identified(0x1940, payload, Scaling(length=1, offset=-40.0))
    whole = payload[:3] == b"\x62\x19\x40" and len(payload) >= 4
    good = whole and payload[3] - 40 <= 250
    assert bool(found.doubt) is not good
    if good:
        assert found.kelvin == payload[3] - 40 + 273.15


def test_a_refusal_is_told_as_one() -> None:
    assert "refuses (code 31)" in identified(0x1940, b"\x7f\x22\x31", Scaling()).doubt
    assert "refuses (code 12)" in legislated(5, b"\x7f\x01\x12").doubt


@given(st.binary(max_size=16))
def test_a_message_of_another_length_holds_no_oil_temperature(data: bytes) -> None:
    assert bool(spn_177(data).doubt) is (len(data) != 8 or data[5] > 0xFA)


@pytest.mark.parametrize(
    "text", ["", "1,2,3", "1.2,3", "nan", "inf", "1e999", "0x10", "12 34", "--1"]
)
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"number|finite"):
        plain_number(text)


def test_fahrenheit_and_celsius_meet_where_they_should() -> None:
    # from memory: −40 °F is −40 °C, 212 °F is 100 °C
    assert to_kelvin(-40.0, "F") == pytest.approx(to_kelvin(-40.0, "C"))
    assert to_kelvin(212.0, "F") == pytest.approx(to_kelvin(100.0, "C"))

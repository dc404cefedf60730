"""Descriptions of sources: written, read, checked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.link.describe import Description
from sumpwright.link.source import Source
from sumpwright.link.sources import KINDS, build

words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=20).map(
    str.strip
)
keys = st.from_regex(r"[a-z][a-z0-9.]{0,8}", fullmatch=True)


@given(
    st.sampled_from([kind.name for kind in KINDS]), words, st.dictionaries(keys, words, max_size=4)
)
def test_text_and_table_say_the_same(kind: str, place: str, options: dict[str, str]) -> None:
    description = Description(kind, place, options)
    assert Description.parse(str(description)) == description
    assert Description.from_table(description.table()) == description


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_the_example_of_every_kind_builds(kind: object) -> None:
    made = build(kind.example)  # type: ignore[attr-defined]
    assert isinstance(made, Source)
    assert made.name
    assert made.stale_after > 0.0


@given(st.text(max_size=60))
def test_any_text_is_built_or_complained_of(text: str) -> None:
    try:
        made = build(text)
    except Complaint as caught:
        complaint = caught
    else:
        assert isinstance(made, Source)
        return
    assert complaint.what
    assert complaint.do


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("", ""),
        ("hnad", "kind"),
        ("hand:here", "place"),
        ("uds:socketcan:can0?rx=7E9&did=1940", "tx"),
        ("uds:socketcan:can0?tx=0C9&rx=7E9&did=1940", "tx"),
        ("uds:socketcan:can0?tx=7E1&rx=18DAF110&did=1940", "rx"),
        ("uds:socketcan:can0?tx=7E1&rx=7E9&did=19400", "did"),
        ("uds:socketcan:can0?tx=7E1&rx=7E9&did=1940&scale=0", "scale"),
        ("uds:socketcan:can0?tx=7E1&rx=7E9&did=1940&low=9&high=3", "low"),
        ("uds:socketcan:can0?tx=7E1&rx=7E9&did=1940&length=9", "length"),
        ("uds:can0?tx=7E1&rx=7E9&did=1940", "place"),
        ("legislated:socketcan:can0?pid=04", "pid"),
        ("legislated:socketcan:can0?period=0.01", "period"),
        ("adapter:/dev/ttyUSB0?pid=05&did=1940", "did"),
        ("adapter:/dev/ttyUSB0?did=1940", "tx"),
        ("adapter:/dev/ttyUSB0?tx=7E0", "rx"),
        ("replay:a.csv?sped=3", "sped"),
        ("replay:a.blf?as=uds", "did"),
        ("hand?name=a&name=b", "name"),
        ("replay:a.csv?speed", "text"),
    ],
)
def test_what_is_wrong_is_named(text: str, field: str) -> None:
    with pytest.raises(Complaint) as caught:
        build(text)
    assert caught.value.field == field
    assert caught.value.do


def test_the_nearest_word_is_offered() -> None:
    with pytest.raises(Complaint, match="did you mean speed"):
        build("replay:a.csv?sped=3")
    with pytest.raises(Complaint, match="did you mean replay"):
        build("reply:a.csv")


def test_numbers_may_have_a_comma_and_identifiers_a_prefix() -> None:
    one = Description.parse("uds:virtual:v?tx=0x7e1&rx=7E9&did=0x1940&scale=0,1&offset=-40")
    kind = next(kind for kind in KINDS if kind.name == "uds")
    values = one.values(kind)
    assert values.whole("tx") == 0x7E1
    assert values.scaling().scale == 0.1


def test_driver_settings_are_handed_on_as_numbers() -> None:
    one = Description.parse(
        "j1939:slcan:/dev/ttyACM0?bus.bitrate=250000&bus.listen_only=yes&bus.x=ab"
    )
    kind = next(kind for kind in KINDS if kind.name == "j1939")
    assert one.values(kind).bus == {"bitrate": 250000, "listen_only": True, "x": "ab"}

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.records.chain import (
    Event,
    body_text,
    canonical,
    check_id,
    digest,
    event_from_plain,
    events_from_plain,
    new_id,
    seal,
    stamp,
    unstamp,
    utc,
    verify_chain,
)
from yardkit import START, Log


def a_log(length: int = 8) -> list[Event]:
    log = Log()
    for place in range(length - 1):
        log.add("noted", {"text": f"remark {place}"})
    return log.events


LOG = a_log()


def test_a_sound_log_has_no_problem() -> None:
    assert verify_chain(LOG, head=LOG[-1].hash, count=len(LOG)) == []
    assert verify_chain([]) == []


@pytest.mark.parametrize(
    "change",
    [
        {"body": {"text": "another"}},
        {"by": "Otto"},
        {"at": START},
        {"kind": "did"},
        {"hash": "0" * 64},
        {"prev": "0" * 64},
        {"job": "another"},
        {"seq": 40},
        {"id": "01890a5d-ac96-774b-bcce-b302099a8057"},
    ],
)
def test_each_altered_field_is_found(change: dict[str, object]) -> None:
    altered = [*LOG]
    altered[3] = replace(altered[3], **change)  # type: ignore[arg-type]
    problems = verify_chain(altered)
    assert any(p.event == altered[3].id for p in problems)


@given(st.data())
def test_no_alteration_of_the_order_passes(data: st.DataObject) -> None:
    order = data.draw(st.lists(st.integers(0, len(LOG) - 1), max_size=len(LOG) + 2))
    changed = [LOG[place] for place in order]
    problems = verify_chain(changed, head=LOG[-1].hash, count=len(LOG))
    assert (problems == []) == (order == list(range(len(LOG))))


def test_a_missing_middle_and_a_swap_are_told_apart() -> None:
    gap = verify_chain([*LOG[:3], *LOG[5:]])
    assert [p.text for p in gap] == [
        "comes after a gap: 2 missing before it",
        "does not follow the event before it",
    ]
    swap = verify_chain([*LOG[:3], LOG[4], LOG[3], *LOG[5:]])
    assert "stands out of order" in [p.text for p in swap]
    double = verify_chain([*LOG, LOG[-1]])
    assert "is there twice" in [p.text for p in double]


def test_a_cut_end_shows_only_against_the_noted_head() -> None:
    assert verify_chain(LOG[:-1]) == []
    problems = verify_chain(LOG[:-1], head=LOG[-1].hash, count=len(LOG))
    assert [p.text for p in problems] == [
        "7 events are here where 8 were written",
        "is not the last event that was written",
    ]


def test_an_entry_survives_its_journey_through_json() -> None:
    assert events_from_plain([e.plain() for e in LOG]) == LOG
    assert digest(event_from_plain(LOG[2].plain())) == LOG[2].hash


@pytest.mark.parametrize(
    "spoilt", [{"seq": True}, {"seq": "3"}, {"body": []}, {"by": 7}, {"at": 3}]
)
def test_a_malformed_entry_is_refused(spoilt: dict[str, object]) -> None:
    with pytest.raises(Complaint):
        event_from_plain(LOG[2].plain() | spoilt)
    with pytest.raises(Complaint, match="incomplete"):
        event_from_plain({})


@given(st.floats(-(2.0**53) + 1, 2.0**53 - 1))
def test_a_number_keeps_its_hash_when_read_back(value: float) -> None:
    first = seal("i", "j", 1, START, "Ines", "signal", {"x": value}, "")
    again = event_from_plain(first.plain())
    assert digest(again) == first.hash
    assert first.body["x"] == value


def test_times_need_a_zone() -> None:
    with pytest.raises(Complaint, match="no zone"):
        utc(datetime(2025, 3, 1))
    with pytest.raises(Complaint, match="no zone"):
        unstamp("2025-03-01T09:30:00")
    with pytest.raises(Complaint, match="not a time"):
        unstamp("yesterday")


@given(
    st.datetimes(min_value=datetime(1900, 1, 2), max_value=datetime(9998, 1, 1)),
    st.integers(-14 * 60, 14 * 60),
)
def test_a_time_reads_back_as_the_same_moment(at: datetime, offset: int) -> None:
    local = at.replace(tzinfo=timezone(timedelta(minutes=offset)))
    assert unstamp(stamp(local)) == local
    assert unstamp(local.isoformat()) == local


def test_what_json_cannot_carry_is_refused() -> None:
    for value in (2**60, float("nan"), "\ud800", {1: 2}):
        with pytest.raises(Complaint, match="cannot be kept"):
            canonical({"x": value})
    with pytest.raises(Complaint, match="kB"):
        body_text({"x": "y" * 600_000})


def test_ids() -> None:
    ids = [new_id() for _ in range(50)]
    assert ids == sorted(ids)
    assert len(set(ids)) == 50
    assert all(check_id(id) == id for id in ids)
    for bad in ("", "x", "../..", "1"):
        with pytest.raises(Complaint, match="not a UUID"):
            check_id(bad)

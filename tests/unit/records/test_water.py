"""The water of a report as laboratories write it."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.records.laboratory_files import read_reports
from sumpwright.records.water import read_water


@pytest.mark.parametrize(
    ("text", "share"),
    [
        ("0.06%", 0.0006),
        ("0,06 %", 0.0006),
        (".06 %", 0.0006),
        ("600 ppm", 0.0006),
        ("600 mg/kg", 0.0006),
        ("0.2 wt%", 0.002),
        ("0", 0.0),
        ("0 ppm", 0.0),
    ],
)
def test_a_content_is_read_in_its_unit(text: str, share: float) -> None:
    assert read_water(text) == (pytest.approx(share), "")


@pytest.mark.parametrize("text", ["neg", "Neg.", "NEGATIVE", "nil", "None  detected", "n.d.", "ND"])
def test_a_word_for_none_found_is_none(text: str) -> None:
    assert read_water(text) == (0.0, f"water '{text}' was read as none found")


@pytest.mark.parametrize(
    ("text", "unit", "share"),
    [("<0.05%", "", 0.00025), ("< 0,05", "%", 0.00025), ("≤ 200 ppm", "%", 0.0001)],
)
def test_below_detection_is_half_of_it_and_says_so(text: str, unit: str, share: float) -> None:
    found, remark = read_water(text, unit)
    assert found == pytest.approx(share)
    assert remark == f"water '{text}' was read as half of it (below detection; common practice)"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("0.05", "has no unit"),
        ("<0.05", "has no unit"),
        ("trace", "not how much"),
        ("POS", "not how much"),
        ("0.05 L", "the unit 'l' does not fit here"),
        ("500 %", "more than all of the fluid"),
        ("-0.1 %", "no content of water"),
        ("n/a", "no content of water"),
        ("", "no content of water"),
        ("1.2.3 %", "no content of water"),
    ],
)
def test_what_leaves_a_doubt_is_refused(text: str, what: str) -> None:
    with pytest.raises(Complaint, match=what) as caught:
        read_water(text, where="--water")
    assert caught.value.do
    assert caught.value.where == "--water"


def test_a_file_with_the_same_words_is_read_alike() -> None:
    text = "machine;date;water (%);Fe\n" + "".join(
        f"Van 1;2025-0{k}-01;{water};{k}\n"
        for k, water in enumerate(("neg", "nil", "<0.05", "0.06", "n/a"), start=1)
    )
    seen = read_reports(text.encode(), "r.csv", date(2025, 9, 1))
    assert seen.faults == ()
    found = [line.report.water for line in seen.take()]
    assert found == [0.0, 0.0, pytest.approx(2.5e-4), pytest.approx(6e-4), None]
    assert "water 'neg' was read as none found" in seen.notes
    (fault,) = read_reports(text.replace("nil", "trace").encode(), "r.csv", date(2025, 9, 1)).faults
    assert (fault.line, fault.column) == (3, "water (%)")
    assert "not how much" in fault.what


@settings(deadline=None)
@given(st.floats(1e-6, 0.3))
def test_what_is_shown_is_read_back(share: float) -> None:
    assert read_water(Display().content(share))[0] == pytest.approx(share, rel=0.06)

"""Kinds of wet system by the many names they go by."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.planning.kinds import KINDS, canonical_kind


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("CVT", "continuously variable"),
        ("continuously variable gearbox", "continuously variable"),
        ("Automatic", "torque-converter automatic"),
        ("torque converter automatic", "torque-converter automatic"),
        ("hydrostatic transmission", "hydrostatic drive"),
        ("final drive", "axle"),
        ("Rear-Axle", "axle"),
        ("dual-clutch", "dual clutch"),
        ("manual transmission", "manual gearbox"),
        ("transfer box", "transfer case"),
        ("motor", "engine"),
        ("hydraulics", "hydraulic system"),
        ("cooling system", "coolant circuit"),
        ("other", "other"),
    ],
)
def test_kind_by_its_many_names(text: str, kind: str) -> None:
    assert canonical_kind(text) == (kind, None)


def test_every_kind_is_its_own_name() -> None:
    assert [canonical_kind(kind) for kind in KINDS] == [(kind, None) for kind in KINDS]


@given(st.text())
def test_any_text_is_a_kind_or_other_with_a_warning(text: str) -> None:
    kind, warning = canonical_kind(text)
    assert kind in KINDS
    assert warning is None or kind == "other"


def test_unknown_kind_names_the_nearest() -> None:
    kind, warning = canonical_kind("contineously variable")
    assert kind == "other"
    assert warning is not None
    assert "'continuously variable'" in warning

"""Limits and report bounds on the machine sheet: read, refused, and nothing else disturbed."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from sumpwright.errors import Complaint
from sumpwright.planning.clock import YEAR
from sumpwright.planning.machine import Machine, ReportBound, ServiceLimit, Sheet, Source, WetSystem
from sumpwright.records.chain import canonical
from sumpwright.records.sheet import parse_sheet
from sumpwright.records.sheet_text import dump_sheet
from sumpwright.records.snapshot import sheet_from_plain, sheet_to_plain
from yardkit import carrier

HEAD = """\
[machine]
name = "Carrier 2"
[[system]]
name = "gearbox"
kind = "axle"
capacity = "9.2 L"
thermal_reference = "90 C"
clean = "18/16/13"
"""
GOOD = (
    HEAD
    + """\
[[system.limit]]
action = "replace"
distance = {value = "60000 km", origin = "manual", note = "p. 41"}
severe_distance = "40000 km"
period = "4 years"
severe_period = "30 months"
thermal = "2000 h"
tail = "20 %"
[[system.limit]]
action = "inspect"
hours = "250 h"
[[system.bound]]
of = "Fe"
caution_above = 100
act_above = 150
note = "laboratory"
[[system.bound]]
of = "viscosity_100"
act_below = "5.2 cSt"
[[system.bound]]
of = "viscosity_40"
caution_below = "-10 %"
caution_above = "10 %"
relative = true
"""
)


def system_of(text: str) -> WetSystem:
    return parse_sheet(text, "c.toml").machine.systems[0]


def refused(text: str) -> Complaint:
    with pytest.raises(Complaint) as raised:
        parse_sheet(text, "c.toml")
    return raised.value


def test_every_key_of_a_limit_is_read() -> None:
    box = system_of(GOOD)
    assert box.limits == (
        ServiceLimit(
            "replace",
            distance=6e7,
            severe_distance=4e7,
            period=4.0 * YEAR,
            severe_period=2.5 * YEAR,
            thermal=7.2e6,
            tail=0.2,
            sources=(Source("distance", "manual", "p. 41"),),
        ),
        ServiceLimit("inspect", hours=9e5),
    )
    assert box.bounds == (
        ReportBound("Fe", caution_above=100.0, act_above=150.0, note="laboratory"),
        ReportBound("viscosity_100", act_below=5.2e-6),
        ReportBound("viscosity_40", caution_below=-0.1, caution_above=0.1, relative=True),
    )
    assert box.thermal_reference == 363.15
    assert box.thermal_step is None
    assert box.clean == "18/16/13"
    assert parse_sheet(dump_sheet(parse_sheet(GOOD))) == parse_sheet(GOOD)


@pytest.mark.parametrize(
    ("old", "new", "at", "what", "do"),
    [
        (
            'action = "inspect"',
            'action = "inspct"',
            "c.toml:18: system 'gearbox'.limit 'inspct'.action",
            "action 'inspct' is not known",
            "did you mean 'inspect'?",
        ),
        (
            'hours = "250 h"',
            'hour = "250 h"',
            "limit 'inspect'.hour",
            "unknown key",
            "mean 'hours'",
        ),
        ('hours = "250 h"', "years = 4", "limit 'inspect'.years", "unknown key", "period = "),
        ('hours = "250 h"', 'km = "9 km"', "limit 'inspect'.km", "unknown key", "distance = "),
        ('hours = "250 h"', 'hours = "4 years"', ".hours", "unit of period", "1.5 h"),
        ('hours = "250 h"', "hours = 250", ".hours", "has no unit", "1.5 h"),
        ('hours = "250 h"', 'hours = "1 s"', ".hours", "cannot be right", "1 to 100 000 h"),
        ('hours = "250 h"', "", "limit 'inspect'", "no interval", "from the manual"),
        ('hours = "250 h"', 'hours = ["1 h", "2 h"]', ".hours", "range cannot stand", "hours"),
        ('action = "inspect"', 'action = "replace"', ".action", "two limits", "one table"),
        ('hours = "250 h"', 'hours = "9 h"\ntail = 0.1', ".tail", "only a replacement", "out"),
        ('tail = "20 %"', "tail = 1", ".tail", "not a share below 1", "20 %"),
        ('thermal_reference = "90 C"\n', "", ".thermal_reference", "no reference", "90 C"),
        ('"90 C"', '"900 C"', ".thermal_reference", "cannot be right", "200 °C"),
        ('clean = "18/16/13"', 'clean = "13/16/18"', ".clean", "rises", "4, 6 and 14"),
        ('of = "Fe"', 'of = "iron"', "bound 'iron'.of", "no property", "mean 'Fe'"),
        ("act_above = 150", "act_above = 50", ".caution_above", "beyond the act", "swap"),
        ("act_above = 150", "max = 150", ".max", "unknown key", "act_above"),
        ("act_above = 150", "act_above = -1", ".act_above", "cannot be right", "above zero"),
        ('act_below = "5.2 cSt"', "act_below = 5.2", ".act_below", "has no unit", "mm2/s"),
        ('act_below = "5.2 cSt"', "", "bound 'viscosity_100'", "no value", "act_above"),
        ('caution_below = "-10 %"', 'caution_below = "20 %"', ".caution_below", "passes", "swap"),
        ("relative = true", 'relative = "yes"', ".relative", "not a choice", "true or false"),
    ],
)
def test_a_bad_limit_names_its_place_and_a_remedy(
    old: str, new: str, at: str, what: str, do: str
) -> None:
    assert old in GOOD
    complaint = refused(GOOD.replace(old, new))
    assert at in complaint.where
    assert what in complaint.what
    assert do in complaint.do


def test_a_severe_interval_longer_than_the_normal_one_is_doubted() -> None:
    sheet = parse_sheet(GOOD.replace('"40000 km"', '"80000 km"'), "c.toml")
    (warning,) = sheet.warnings
    assert warning.startswith("c.toml:12: system 'gearbox'.limit 'replace'.severe_distance:")


def test_a_sheet_without_limits_keeps_the_text_by_which_it_is_compared() -> None:
    """Sheets and exports that were kept before limits were known stay equal to their text."""
    plain = sheet_to_plain(carrier())
    assert not {"limits", "bounds", "clean"} & set(plain["machine"]["systems"][0])
    box = replace(carrier().machine.systems[0], limits=(ServiceLimit("inspect", hours=9e5),))
    sheet = Sheet(Machine("Carrier 2", (box,)))
    again = sheet_from_plain(json.loads(canonical(sheet_to_plain(sheet))))
    assert again == sheet

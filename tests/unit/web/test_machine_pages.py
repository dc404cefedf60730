"""Machines in forms: nothing typed is lost, nothing untouched is changed."""

from __future__ import annotations

import re
from html import unescape

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sumpwright.planning.machine import Span
from sumpwright.records.sheet import parse_sheet
from sumpwright.records.sheet_text import dump_sheet
from sumpwright.units import parse_quantity
from webkit import Device, Site


def wrong_beside(text: str, field: str) -> str:
    """Return the complaint that stands beside a field."""
    found = re.search(rf'<p class="wrong" id="e-{field}">(.*?)</p>', text, re.S)
    return unescape(re.sub(r"<[^>]+>", " ", found[1])) if found else ""


def new_machine(keeper: Device, **typed: str) -> dict[str, str]:
    fields = keeper.form("/machines/new", "/machines/new")
    return fields | {
        "machine_name": "Trailer 1",
        "name": "axle",
        "kind": "axle",
        "capacity": "2.1",
        **typed,
    }


def test_a_machine_needs_little(site: Site, keeper: Device) -> None:
    answer = keeper.post("/machines/new", new_machine(keeper))
    assert answer.status_code == 303
    kept = site.store.machines.get("Trailer 1")
    assert answer.headers["location"] == f"/machines/{kept.id}?saved=yes"
    (system,) = kept.sheet.machine.systems
    assert (system.capacity.low, system.capacity.high) == (0.0021, 0.0021)
    assert "Kept as version 1" in keeper.get(answer.headers["location"]).text


@pytest.mark.parametrize(
    ("typed", "low", "high"),
    [
        ("2,1", 0.0021, 0.0021),
        ("2.0 to 2.2", 0.002, 0.0022),
        ("2,0–2,2 L", 0.002, 0.0022),
        ("2.0 L - 2200 mL", 0.002, 0.0022),
        ("2.2 US qt", 2.2 * 0.946352946e-3, 2.2 * 0.946352946e-3),
    ],
)
def test_volumes_are_read_as_people_write_them(
    site: Site, keeper: Device, typed: str, low: float, high: float
) -> None:
    assert keeper.post("/machines/new", new_machine(keeper, capacity=typed)).status_code == 303
    span = site.store.machines.get("Trailer 1").sheet.machine.systems[0].capacity
    assert (span.low, span.high) == pytest.approx((low, high))


@pytest.mark.parametrize(
    ("change", "field", "says"),
    [
        ({"capacity": ""}, "capacity", "missing"),
        ({"capacity": "much"}, "capacity", "no number"),
        ({"capacity": "2.2 to 2.0"}, "capacity", "wrong way round"),
        ({"capacity": "2 kg"}, "capacity", "unit of mass"),
        ({"capacity": "1,234"}, "capacity", "can mean"),
        ({"capacity": "0"}, "capacity", "zero"),
        ({"capacity": "-2"}, "capacity", "negative"),
        ({"capacity": "9999999"}, "capacity", "cannot be right"),
        ({"capacity": "1e400"}, "capacity", ""),
        ({"drain": "3 L"}, "drain", "larger than"),
        ({"machine_name": " "}, "machine_name", "empty"),
        ({"machine_name": "x" * 300}, "machine_name", "300 characters"),
        ({"machine_name": "van 1"}, "machine_name", "known already"),
        ({"name": ""}, "name", "empty"),
        ({"odometer": "-5"}, "odometer", "cannot be right"),
        ({"hours": "x"}, "hours", "no number"),
        ({"fluid": "a\x02b"}, "fluid", "control characters"),
    ],
)
def test_a_complaint_stands_beside_its_field_and_all_that_was_typed_stays(
    site: Site, keeper: Device, change: dict[str, str], field: str, says: str
) -> None:
    typed = new_machine(keeper, fluid="Ridge Brown 90", drain_note="a “quoted” <remark>") | change
    answer = keeper.post("/machines/new", typed)
    assert answer.status_code == 422
    assert says in wrong_beside(answer.text, field)
    assert f'href="#f-{field}"' in answer.text
    assert len(site.store.machines.all()) == 4
    shown = Fields.of(answer.text)
    for name, value in typed.items():
        if name not in ("csrf_token", "shown_units") and "\x02" not in value:
            assert shown[name] == value, name


def test_a_complaint_is_in_the_units_and_the_decimal_sign_of_its_reader(
    keeper: Device, van: str
) -> None:
    keeper.post("/settings", {"units": "us", "comma": "yes", "name": ""})
    path = f"/machines/{van}/systems/1/edit"
    page = keeper.get(path).text
    assert "9,7 US qt, or 9,5 to 10 US qt" in page
    assert "such as 100 to 110 °F" in page
    own = {"sump": "", "cooler_loop": "", "pickup_reserve": "", "discharge": ""}
    typed = keeper.form(path, path) | own
    larger = "the drain of 13,5 US qt is larger than the capacity of 11,9 US qt"
    answer = keeper.post(path, typed | {"drain": "13,5", "capacity": "11,9"})
    assert larger in wrong_beside(answer.text, "drain")
    assert answer.text.count(larger) == 2
    answer = keeper.post(path, typed | {"drain": "much"})
    assert "9,5 US qt" in wrong_beside(answer.text, "drain")
    answer = keeper.post(path, typed | {"plug_0_torque": "5000"})
    assert "5000 lbf·ft cannot be right" in wrong_beside(answer.text, "plug_0_torque")
    assert "at most 738 lbf·ft" in wrong_beside(answer.text, "plug_0_torque")
    # What is only doubtful is said on the page of the machine, likewise.
    assert keeper.post(path, typed | {"drain": "9 to 13,5", "capacity": "11,9"}).status_code == 303
    assert "the drain of 9 to 13,5 US qt can exceed the capacity of 11,9 US qt" in (
        keeper.get(f"/machines/{van}").text
    )


class Fields:
    """Fields of a page already in hand."""

    @staticmethod
    def of(text: str) -> dict[str, str]:
        from webkit import _Fields

        reader = _Fields("/machines/new")
        reader.feed(text)
        return reader.fields


PAGES = [
    ("Van 1", "systems/1/edit"),
    ("Van 1", "systems/2/edit"),
    ("Carrier 2", "systems/1/edit"),
    ("Pick-up 3", "systems/1/edit"),
    ("Van 1", "edit"),
    ("Carrier 2", "edit"),
    ("Van 1", "prices"),
    ("Pick-up 3", "prices"),
]


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize(("name", "page"), PAGES)
def test_a_form_that_nobody_touched_changes_nothing(
    site: Site, keeper: Device, name: str, page: str, units: str
) -> None:
    keeper.post("/settings", {"units": units, "comma": "yes", "name": ""})
    machine = site.store.machines.get(name)
    path = f"/machines/{machine.id}/{page}"
    answer = keeper.post(path, keeper.form(path, path))
    assert answer.status_code == 303, re.findall(r'class="wrong".*?</p>', answer.text, re.S)
    after = site.store.machines.get(name)
    assert after.sheet == machine.sheet
    assert after.version == 1


def test_one_changed_number_changes_only_itself(site: Site, keeper: Device) -> None:
    keeper.post("/settings", {"units": "us", "comma": "no", "name": "Ines"})
    before = site.store.machines.get("Van 1")
    path = f"/machines/{before.id}/systems/1/edit"
    fields = keeper.form(path, path)
    assert fields["drain"] == "4.3324"
    answer = keeper.post(
        path, fields | {"drain": "4.0", "drain_origin": "manual", "drain_note": "p. 7"}
    )
    assert answer.status_code == 303
    after = site.store.machines.get("Van 1")
    drain = after.sheet.machine.systems[0].drain
    assert drain is not None
    assert drain.low == pytest.approx(4 * 0.946352946e-3)
    assert (drain.origin, drain.note, after.by, after.version) == ("manual", "p. 7", "Ines", 2)
    assert after.sheet.machine.systems[1:] == before.sheet.machine.systems[1:]
    old, new = before.sheet.machine.systems[0], after.sheet.machine.systems[0]
    same = [k for k in old.__dataclass_fields__ if k != "drain"]
    assert [getattr(new, k) for k in same] == [getattr(old, k) for k in same]


def test_quarts_come_back_for_editing_as_a_number_to_read_and_stay_what_they_were(
    site: Site, keeper: Device
) -> None:
    fields = new_machine(keeper, capacity="9 US qt")
    assert keeper.post("/machines/new", fields).status_code == 303
    made = site.store.machines.get("Trailer 1")
    path = f"/machines/{made.id}/systems/1/edit"
    fields = keeper.form(path, path)
    assert fields["capacity"] == "8.5172"
    assert keeper.post(path, fields | {"kind": "axle"}).status_code == 303
    after = site.store.machines.get("Trailer 1").sheet.machine.systems[0]
    assert after.kind == "axle"
    assert after.capacity == made.sheet.machine.systems[0].capacity
    assert after.capacity.low == pytest.approx(parse_quantity("9 US qt", "volume"), rel=1e-12)


def test_half_an_hour_of_running_is_told(keeper: Device, van: str) -> None:
    keeper.post(f"/machines/{van}/readings", {"what": "hours", "value": "12.5"})
    assert "Running hours 12.5 h" in keeper.get(f"/machines/{van}").text


def test_a_bare_number_is_read_in_the_units_in_which_the_form_was_shown(
    site: Site, keeper: Device
) -> None:
    fields = new_machine(keeper, capacity="2")
    keeper.post("/settings", {"units": "us", "comma": "no", "name": ""})
    assert keeper.post("/machines/new", fields).status_code == 303
    assert site.store.machines.get("Trailer 1").sheet.machine.systems[0].capacity.low == 0.002


def test_a_change_to_an_older_version_is_refused_with_everything_kept(
    site: Site, keeper: Device, van: str
) -> None:
    path = f"/machines/{van}/systems/1/edit"
    mine = keeper.form(path, path)
    theirs = keeper.form(path, path) | {"drain": "4.0"}
    assert keeper.post(path, theirs).status_code == 303
    answer = keeper.post(path, mine | {"drain": "4.2"})
    assert answer.status_code == 422
    assert "changed meanwhile" in answer.text
    assert 'name="drain" type="text" value="4.2"' in answer.text
    drain = site.store.machines.get("Van 1").sheet.machine.systems[0].drain
    assert drain is not None
    assert drain.low == 0.004


def test_plugs_are_added_and_taken_out_by_rows(site: Site, keeper: Device, van: str) -> None:
    path = f"/machines/{van}/systems/1/edit"
    fields = keeper.form(path, path)
    more = keeper.post(path, fields | {"more": "plug", "drain": "4.2 typed"})
    assert more.status_code == 200
    assert 'name="plug_4_name"' in more.text
    assert 'name="plug_5_name"' not in more.text
    assert 'value="4.2 typed"' in more.text
    # What is asked for once more comes once more, though the rows are empty still.
    again = keeper.post(path, fields | {"more": "plug", "plug_4_name": ""})
    assert 'name="plug_5_name"' in again.text
    # A row that is full is followed by one, not by two.
    full = keeper.post(path, fields | {"more": "plug", "plug_3_name": "filter cover"})
    assert 'name="plug_4_name"' in full.text
    assert 'name="plug_5_name"' not in full.text
    fields |= {"plug_0_name": "", "plug_0_torque": "", "plug_0_seal": "", "plug_0_drive": ""}
    fields |= {"plug_3_name": "filter cover", "plug_3_torque": "8 to 10"}
    assert keeper.post(path, fields).status_code == 303
    plugs = site.store.machines.get("Van 1").sheet.machine.systems[0].plugs
    assert [p.name for p in plugs] == ["fill", "level", "filter cover"]
    assert plugs[2].torque is not None
    assert (plugs[2].torque.low, plugs[2].torque.high) == (8.0, 10.0)


def test_a_row_of_a_plug_without_name_is_complained_about(keeper: Device, van: str) -> None:
    path = f"/machines/{van}/systems/1/edit"
    answer = keeper.post(path, keeper.form(path, path) | {"plug_3_torque": "5000 N.m"})
    assert answer.status_code == 422
    assert wrong_beside(answer.text, "plug_3_name")
    answer = keeper.post(
        path, keeper.form(path, path) | {"plug_3_torque": "5000 N.m", "plug_3_name": "x"}
    )
    assert "cannot be right" in wrong_beside(answer.text, "plug_3_torque")


def test_a_wet_system_is_added_and_taken_out(site: Site, keeper: Device, van: str) -> None:
    path = f"/machines/{van}/systems/new"
    fields = keeper.form(path, path) | {"name": "rear axle", "kind": "axle", "capacity": "1.9"}
    assert keeper.post(path, fields).status_code == 303
    assert len(site.store.machines.get("Van 1").sheet.machine.systems) == 3
    remove = f"/machines/{van}/systems/3/remove"
    assert "Take out the rear axle" in keeper.get(remove).text
    assert keeper.post(remove, keeper.form(remove, remove)).status_code == 303
    assert len(site.store.machines.get("Van 1").sheet.machine.systems) == 2
    only = site.store.machines.get("Generator 1").id
    remove = f"/machines/{only}/systems/1/remove"
    answer = keeper.post(remove, keeper.form(remove, remove))
    assert answer.status_code == 422
    assert "no wet system" in answer.text


def test_a_form_is_checked_while_it_is_filled_in(keeper: Device, van: str) -> None:
    path = f"/machines/{van}/systems/1/edit"
    fields = keeper.form(path, path) | {"drain": "12 L", "sump": "5 L", "name": ""}
    answer = keeper.post(f"/machines/{van}/check?place=1", fields)
    assert answer.status_code == 200
    assert 'id="w-drain" hx-swap-oob="true"' in answer.text
    assert "<html" not in answer.text
    # A field that is still empty is not reached yet: nothing is said about it.
    assert wrong_beside(answer.text, "name") == ""
    answer = keeper.post(
        f"/machines/{van}/check?place=1", fields | {"name": "gearbox", "capacity": "13"}
    )
    assert "larger than the sump" in wrong_beside(answer.text, "drain")
    answer = keeper.post("/machines/check", new_machine(keeper, drain="5"))
    assert "larger than" in wrong_beside(answer.text, "drain")


RICH = """
[machine]
name = "Rich"
odometer = { value = "100000 km", origin = "measured" }
[[system]]
name = "gearbox"
kind = "torque-converter automatic"
capacity = "9.2 L"
window = { range = ["38 C", "46 C"], origin = "manual", note = "p. 2" }
thermal_reference = { value = "90 C", origin = "manual" }
clean = "18/16/13"
[[system.limit]]
action = "replace"
distance = { value = "60000 km", origin = "manual", note = "p. 9" }
period = "4 years"
thermal = "2000 h"
tail = 0.1
[[system.limit]]
action = "inspect"
thermal = "500 h"
[[system.bound]]
of = "Fe"
act_above = 150
"""


@pytest.mark.parametrize("units", ["metric", "us"])
def test_what_a_form_does_not_show_stays(site: Site, keeper: Device, units: str) -> None:
    keeper.post("/settings", {"units": units, "comma": "yes", "name": ""})
    made = keeper.api("POST", "/machines", json={"toml": RICH}).json()["id"]
    before = site.store.machines.get(made).sheet
    for page in ("systems/1/edit", "edit", "prices"):
        path = f"/machines/{made}/{page}"
        assert keeper.post(path, keeper.form(path, path)).status_code == 303
    assert site.store.machines.get(made).sheet == before
    path = f"/machines/{made}/systems/1/edit"
    fields = keeper.form(path, path) | {"drain": "4", "limit_0_period": "3 years"}
    assert keeper.post(path, fields).status_code == 303
    (old,) = before.machine.systems
    (new,) = site.store.machines.get(made).sheet.machine.systems
    assert new.limits[0].period == pytest.approx(3 * 365.25 * 86400, rel=1e-3)
    assert (new.limits[0].distance, new.limits[0].tail) == (6e7, 0.1)
    assert (new.limits[1], new.bounds, new.clean) == (old.limits[1], old.bounds, old.clean)
    assert sorted(new.sources, key=repr) == sorted(old.sources, key=repr)


def test_limits_are_added_and_taken_out_by_rows(site: Site, keeper: Device, van: str) -> None:
    path = f"/machines/{van}/systems/2/edit"
    before = site.store.machines.get(van).sheet.machine.systems[1].limits
    i = len(before)
    row = {f"limit_{i}_distance": "15000", f"limit_{i}_severe_distance": "7500 km"}
    row |= {
        f"limit_{i}_action": "inspect",
        f"limit_{i}_origin": "manual",
        f"limit_{i}_note": "p. 3",
    }
    assert keeper.post(path, keeper.form(path, path) | row).status_code == 303
    limit = site.store.machines.get(van).sheet.machine.systems[1].limits[-1]
    assert (limit.action, limit.distance, limit.severe_distance) == ("inspect", 1.5e7, 7.5e6)
    assert {s.key for s in limit.sources} == {"distance", "severe_distance"}
    gone = {f"limit_{i}_distance": "", f"limit_{i}_severe_distance": ""}
    assert keeper.post(path, keeper.form(path, path) | gone).status_code == 303
    assert site.store.machines.get(van).sheet.machine.systems[1].limits == before
    wrong = keeper.post(path, keeper.form(path, path) | {f"limit_{i}_distance": "-5"})
    assert wrong.status_code == 422
    assert wrong_beside(wrong.text, f"limit_{i}_distance")


def test_prices_are_changed_by_rows(site: Site, keeper: Device, van: str) -> None:
    path = f"/machines/{van}/prices"
    fields = keeper.form(path, path)
    fields |= {"offer_0_price": "9,95", "offer_1_seller": "", "offer_1_size": ""}
    fields |= {"offer_1_price": "", "offer_1_carriage": "", "offer_4_seller": "New store"}
    fields |= {"offer_4_size": "4", "offer_4_price": "38", "offer_4_stock": "3"}
    assert keeper.post(path, fields).status_code == 303
    offers = site.store.machines.get("Van 1").sheet.offers
    assert [(o.seller, o.price) for o in offers] == [
        ("Yard store", 9.95),
        ("Valley factors", 149.0),
        ("Yard store", 31.0),
        ("New store", 38.0),
    ]
    assert (offers[3].stock, offers[3].size) == (3, 0.004)
    wrong = keeper.form(path, path) | {"offer_0_price": "much", "offer_0_stock": "-1"}
    answer = keeper.post(path, wrong)
    assert answer.status_code == 422
    assert wrong_beside(answer.text, "offer_0_price")
    assert wrong_beside(answer.text, "offer_0_stock")


def test_a_density_may_be_typed_as_a_range(site: Site, keeper: Device, van: str) -> None:
    path = f"/machines/{van}/prices"
    before = site.store.machines.get("Van 1").sheet.fluids
    fields = keeper.form(path, path) | {"fluid_0_density_15": "842 to 851"}
    assert keeper.post(path, fields).status_code == 303
    fluids = site.store.machines.get("Van 1").sheet.fluids
    assert fluids[0].span("density_15") == Span(842.0, 851.0)
    assert fluids[1:] == before[1:]
    again = keeper.form(path, path)
    assert keeper.post(path, again).status_code == 303
    assert site.store.machines.get("Van 1").sheet.fluids == fluids


def test_a_sheet_goes_out_and_comes_in_as_it_was(site: Site, keeper: Device, van: str) -> None:
    out = keeper.get(f"/machines/{van}/sheet.toml")
    assert out.headers["content-type"].startswith("application/toml")
    sheet = parse_sheet(out.text)
    assert sheet == site.store.machines.get(van).sheet
    text = out.text.replace('"Van 1"', '"Van 9"')
    files = {"sheet": ("van.toml", text.encode(), "application/toml")}
    answer = keeper.post("/machines/import", files=files)
    assert answer.status_code == 303
    kept = site.store.machines.get("Van 9")
    assert kept.source == text
    assert dump_sheet(kept.sheet) == dump_sheet(sheet).replace('"Van 1"', '"Van 9"')


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("x.toml", b"\xff\xfe", "UTF-8"),
        ("x.toml", b"[machine]\nname = 9,2", "TOML"),
        ("x.toml", b"x" * 1_000_001, "1 MB"),
        ("../../x.toml", b'[machine]\nname = "A"\n[[system]]\nname="b"\n', "missing"),
        ("x.toml", b"", "no sheet"),
    ],
)
def test_a_bad_sheet_is_refused_clearly(
    site: Site, keeper: Device, name: str, content: bytes, says: str
) -> None:
    answer = keeper.post("/machines/import", files={"sheet": (name, content, "text/plain")})
    if len(content) > 1_000_000:
        assert answer.status_code in (413, 422)
    else:
        assert answer.status_code == 422
        assert says in wrong_beside(answer.text, "sheet")
    assert len(site.store.machines.all()) == 4


def test_the_text_of_a_sheet_is_kept_when_it_is_wrong(site: Site, keeper: Device, van: str) -> None:
    path = f"/machines/{van}/sheet"
    fields = keeper.form(path, path)
    wrong = fields | {"toml": fields["toml"].replace('"4.1 L"', '"4.1 kg"')}
    answer = keeper.post(path, wrong)
    assert answer.status_code == 422
    told = wrong_beside(answer.text, "toml")
    assert re.search(r"\d+: system 'gearbox'.drain", told), told
    assert "4.1 kg" in answer.text
    right = fields | {"toml": fields["toml"].replace('"4.1 L"', '"4.2 L"')}
    assert keeper.post(path, right).status_code == 303
    assert site.store.machines.get("Van 1").version == 2
    for page in ("versions", "versions/1", "versions/2"):
        assert keeper.get(f"/machines/{van}/{page}").status_code == 200
    assert keeper.get(f"/machines/{van}/versions/3").status_code == 404
    assert '"4.1 L"' in keeper.get(f"/machines/{van}/sheet.toml?version=1").text


def test_retiring_asks_first_and_keeps_everything(site: Site, keeper: Device, van: str) -> None:
    assert "Retire Van 1" in keeper.get(f"/machines/{van}/retire").text
    assert not site.store.machines.get(van).retired
    assert keeper.post(f"/machines/{van}/retire").status_code == 303
    assert "Van 1" not in keeper.get("/").text
    assert "retired" in keeper.get(f"/machines/{van}").text


@pytest.mark.parametrize(
    "path",
    ["/machines/nope", "/machines/Van 1/systems/3/edit", "/machines/Van 1/systems/0/plan", "/x"],
)
def test_what_is_not_there_is_a_404_page(keeper: Device, path: str) -> None:
    answer = keeper.get(path)
    assert answer.status_code == 404
    assert "What to do" in answer.text


@pytest.mark.parametrize(
    ("typed", "what", "value"),
    [
        ({"what": "odometer", "value": "190000"}, "odometer", 1.9e8),
        ({"what": "odometer", "value": "118,061.4 mi"}, "odometer", 118061.4 * 1609.344),
        ({"what": "hours", "value": "891,5"}, "hours", 891.5 * 3600),
        ({"what": "hours", "value": "891 h", "day": "2026-01-31"}, "hours", 891 * 3600),
    ],
)
def test_readings_are_kept(
    site: Site, keeper: Device, van: str, typed: dict[str, str], what: str, value: float
) -> None:
    assert keeper.post(f"/machines/{van}/readings", typed).status_code == 303
    (kept,) = site.store.readings.of(van)
    assert kept.what == what
    assert kept.value == pytest.approx(value)
    if "day" in typed:
        assert kept.at.astimezone().date().isoformat() == typed["day"]


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"value": ""}, "value"),
        ({"value": "many"}, "value"),
        ({"value": "-4"}, "value"),
        ({"value": "4", "day": "2999-01-01"}, "day"),
        ({"value": "4", "day": "31.12.2025"}, "day"),
    ],
)
def test_a_bad_reading_is_refused_beside_its_field(
    site: Site, keeper: Device, van: str, typed: dict[str, str], field: str
) -> None:
    answer = keeper.post(f"/machines/{van}/readings", {"note": "my remark", **typed})
    assert answer.status_code == 422
    assert wrong_beside(answer.text, field)
    assert 'value="my remark"' in answer.text
    assert site.store.readings.of(van) == []


def test_the_page_of_a_machine_says_where_each_number_comes_from(keeper: Device, van: str) -> None:
    text = keeper.get(f"/machines/{van}").text
    assert "■ service manual, demo manual, p. 41" in text
    assert "● measured, service of 2023" in text
    assert "△ assumed, usual for its kind" in text
    assert "drain 4.10 L" in text


def test_units_and_decimal_sign_follow_the_device(keeper: Device, van: str) -> None:
    keeper.post("/settings", {"units": "us", "comma": "yes", "name": ""})
    assert "drain 4,33 US qt" in keeper.get(f"/machines/{van}").text
    german = {"accept-language": "de-DE,de;q=0.9,en;q=0.5"}
    keeper.client.cookies.clear()
    assert "drain 4,10 L" in keeper.get(f"/machines/{van}", headers=german).text


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    field=st.sampled_from(
        [
            "name",
            "kind",
            "fluid",
            "capacity",
            "drain",
            "window",
            "tanks",
            "pockets",
            "plug_0_torque",
        ]
    ),
    text=st.text(max_size=60),
)
def test_nothing_typed_into_a_form_makes_it_fail(
    keeper: Device, van: str, field: str, text: str
) -> None:
    path = f"/machines/{van}/systems/1/edit"
    fields = keeper.form(path, path) | {field: text}
    answer = keeper.post(f"/machines/{van}/check?place=1", fields)
    assert answer.status_code == 200


def test_a_quart_that_may_be_either_is_asked_about_and_stays_typed(keeper: Device) -> None:
    form = keeper.form("/machines/Van 1/systems/1/edit", "/edit") | {"drain": "4.3 qt"}
    answer = keeper.post("/machines/Van 1/systems/1/edit", form)
    assert answer.status_code == 422
    assert "would be 4.07 L as US quarts; an imperial quart would make it 4.89 L" in answer.text
    assert 'value="4.3 qt"' in answer.text
    assert (
        keeper.post("/machines/Van 1/systems/1/edit", form | {"drain": "4.3 imp qt"}).status_code
        == 303
    )
    keeper.post("/settings", {"units": "us", "comma": "no"})
    form = keeper.form("/machines/Van 1/systems/1/edit", "/edit") | {"drain": "4.3 qt"}
    assert keeper.post("/machines/Van 1/systems/1/edit", form).status_code == 303
    assert "4.30 US qt" in keeper.get("/machines/Van 1").text

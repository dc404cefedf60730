"""Any sheet is written and read again unchanged; nothing but a complaint comes of nonsense."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpwright.errors import Complaint
from sumpwright.planning.kinds import KINDS
from sumpwright.planning.machine import (
    Fluid,
    Machine,
    Offer,
    Plug,
    ReportBound,
    ServiceLimit,
    Sheet,
    Source,
    Span,
    Spread,
    WetSystem,
)
from sumpwright.records.sheet import dump_sheet, parse_sheet, read_sheet

SEED = """\
[machine]
name = "Carrier 2"
odometer = {value = "84350 km", origin = "measured"}
[[system]]
name = "gearbox"
kind = "torque-converter automatic"
capacity = "9.2 L"
sump = ["4.7 L", "4.9 L"]
tanks = [1, 4]
pockets = 0.10
fluid = "Cable Green 7"
window = ["38 C", "46 C"]
[[system.plug]]
name = "drain"
torque = "27 N.m"
[[system.limit]]
action = "replace"
distance = "60000 km"
severe_period = "30 months"
[[system.bound]]
of = "Fe"
act_above = 150
[[fluid]]
name = "Cable Green 7"
viscosity_40 = "29.6 mm2/s"
[[offer]]
fluid = "Cable Green 7"
seller = "Yard store"
size = "1 L"
price = 11.40
[purchase]
spare = 0.05
[vessels]
pump = "1.5 L"
"""

NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=12
)
NOTES = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs"]), max_size=20)
LINES = NOTES.map(lambda text: " ".join(text.split()))
ORIGINS = st.sampled_from(["sheet", "manual", "measured", "assumed"])


@st.composite
def spans(draw: st.DrawFn, low: float, high: float, whole: bool = False) -> Span:
    ends = st.integers(int(low), int(high)) if whole else st.floats(low, high)
    first, last = sorted((float(draw(ends)), float(draw(ends))))
    if draw(st.booleans()):
        last = first
    return Span(first, last, draw(ORIGINS), draw(NOTES))


def maybe(strategy: st.SearchStrategy[Span]) -> st.SearchStrategy[Span | None]:
    return st.none() | strategy


PLUGS = st.builds(Plug, NAMES, maybe(spans(1e-3, 1000)), seal=LINES, drive=LINES, thread=LINES)


def interval(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high)


LIMITS = st.builds(
    ServiceLimit,
    st.sampled_from(["inspect", "replace"]),
    st.floats(1e5, 2e9),
    *(interval(1e5, 1e9), interval(3600, 3e8), interval(3600, 3e9)),
    *(interval(1e5, 2e9), interval(1e5, 1e9), interval(3600, 3e8), interval(3600, 3e9)),
    sources=st.just(()) | st.builds(lambda n: (Source("distance", "manual", n),), NOTES),
)
BOUNDS = st.builds(
    ReportBound,
    st.sampled_from(["Fe", "viscosity_40", "water", "acid"]),
    *(st.floats(0, 1e-4), st.floats(2e-4, 3e-4), st.none(), st.floats(4e-4, 1)),
    relative=st.booleans(),
    note=LINES,
)


@st.composite
def systems(draw: st.DrawFn, name: str, fluids: list[str]) -> WetSystem:
    window = draw(st.none() | st.tuples(st.floats(240, 300), st.floats(301, 470)))
    cited = window is not None and draw(st.booleans())
    share = maybe(spans(0, 1))
    return WetSystem(
        name=name,
        kind=draw(st.sampled_from(KINDS) | NAMES),
        capacity=draw(spans(20e-3, 40e-3)),
        drain=draw(maybe(spans(1e-3, 5e-3))),
        sump=draw(maybe(spans(7e-3, 9e-3))),
        cooler_loop=draw(maybe(spans(0, 5e-3))),
        tanks=draw(maybe(spans(1, 20, whole=True))),
        pockets=draw(share),
        pickup_reserve=draw(maybe(spans(0, 6e-3))),
        discharge=draw(maybe(spans(1e-4, 5e-3))),
        purge_share=draw(share),
        lean_gain=draw(maybe(spans(0, 1e-3))),
        sweep_share=draw(share),
        flow=draw(maybe(spans(1e-6, 1e-3))),
        pan_area=draw(maybe(spans(1e-3, 1))),
        port_offset=draw(maybe(spans(0, 1))),
        fluid=draw(st.sampled_from(["", *fluids])),
        window=window,
        plugs=tuple(draw(st.lists(PLUGS, max_size=3, unique_by=lambda p: p.name.casefold()))),
        sources=(Source("window", "manual", draw(NOTES)),) if cited else (),
        limits=tuple(draw(st.lists(LIMITS, max_size=2, unique_by=lambda x: x.action))),
        bounds=tuple(draw(st.lists(BOUNDS, max_size=2))),
        thermal_reference=draw(st.floats(280, 470)),
        thermal_step=draw(interval(1, 50)),
        clean=draw(st.sampled_from(["", "18/16/13"])),
    )


@st.composite
def fluid(draw: st.DrawFn, name: str) -> Fluid:
    middles: dict[str, float] = {}
    spreads = []
    limits = (
        ("density_15", 600, 1500),
        ("viscosity_40", 2e-5, 1e-3),
        ("viscosity_100", 1e-6, 1e-5),
    )
    for key, low, high in limits:
        span = draw(maybe(spans(low, high)))
        if span is not None:
            middles[key] = span.mid
            spreads += [] if span.exact else [Spread(key, span.low, span.high)]
    return Fluid(name, **middles, spreads=tuple(spreads))


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    fluids = draw(st.lists(NAMES, max_size=3, unique_by=str.casefold))
    names = draw(st.lists(NAMES, min_size=1, max_size=3, unique_by=str.casefold))
    offers = st.builds(
        Offer,
        fluid=st.sampled_from(fluids or [""]),
        seller=NAMES,
        size=st.floats(1e-4, 1),
        price=st.floats(0, 1e6),
        carriage=st.floats(0, 1e3),
        stock=st.none() | st.integers(0, 1000),
    )
    return Sheet(
        machine=Machine(
            name=draw(NAMES),
            systems=tuple(draw(systems(name, fluids)) for name in names),
            odometer=draw(st.none() | st.just(0.0) | st.floats(1e-3, 1e9)),
            hours=draw(st.none() | st.just(0.0) | st.floats(1e-3, 1e8)),
            note=draw(NOTES),
        ),
        fluids=tuple(draw(fluid(name)) for name in fluids),
        offers=tuple(draw(st.lists(offers, max_size=2 if fluids else 0))),
        spare=draw(st.floats(0, 1)),
        pump_vessel=draw(st.none() | st.floats(1e-4, 1)),
        catch_vessel=draw(st.none() | st.floats(1e-4, 1)),
        currency=draw(LINES),
    )


@given(sheets())
@settings(max_examples=60, deadline=None)
def test_written_sheet_reads_back_unchanged(sheet: Sheet) -> None:
    assert parse_sheet(dump_sheet(sheet), "c.toml") == sheet


def complaint_about(data: bytes, folder: pytest.TempPathFactory) -> Complaint | None:
    """The complaint that a file earns; one that is read must also survive writing."""
    path = folder.getbasetemp() / "fuzz.toml"
    path.write_bytes(data)
    try:
        sheet = read_sheet(path)
    except Complaint as complaint:
        return complaint
    assert parse_sheet(dump_sheet(sheet)) == sheet
    return None


@given(
    data=st.binary(max_size=200)
    | st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace"))
)
def test_random_bytes_are_refused_plainly(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    complaint = complaint_about(data, tmp_path_factory)
    assert complaint is not None
    assert complaint.do
    assert str(complaint).isprintable()


@given(
    at=st.integers(0, len(SEED)),
    length=st.integers(0, 12),
    put=st.binary(max_size=6) | st.sampled_from([b"\n", b'"', b"[", b"]]", b"=", b"-", b"."]),
)
@settings(max_examples=300, deadline=None)
def test_sheet_with_a_hole_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, at: int, length: int, put: bytes
) -> None:
    data = SEED.encode()
    complaint = complaint_about(data[:at] + put + data[at + length :], tmp_path_factory)
    assert complaint is None or (complaint.do and str(complaint).isprintable())


STRANGE = [
    *("-1", '""', "[]", "{}", "inf", "nan", "9" * 400, '"1e-9999 L"', '[["a"]]', "1979-05-27"),
    *("true", "{value = [], origin = 3}", '["1 L", {}]', '"' + "9" * 90 + '"', "[[", '"""', "\\"),
    *("{value = {value = 1}}", "{range = [1, [2]]}", '"\\uFFFF"', "9" * 5000, "1e400", "0x7F"),
]


@given(
    line=st.integers(0, SEED.count("\n") - 1),
    value=st.sampled_from(STRANGE),
    swap=st.integers(0, SEED.count("\n") - 1),
)
@settings(max_examples=300, deadline=None)
def test_sheet_with_strange_values_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, line: int, value: str, swap: int
) -> None:
    rows = SEED.splitlines()
    key, sign, _ = rows[line].partition(" = ")
    rows[line] = f"{key} = {value}" if sign else rows[line]
    rows[swap], rows[line] = rows[line], rows[swap]
    complaint = complaint_about("\n".join(rows).encode(), tmp_path_factory)
    assert complaint is None or (complaint.do and str(complaint).isprintable())

"""Invented jobs for the tests of what is printed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from sumpwright.planning.machine import Fluid, Machine, Offer, Plug, Sheet, Span, WetSystem
from sumpwright.records.bodies import check_body
from sumpwright.records.chain import Event, seal
from sumpwright.records.fold import fold
from sumpwright.records.snapshot import sheet_to_plain
from sumpwright.records.standing import JobStanding, job_standing

START = datetime(2025, 3, 1, 9, 30, tzinfo=UTC)
PRINTED = datetime(2025, 3, 2, 18, 0, tzinfo=UTC)
FLUID = "Cable Green 7"


def one(value: float) -> Span:
    return Span(value, value)


def carrier() -> Sheet:
    box = WetSystem(
        name="gearbox",
        kind="torque-converter automatic",
        capacity=Span(9.0e-3, 9.6e-3),
        drain=one(4.1e-3),
        sump=Span(4.8e-3, 4.8e-3, "measured", "filled from dry"),
        pickup_reserve=Span(1.5e-3, 1.5e-3, "manual", "p. 41"),
        fluid=FLUID,
        window=(311.15, 319.15),
        plugs=(
            Plug("drain", one(27.0), "crush washer", "10 mm hex"),
            Plug("fill", Span(50.0, 55.0), "crush washer", "17 mm hex"),
            Plug("level", one(31.0), "O-ring", "5 mm hex"),
        ),
    )
    return Sheet(
        Machine("Carrier 2", (box,), odometer=8.4e7, note="Invented data."),
        (Fluid(FLUID, 846.0, 29.6e-6, 6.0e-6),),
        (Offer(FLUID, "Yard store", 1e-3, 11.4), Offer(FLUID, "Valley depot", 5e-3, 49.0)),
        currency="EUR",
    )


def log(entries: Iterable[tuple[str, dict[str, Any]]], sheet: Sheet, **opening: Any) -> list[Event]:
    """Seal entries into a job's log; a reversal names its entry by its number in the log.

    A kind that begins with + is put in at one stroke with the entry before it.
    """
    system = sheet.machine.systems[0].name
    opened = {
        "machine": "0190a5d0-0000-7000-8000-000000000001",
        "system": system,
        "sheet": sheet_to_plain(sheet),
        "method": "drain-and-refill",
        "target": 0.90,
        "confidence": 0.90,
        **opening,
    }
    events: list[Event] = []
    at = START
    for number, (said, body) in enumerate([("opened", opened), *entries], start=1):
        kind = said.removeprefix("+")
        at = at if said != kind else START + timedelta(minutes=7 * number)
        if kind == "reversed":
            body = {"event": events[body["number"] - 1].id}
        events.append(
            seal(
                f"0190a5d0-0000-7000-8000-{number:012d}",
                "0190a5d0-0000-7000-8000-00000000abcd",
                number,
                at,
                ("Ines", "Tomas")[number % 3 == 0],
                kind,
                check_body(kind, body),
                events[-1].hash if events else "",
            )
        )
    return events


def standing(events: list[Event]) -> JobStanding:
    return job_standing(fold(events))


def full() -> list[Event]:
    """A job with everything in it."""
    entries: list[tuple[str, dict[str, Any]]] = [
        ("read", {"what": "odometer", "value": 8.412e7, "unit": "m"}),
        ("read", {"what": "ambient", "value": 278.65, "unit": "K"}),
        ("drained", {"volume": 4.1e-3, "temperature": 303.15}),
        ("sampled", {"vial": "0", "cycle": 0, "old_share": 1.0, "standard_error": 0.01}),
        (
            "tightened",
            {
                "plug": "drain",
                "torque": 27.0,
                "as_found": 41.0,
                "tool": "wrench 3",
                "calibrated": "2024-11-05",
                "new_seal": True,
                "marked": True,
            },
        ),
        ("filled", {"volume": 4.2e-3, "fluid": FLUID, "lot": "L12", "price": 47.9}),
        ("filled", {"volume": 1.4e-3, "fluid": FLUID, "lot": "L12"}),
        ("reversed", {"number": 8}),
    ]
    for number in (2, 3, 4):
        entries += [
            ("worked", {"sweeps": 3}),
            ("discharged", {"volume": 3.2e-3, "seconds": 95.0}),
            (
                "sampled",
                {
                    "vial": str(number - 1),
                    "cycle": number - 1,
                    "old_share": (0.52, 0.21, 0.09)[number - 2],
                    "standard_error": 0.03,
                    "note": "from the end of the stream",
                },
            ),
            ("filled", {"volume": 3.2e-3, "fluid": FLUID, "lot": "L12" if number < 4 else "L13"}),
        ]
    entries += [
        ("overrode", {"step": "exhaust", "reason": "worked in the open yard"}),
        ("did", {"step": "dispose"}),
        ("read", {"what": "temperature", "value": 314.35, "unit": "K"}),
        ("lost", {"volume": 0.12e-3}),
        ("tightened", {"plug": "level", "torque": 31.0, "new_seal": True, "tool": "wrench 3"}),
        ("tightened", {"plug": "fill", "torque": 65.0, "new_seal": False, "tool": "wrench 3"}),
        ("drove", {"distance": 1.2e4, "seconds": 1500.0}),
        ("noted", {"text": "Fine grey paste on the magnet, no chips.\nWiped clean."}),
        ("closed", {"odometer": 8.4132e7, "summary": "no leak after the drive"}),
    ]
    return log(entries, carrier(), method="line-discharge-with-selector-work")


def minimal() -> list[Event]:
    """One drain and one fill."""
    axle = WetSystem("rear axle", "axle", one(2.0e-3), drain=one(1.8e-3))
    sheet = Sheet(Machine("Van 1", (axle,)))
    return log(
        [
            ("drained", {"volume": 1.8e-3}),
            ("filled", {"volume": 1.8e-3, "fluid": "Hill Oil"}),
            ("closed", {}),
        ],
        sheet,
    )


HOSTILE = (
    "#strike[x] $x^2$ <label> @ref *b* _i_ `c` \\ // /* ${a} {{b}} \"q\" 'p' & ]]> <script>",
    "漢字かな交じり文がとても長く続いていく行なので折り返しが必要になります" * 2,
    "שלום עולם, 4.1 L של שמן‮ הפוך",
    "مرحبا بالعالم",
    "🛠️🚐👩‍🔧 done 👍🏽",
    "W" * 200,
    "a/very/long/path/" + "without-any-space-" * 12,
)


def hostile() -> list[Event]:
    """Sixty entries whose texts try to break out."""
    bad = HOSTILE[0]
    box = WetSystem(
        f"box {bad}"[:190],
        "automatic",
        Span(9.0e-3, 9.6e-3, "manual", HOSTILE[5]),
        drain=one(4.1e-3),
        fluid=HOSTILE[5][:150],
        plugs=(Plug(f"drain {HOSTILE[2]}", one(27.0), HOSTILE[4], bad),),
    )
    sheet = Sheet(Machine(HOSTILE[6][:180], (box,), note="invented"), currency="#$")
    entries: list[tuple[str, dict[str, Any]]] = []
    for i in range(14):
        text = HOSTILE[i % len(HOSTILE)]
        entries += [
            ("noted", {"text": text}),
            ("drained", {"volume": 3.0e-3}),
            ("filled", {"volume": 3.0e-3, "fluid": text[:150], "lot": text[:60]}),
            ("overrode", {"step": text[:180], "reason": text[:180]}),
        ]
    entries += [
        ("sampled", {"vial": "<&\"'>", "cycle": 3, "old_share": 0.2, "standard_error": 0.02}),
        ("tightened", {"plug": f"drain {HOSTILE[2]}", "torque": 27.0, "tool": HOSTILE[5]}),
        ("reversed", {"number": 2}),
    ]
    return log(entries, sheet)

"""The past of the invented yard, counted back from today: all of it is invented."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

INVENTED = "Invented data of an invented yard"
MONTH = 30.44
"""Days."""
_SEASON = (1.7, 1.6, 1.4, 0.8, 0.5, 0.4, 0.4, 0.5, 0.6, 0.9, 1.4, 1.8)
"""How much of a month's average the snow machine runs, from January on."""

Service = tuple[float, str, str, str, float, float | None, float | None, float | None]
SERVICES: tuple[Service, ...] = (
    (108, "Van 1", "gearbox", "filled", 9.3, 100, None, None),
    (38, "Van 1", "gearbox", "changed", 4.1, 127_000, None, 33.20),
    (7, "Van 1", "engine", "changed", 7.6, 176_300, None, 45.60),
    (84, "Pick-up 3", "gearbox", "filled", 8.1, 20, None, None),
    (30, "Pick-up 3", "gearbox", "changed", 4.7, 61_300, None, 52.40),
    (11, "Pick-up 3", "gearbox", "topped up", 0.4, None, None, 4.75),
    (130, "Carrier 2", "track drive", "filled", 28.0, None, 2, None),
    (20, "Carrier 2", "track drive", "changed", 17.0, None, None, 66.30),
    (26, "Carrier 2", "winch gearbox", "filled", 1.4, None, None, 12.60),
    (14, "Generator 1", "engine", "filled", 3.2, None, 823, 18.90),
)
"""Months ago, machine, system, what, litres, km, h, paid in EUR."""

FLUIDS = {
    ("Van 1", "gearbox"): "Cable Green 7",
    ("Van 1", "engine"): "Col Amber 5",
    ("Pick-up 3", "gearbox"): "Belt Clear 3",
    ("Carrier 2", "track drive"): "Snow Gold 46",
    ("Carrier 2", "winch gearbox"): "Ridge Brown 90",
    ("Generator 1", "engine"): "Col Amber 5",
}

REPORTS: tuple[tuple[float, str, float, float, float, float, float], ...] = (
    (26, "P-101", 66_000, 33.1, 6.9, 31, 9),
    (14, "P-117", 80_000, 32.4, 6.8, 58, 14),
    (8, "P-124", 87_000, 66.9, 11.2, 12, 3),
    (2, "P-131", 94_000, 31.6, 6.6, 91, 19),
)
"""Months ago, sample, km, mm²/s at 40 and 100 °C, iron and copper in mg/kg; the third is
of another machine's engine oil, and is kept out."""

DRIVES = 12
"""Short drives of Pick-up 3 in the last weeks."""


def ago(today: date, months: float) -> str:
    """Return the day so many months before today."""
    return (today - timedelta(days=round(months * MONTH))).isoformat()


def readings(today: date) -> str:
    """Return a table of odometer and hour readings."""
    rows = [INVENTED, "Machine,Date,Odometer (km),Hours (h)"]
    for k in range(35, 0, -1):
        wave = 220 * (k % 5 - 2)
        rows.append(f"Van 1,{ago(today, k)},{187_300 - 1580 * k + wave},")
        rows.append(f"Pick-up 3,{ago(today, k)},{96_300 - 1170 * k - wave // 2},")
        rows.append(f"Generator 1,{ago(today, k)},,{890 - round(4.8 * k)}")
    hours = 2140.0
    for k in range(1, 36):
        day = today - timedelta(days=round(k * MONTH))
        hours -= 15 * _SEASON[day.month - 1]
        rows.append(f"Carrier 2,{day.isoformat()},,{hours:.0f}")
    return "\n".join(rows) + "\n"


def services(today: date) -> str:
    """Return a table of past services, as the old service book has them."""
    rows = [INVENTED, "Date,Machine,System,What,Litres,Odometer (km),Hours (h),Paid,Fluid"]
    for months, machine, system, what, litres, km, hours, paid in SERVICES:
        fluid = FLUIDS[machine, system]
        rest = ",".join("" if value is None else str(value) for value in (km, hours, paid))
        rows.append(f"{ago(today, months)},{machine},{system},{what},{litres},{rest},{fluid}")
    return "\n".join(rows) + "\n"


def reports(today: date) -> str:
    """Return a laboratory's table of reports."""
    head = "Date,Machine,System,Sample,Odometer (km),Visc 40C (cSt),Visc 100C (cSt),Fe (ppm)"
    rows = [INVENTED, f"{head},Cu (ppm)"]
    for months, sample, km, v40, v100, iron, copper in REPORTS:
        values = f"{sample},{km:.0f},{v40},{v100},{iron:.0f},{copper:.0f}"
        rows.append(f"{ago(today, months)},Pick-up 3,gearbox,{values}")
    return "\n".join(rows) + "\n"


def drives(today: date) -> Iterator[str]:
    """Return the drives as lines of the shell."""
    for k in range(DRIVES):
        day = (today - timedelta(days=3 * k + 2)).isoformat()
        far = 26 if k % 4 == 0 else 4
        trailer = " --trailer" if k % 4 == 0 else ""
        yield f"drive add 'Pick-up 3' --date {day} --distance '{far} km'{trailer}"


def write(folder: Path, today: date) -> None:
    """Write the tables of the past into a folder."""
    for name, text in (
        ("readings.csv", readings(today)),
        ("services.csv", services(today)),
        ("lab-reports.csv", reports(today)),
    ):
        (folder / name).write_text(text, encoding="utf-8")

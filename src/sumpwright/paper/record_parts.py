"""The tables of the service record, written out for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Any

from sumpwright.display import Display
from sumpwright.planning.said import said, show
from sumpwright.planning.step_texts import title_of
from sumpwright.planning.steps import TAKEN
from sumpwright.records.chain import Event, unstamp
from sumpwright.records.wording import describe, describe_among

Data = Mapping[str, Any]
Part = dict[str, Any]

_NAMES = {
    "capacity": "whole system",
    "drain": "what a drain brings out",
    "sump": "sump, running",
    "cooler_loop": "cooler loop",
    "pickup_reserve": "reserve over the pick-up",
    "discharge": "one discharge",
    "tanks": "tanks in series that the upper works act like",
    "pockets": "share that moves only when worked or driven",
    "purge_share": "share of the loop that air pushes out",
    "lean_gain": "more by leaning",
    "sweep_share": "share of the pockets that one sweep moves",
    "window": "window for the level",
    "vessel_error": "error of the volumes as read, all alike",
}
_ORIGINS = {
    "sheet": "machine sheet",
    "manual": "service manual",
    "measured": "measured",
    "assumed": "assumed",
}
_ACTS = {
    "discharge": "discharged through the cooler line",
    "drive": "driven or run through",
    "lose": "ran out or spilt",
    "level": "level set: the balance counts from here",
}


def clock(stamped: str, zone: tzinfo) -> str:
    """Write a kept time for people.

    Examples
    --------
    >>> from datetime import UTC
    >>> clock("2025-03-01T09:30:00.000000Z", UTC)
    '2025-03-01 09:30 UTC'
    """
    at = unstamp(stamped).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M} {at.tzname()}"


def _time(stamped: str | None, zone: tzinfo) -> str:
    return "" if stamped is None else f"{unstamp(stamped).astimezone(zone):%m-%d %H:%M}"


def _signed_off(stamped: str | None, by: str, zone: tzinfo) -> str:
    return ", ".join(filter(None, (_time(stamped, zone), by)))


def part(
    title: str,
    heads: Sequence[str] = (),
    columns: Sequence[str] = (),
    aligns: str = "",
    rows: Sequence[Sequence[Any]] = (),
    lead: str = "",
    lines: Sequence[str] = (),
) -> Part:
    """Describe one section: a table, a lead above it and lines below."""
    return {
        "title": title,
        "lead": lead,
        "heads": list(heads),
        "columns": list(columns),
        "aligns": list(aligns),
        "rows": [list(row) for row in rows],
        "lines": list(lines),
    }


def parts(data: Data, events: Sequence[Event], units: Display, zone: tzinfo) -> list[Part]:
    """Return the sections of a record that have something to say, and name those that have not.

    Parameters
    ----------
    data : mapping
        As `sumpwright.paper.record_data.record_json` gives it.
    events : sequence of Event
    units : Display
    zone : tzinfo

    Returns
    -------
    list of dict
    """
    made = {
        "fluid": _fluid(data, units, zone),
        "readings": _readings(data, events, units, zone),
        "fasteners": _torques(data, units, zone),
        "samples": _samples(data, units, zone),
        "entries to look at": _flags(data, events, units),
        "steps not done": _left(data),
        "steps passed over": _overridden(data, zone),
        "notes": _notes(data, zone),
        "corrections": _undone(data, events, units, zone),
        "fluids put in": _fluids(data, units),
        "basis": _basis(data, units),
    }
    out = [section for section in made.values() if section is not None]
    expected = ("readings", "fasteners", "samples")
    silent = [name for name in expected if made[name] is None]
    lines = [f"Nothing was entered for: {', '.join(silent)}."] if silent else []
    for t in data["not_tightened"]:
        low, high = (units.torque(value) for value in t["target_nm"])
        given = low if low == high else f"{low} to {high}"
        lines.append(
            f"No tightening of a plug that was opened: {t['plug']}; the sheet gives {given}."
        )
    if lines:
        out.append(part("Not recorded", lines=lines))
    return out


def _fluid(data: Data, units: Display, zone: tzinfo) -> Part:
    title = "Fluid out and in"
    if not data["fluid_steps"]:
        return part(title, lines=["No fluid has been moved."])
    rows: list[list[Any]] = []
    cycle = None
    for step in data["fluid_steps"]:
        shown = "" if step["cycle"] in (cycle, 0) else str(step["cycle"])
        cycle = step["cycle"]
        out = step["out_l"] + step["lost_l"]
        fresh = step["fresh"]
        rows.append(
            [
                shown,
                _time(step["at"], zone),
                _act(step, units),
                _volume(out, units),
                _volume(step["in_l"], units),
                _signed(step["balance_l"], units),
                units.band(fresh["p05"], fresh["p50"], fresh["p95"]),
            ]
        )
    totals = data["totals"]
    rows.append(
        [
            "",
            "",
            {"text": "in all"},
            {"text": _volume(totals["out_l"] + totals["lost_l"], units)},
            {"text": _volume(totals["in_l"], units)},
            {"text": _signed(totals["net_l"], units)},
            "",
        ]
    )
    unit = units.unit("volume")
    return part(
        title,
        ["cycle", "when", "what", f"out, {unit}", f"in, {unit}", f"balance, {unit}", "fresh"],
        ["auto", "auto", "1", "auto", "auto", "auto", "auto"],
        "cllrrrr",
        rows,
        lead="Volumes as measured at the machine. The balance is in less out, from where the level "
        "stood at the start; fresh is the computed share of new fluid in the whole system "
        "(5 to 95 %).",
    )


def _volume(litres: float, units: Display) -> str:
    return "" if litres == 0 else f"{units.number(litres * 1e-3, 'volume'):.2f}"


def _signed(litres: float, units: Display) -> str:
    value = round(units.number(litres * 1e-3, "volume"), 2) + 0.0
    return "0.00" if value == 0 else f"{value:+.2f}".replace("-", "−")


def _act(step: Data, units: Display) -> str:
    kind = step["kind"]
    if kind == "drain":
        return "drained, leaned" if step["leaned"] else "drained"
    if kind == "fill":
        return f"filled: {step['fluid']}"
    if kind == "exchange":
        return f"exchanged through the line: {step['fluid']}"
    if kind == "work":
        sweeps = step["sweeps"]
        return f"selector worked, {sweeps} {'sweep' if sweeps == 1 else 'sweeps'}"
    if kind == "circulate":
        return f"circulated {units.volume(step['round_l'] * 1e-3)}"
    if kind == "purge":
        how = "" if step["measured"] else ", volume estimated"
        return f"loop blown out, {units.share(step['share'])}{how}"
    return _ACTS[kind]


def _reading(what: str, value: float, unit: str, units: Display) -> str:
    if what == "odometer":
        return show(value, "distance", units)
    if unit == "K":
        return units.temperature_fine(value)
    return ""


def _readings(data: Data, events: Sequence[Event], units: Display, zone: tzinfo) -> Part | None:
    by_time = {(e.body.get("what"), e.at): e for e in events if e.kind == "read"}
    rows = []
    for reading in sorted(data["readings"], key=lambda r: str(r["at"])):
        said = _reading(reading["what"], reading["value"], reading["unit"], units)
        if not said:
            event = by_time.get((reading["what"], unstamp(reading["at"])))
            said = describe(event, units).partition(": ")[2] if event else ""
        rows.append([_time(reading["at"], zone), reading["what"], said, reading["by"]])
    if not rows:
        return None
    return part("Readings", ["when", "what", "value", "by"], ["auto", "2", "1", "1"], "llrl", rows)


def _torques(data: Data, units: Display, zone: tzinfo) -> Part | None:
    rows = []
    for t in data["torques"]:
        target = "none given" if t["target_nm"] is None else _torques_said(t["target_nm"], units)
        judged = {True: "in", False: "OUT", None: ""}[t["within"]]
        tool = ", ".join(
            x
            for x in (
                t["tool"],
                t["calibrated"] and f"calibrated {t['calibrated']}",
                t["wrench_set_nm"] and f"set to {units.torque(t['wrench_set_nm'])}",
            )
            if x
        )
        seal = {True: "new", False: "NOT renewed", None: "not said"}[t["new_seal"]]
        rows.append(
            [
                t["plug"],
                target,
                "" if t["as_found_nm"] is None else _torque(t["as_found_nm"], units),
                _torque(t["torque_nm"], units),
                judged,
                f"{t['seal']}: {seal}" if t["seal"] else seal,
                "yes" if t["marked"] else "",
                tool,
                _signed_off(t["at"], t["by"], zone),
            ]
        )
    if not rows:
        return None
    unit = units.unit("torque")
    single = [
        t["tolerance"] for t in data["torques"] if t["target_nm"] and len(set(t["target_nm"])) == 1
    ]
    return part(
        "Fasteners",
        [
            "plug",
            f"target, {unit}",
            "as found",
            "tightened",
            "check",
            "seal",
            "marked",
            "tool",
            "when, by",
        ],
        ["1.2", "auto", "auto", "auto", "auto", "1.2", "auto", "1.5", "1.4"],
        "lrrrcllll",
        rows,
        lines=[_check_words(max(single, default=None))],
    )


def _check_words(single: float | None) -> str:
    if single is None:
        return "check: “in” is within the range that is given."
    within = f"within {100 * single:.0f} % of a single target"
    return f"check: “in” is {within}, or within the range that is given."


def _torques_said(ends: Sequence[float], units: Display) -> str:
    return "–".join(dict.fromkeys(_torque(end, units) for end in ends))


def _torque(newton_metres: float, units: Display) -> str:
    return units.torque(newton_metres).partition(" ")[0]


def _samples(data: Data, units: Display, zone: tzinfo) -> Part | None:
    rows = []
    for s in data["samples"]:
        old = "not measured" if s["old_share"] is None else units.share(s["old_share"])
        error = "" if s["standard_error"] is None else f"± {units.share(s['standard_error'])}"
        of = str(s["cycle"]) if s["cycle"] else "new fluid" if s["of_new"] else "before"
        source = "" if s["of_new"] else TAKEN[s["taken_from"]]
        counts = "" if s["old_share"] is None else "LEFT OUT" if s["left_out"] else "counts"
        rows.append([s["vial"], of, source, old, error, counts, s["note"], _time(s["at"], zone)])
    if not rows:
        return None
    return part(
        "Samples",
        ["vial", "cycle", "of", "old share", "error", "estimate", "note", "when"],
        ["1", "auto", "auto", "auto", "auto", "auto", "2", "auto"],
        "lclrrlll",
        rows,
        lead="The old share is that of the vial, with its standard error; estimate tells whether "
        "it counts in the computed fresh share.",
        lines=[
            *(f"{_begin(s['left_out'])}." for s in data["samples"] if s["left_out"]),
            *_computed(data),
        ],
    )


def _begin(said: str) -> str:
    return said[:1].upper() + said[1:]


def _computed(data: Data) -> list[str]:
    """How the shares were measured, one line for each way, with the vials it was used for."""
    ways: dict[str, list[str]] = {}
    for sample in data["samples"]:
        if sample["method"]:
            ways.setdefault(sample["method"], []).append(sample["vial"])
    return [f"{', '.join(vials)}: {way}." for way, vials in ways.items()]


def _flags(data: Data, events: Sequence[Event], units: Display) -> Part | None:
    by_id = {event.id: event for event in events}
    rows = [
        [
            describe(by_id[f["event"]], units) if f["event"] in by_id else f["entry"],
            said(f["form"], **f["values"]).say(units),
        ]
        for f in data["looked_at"]
    ]
    if not rows:
        return None
    return part("To look at", ["entry", "why"], ["1", "1"], "ll", rows)


def _left(data: Data) -> Part | None:
    rows = [[title_of(s["step"]), s["reason"] or "not said"] for s in data["steps_left"] or ()]
    lines = []
    if data["steps_left"] is None and data["job"]["closed_at"]:
        lines.append("The steps of this job were not ticked: whether all were done is not known.")
    if data["steps_out_of_turn"]:
        titles = "; ".join(title_of(step) for step in data["steps_out_of_turn"])
        lines.append(f"Done out of turn: {titles}.")
    if not rows and not lines:
        return None
    heads = ["step", "reason"] if rows else []
    title = "Steps not done, or out of turn"
    return part(title, heads, ["1", "2"][: len(heads)], "ll"[: len(heads)], rows, lines=lines)


def _overridden(data: Data, zone: tzinfo) -> Part | None:
    rows = [
        [title_of(o["step"]), o["reason"], _signed_off(o["at"], o["by"], zone)]
        for o in data["overridden"]
    ]
    if not rows:
        return None
    return part(
        "Steps passed over, and why", ["step", "reason", "when, by"], ["1", "2", "1"], "lll", rows
    )


def _notes(data: Data, zone: tzinfo) -> Part | None:
    rows = [[_time(n["at"], zone), n["by"], n["text"]] for n in data["notes"]]
    if not rows:
        return None
    return part("Notes", ["when", "by", "note"], ["auto", "1", "4"], "lll", rows)


def _undone(data: Data, events: Sequence[Event], units: Display, zone: tzinfo) -> Part | None:
    by_seq = {event.seq: event for event in events}
    by_id = {event.id: event for event in events}
    rows = []
    for entry in data["undone"]:
        text = entry["text"]
        if entry["seq"] in by_seq:
            text = describe_among(by_seq[entry["seq"]], by_id, units)
        after = ""
        if entry["undone_at"]:
            after = _signed_off(entry["undone_at"], entry["undone_by"], zone)
        rows.append(
            [
                _signed_off(entry["at"], entry["by"], zone),
                {"text": text, "strike": True},
                after,
            ]
        )
    if not rows:
        return None
    return part(
        "Corrections",
        ["entered", "what was entered and taken back", "taken back"],
        ["1", "2.4", "1"],
        "lll",
        rows,
        lead="Entries that were made and then undone. They stay in the log and count for nothing.",
    )


def _fluids(data: Data, units: Display) -> Part | None:
    rows = []
    for f in data["fluids"]:
        price = "" if f["price"] is None else units.money(f["price"])
        share = data["composition"].get(f["label"])
        rows.append(
            [
                f["fluid"],
                f["lot"] or "not said",
                units.volume(f["volume_l"] * 1e-3),
                price,
                "" if share is None else units.share(share),
            ]
        )
    if not rows:
        return None
    old = data["composition"].get("before")
    rest = "" if old is None else f"{units.share(old)} is what was in before."
    return part(
        "Fluid put in",
        ["fluid", "lot", "volume", "paid", "share now"],
        ["2", "1", "auto", "auto", "auto"],
        "llrrr",
        rows,
        lines=[f"Mean share of each in the whole system at the end; {rest}"] if rest else [],
    )


def _basis(data: Data, units: Display) -> Part | None:
    rows = []
    for b in data["basis"]:
        rows.append(
            [
                _NAMES.get(b["name"], b["name"].replace("_", " ")),
                _range(b, units),
                {"text": "assumed"} if b["origin"] == "assumed" else _ORIGINS[b["origin"]],
                b["note"],
            ]
        )
    if not rows:
        return None
    return part(
        "What was measured and what was assumed",
        ["number", "value or range", "from", "note"],
        ["1.6", "auto", "auto", "1.6"],
        "lrll",
        rows,
        lead="Volumes out and in, readings, torques and samples above were measured at the "
        "machine. The fresh share is computed from them and from these numbers:",
    )


def _range(row: Data, units: Display) -> str:
    low, high = row["range"]
    if row["unit"] == "L":
        return units.volumes(low * 1e-3, high * 1e-3)
    if row["unit"] == "K":
        return f"{units.temperature(low)} to {units.temperature(high)}"
    if row["name"] == "tanks":
        return f"{low:g}" if low == high else f"{low:g}–{high:g}"
    if row["name"] == "vessel_error":
        return f"± {units.share(high)}"
    first, last = units.share(low), units.share(high)
    return first if first == last else f"{first.partition(' ')[0]}–{last}"

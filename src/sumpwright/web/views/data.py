"""Machines, jobs and devices as the API gives them: plain JSON values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sumpwright.records.chain import stamp
from sumpwright.records.devices import Invitation, KeptDevice
from sumpwright.records.jobs import Added
from sumpwright.records.logs import KeptJob
from sumpwright.records.machines import KeptMachine
from sumpwright.records.readings import KeptReading
from sumpwright.records.sheet_text import dump_sheet
from sumpwright.records.snapshot import sheet_to_plain
from sumpwright.records.state import JobState
from sumpwright.records.told import Entry, plain


def machine_brief(machine: KeptMachine) -> dict[str, Any]:
    """A machine in a list."""
    return {
        "id": machine.id,
        "name": machine.name,
        "version": machine.version,
        "at": stamp(machine.at),
        "by": machine.by,
        "retired": machine.retired,
        "systems": [
            {"name": s.name, "kind": s.kind, "fluid": s.fluid or None}
            for s in machine.sheet.machine.systems
        ],
    }


def machine_data(machine: KeptMachine) -> dict[str, Any]:
    """A machine with its sheet: as TOML, and as plain values in SI."""
    return machine_brief(machine) | {
        "toml": dump_sheet(machine.sheet),
        "sheet": sheet_to_plain(machine.sheet),
        "warnings": list(machine.sheet.warnings),
    }


def job_brief(job: KeptJob) -> dict[str, Any]:
    """A job in a list."""
    return {
        "id": job.id,
        "machine": job.machine,
        "machine_name": job.machine_name,
        "version": job.version,
        "system": job.system,
        "method": job.method,
        "opened": stamp(job.opened_at),
        "closed": stamp(job.closed_at) if job.closed_at else None,
        "open": job.open,
        "length": job.length,
        "head": job.head,
    }


def state_data(state: JobState) -> dict[str, Any]:
    """What a job's log amounts to, as far as no estimate is needed."""
    return {
        "job": state.job,
        "open": state.open,
        "length": state.length,
        "head": state.head,
        "cycles": state.cycles,
        "done": list(state.done),
        "overridden": dict(state.overridden),
        "pending": [event.plain() for event in state.pending],
        "reversed": sorted(state.reversed),
    }


def added_data(added: Sequence[Added]) -> list[dict[str, Any]]:
    """Entries just kept: which were new, and what should be looked at."""
    return [
        {"event": a.event.plain(), "new": a.new, "flags": [f.text for f in a.flags]} for a in added
    ]


def reading_data(reading: KeptReading) -> dict[str, Any]:
    """A reading, SI."""
    return {
        "id": reading.id,
        "machine": reading.machine,
        "what": reading.what,
        "value": reading.value,
        "at": stamp(reading.at),
        "by": reading.by,
        "note": reading.note,
        "job": reading.job or None,
        "sure": reading.sure,
        "withdrawn": stamp(reading.withdrawn_at) if reading.withdrawn_at else None,
    }


def device_data(device: KeptDevice) -> dict[str, Any]:
    """A device."""
    return {
        "id": device.id,
        "name": device.name,
        "role": device.role,
        "paired": stamp(device.paired_at),
        "seen": stamp(device.seen_at),
        "revoked": stamp(device.revoked_at) if device.revoked_at else None,
    }


def invitation_data(invitation: Invitation) -> dict[str, Any]:
    """A pairing code just made."""
    return {
        "id": invitation.id,
        "code": invitation.code,
        "role": invitation.role,
        "expires": stamp(invitation.expires_at),
    }


def told_data(entry: Entry[Any]) -> dict[str, Any]:
    """Something told of a machine, SI."""
    return {
        "id": entry.id,
        "machine": entry.machine,
        "kind": entry.told.kind,
        "at": stamp(entry.at),
        "by": entry.by,
        "note": entry.note,
        "body": plain(entry.told),
        "entered": stamp(entry.entered_at),
        "withdrawn": stamp(entry.withdrawn_at) if entry.withdrawn_at else None,
    }

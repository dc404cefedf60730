"""Devices let into the yard: pairing codes, roles, and who was sent away again."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal, get_args

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.records.body_fields import unwelcome
from sumpwright.records.chain import new_id
from sumpwright.records.schema import DeviceRow, InvitationRow, SecretRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store

Role = Literal["keeper", "hand", "seat", "reader"]
"""Keeper: everything. Hand: jobs and readings. Seat: looks and acknowledges. Reader: looks."""
ROLES: tuple[Role, ...] = get_args(Role)

MINUTES = 10.0
"""How long a pairing code holds."""
MOST_OPEN = 50
"""Codes that may be open at once."""
_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""No letter or digit that is mistaken for another when it is read aloud."""
_SEEN_EVERY = timedelta(minutes=1)


@dataclass(frozen=True)
class KeptDevice:
    """A device and what it may do; ``revoked_at`` is empty while it is let in."""

    id: str
    name: str
    role: Role
    paired_at: datetime
    seen_at: datetime
    revoked_at: datetime | None


@dataclass(frozen=True)
class Invitation:
    """A pairing code; the code itself is known only where it was just made."""

    id: str
    role: Role
    by: str
    made_at: datetime
    expires_at: datetime
    code: str = ""


class Devices:
    """The devices of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def secret(self, name: str) -> str:
        """Return a key of the server's own by name, made the first time it is asked for."""

        def keep(session: Session) -> str:
            row = session.get(SecretRow, name)
            if row is None:
                row = SecretRow(name=name, value=secrets.token_urlsafe(48))
                session.add(row)
                session.flush()
            return row.value

        with self._store.reading() as session:
            known = session.get(SecretRow, name)
            if known is not None:
                return known.value
        return self._store.run(keep)

    def invite(self, role: str, *, by: str = "", minutes: float = MINUTES) -> Invitation:
        """Make a pairing code for one device.

        Parameters
        ----------
        role : str
            One of :data:`ROLES`.
        by : str
            Who asked for it.
        minutes : float
            How long it holds.

        Raises
        ------
        Complaint
            For an unknown role, and when too many codes are open.
        """
        known = check_role(role)
        code = "".join(secrets.choice(_LETTERS) for _ in range(8))
        now = datetime.now(UTC)
        row = InvitationRow(
            id=new_id(),
            code_hash=_hash(code),
            role=known,
            by=by[:200],
            made_at=now,
            expires_at=now + timedelta(minutes=minutes),
        )
        with self._store.writing() as session:
            session.execute(
                delete(InvitationRow).where(
                    InvitationRow.expires_at < now, InvitationRow.device_id.is_(None)
                )
            )
            query = select(func.count()).select_from(InvitationRow)
            if (session.scalar(query.where(InvitationRow.device_id.is_(None))) or 0) >= MOST_OPEN:
                raise Complaint(
                    f"{MOST_OPEN} pairing codes are open", "use or withdraw one of them first"
                )
            session.add(row)
        return _invitation(row, f"{code[:4]}-{code[4:]}")

    def invitations(self) -> list[Invitation]:
        """Return the codes that still hold, the newest first, without the codes themselves."""
        query = (
            select(InvitationRow)
            .where(InvitationRow.device_id.is_(None), InvitationRow.expires_at > datetime.now(UTC))
            .order_by(InvitationRow.made_at.desc())
        )
        with self._store.reading() as session:
            return [_invitation(row) for row in session.scalars(query)]

    def withdraw(self, invitation: str) -> None:
        """Make a code that has not been used worthless."""
        with self._store.writing() as session:
            session.execute(
                delete(InvitationRow).where(
                    InvitationRow.id == invitation, InvitationRow.device_id.is_(None)
                )
            )

    def pair(self, code: str, name: str) -> KeptDevice:
        """Let one device in by its code, which is then used up.

        Raises
        ------
        Complaint
            When the code is not known, was used, or holds no longer; and for a name
            that cannot be kept.
        """
        if not code.strip():
            raise Complaint(
                "the pairing code is missing", "type its eight letters and digits", field="code"
            )
        device_name = check_name(name)
        now = datetime.now(UTC)

        def let_in(session: Session) -> KeptDevice:
            row = session.scalar(
                select(InvitationRow).where(InvitationRow.code_hash == _hash(code))
            )
            if row is None or row.device_id is not None or row.expires_at <= now:
                raise Complaint(
                    "this pairing code does not hold (any more)",
                    "ask for a new one at the machine where the yard is kept",
                    field="code",
                )
            device = DeviceRow(
                id=new_id(), name=device_name, role=row.role, paired_at=now, seen_at=now
            )
            session.add(device)
            session.flush()
            # Two devices that send the same code at once: only one may find it unused.
            taken = session.execute(
                update(InvitationRow)
                .where(InvitationRow.id == row.id, InvitationRow.device_id.is_(None))
                .values(device_id=device.id)
            )
            if taken.rowcount != 1:  # type: ignore[attr-defined]
                raise Complaint(
                    "this pairing code was used a moment ago", "ask for a new one", field="code"
                )
            return _device(device)

        return self._store.run(let_in)

    def admit(self, role: str, name: str) -> KeptDevice:
        """Let in what pairs with no code of its own, such as a calendar that holds a link.

        Raises
        ------
        Complaint
            For an unknown role and a name that cannot be kept.
        """
        now = datetime.now(UTC)
        row = DeviceRow(
            id=new_id(), name=check_name(name), role=check_role(role), paired_at=now, seen_at=now
        )
        with self._store.writing() as session:
            session.add(row)
        return _device(row)

    def get(self, device: str) -> KeptDevice | None:
        """Return a device, also one that was sent away, or ``None``."""
        with self._store.reading() as session:
            row = session.get(DeviceRow, device)
            return _device(row) if row else None

    def all(self, *, revoked: bool = False) -> list[KeptDevice]:
        """Return the devices by name."""
        query = select(DeviceRow).order_by(DeviceRow.name, DeviceRow.paired_at)
        if not revoked:
            query = query.where(DeviceRow.revoked_at.is_(None))
        with self._store.reading() as session:
            return [_device(row) for row in session.scalars(query)]

    def seen(self, device: KeptDevice) -> None:
        """Note that a device was here, not more often than once a minute."""
        now = datetime.now(UTC)
        if now - device.seen_at < _SEEN_EVERY:
            return
        with self._store.writing() as session:
            session.execute(update(DeviceRow).where(DeviceRow.id == device.id).values(seen_at=now))

    def revoke(self, device: str) -> KeptDevice:
        """Send a device away for good.

        Raises
        ------
        Complaint
            When there is no such device.
        """
        with self._store.writing() as session:
            row = session.get(DeviceRow, device)
            if row is None:
                raise Complaint(
                    f"there is no device {device}", "look at the list of devices", field="device"
                )
            row.revoked_at = row.revoked_at or datetime.now(UTC)
            session.flush()
            return _device(row)


def check_role(role: str) -> Role:
    """Return a role that is known.

    Raises
    ------
    Complaint
        When it is not.

    Examples
    --------
    >>> check_role("seat")
    'seat'
    """
    for known in ROLES:
        if role == known:
            return known
    raise Complaint(
        f"the role '{role[:40]}' is not known", f"use one of: {', '.join(ROLES)}", field="role"
    )


def check_name(name: str) -> str:
    """Return the name of a device or person, tidied.

    Raises
    ------
    Complaint
        When it is empty, too long or holds characters that cannot be shown.

    Examples
    --------
    >>> check_name("  Ines,  bay ")
    'Ines, bay'
    """
    tidy = " ".join(name.split())
    if not tidy:
        raise Complaint("the device has no name", "say whose it is", field="name")
    if len(tidy) > 80 or any(unwelcome(c) for c in tidy):
        raise Complaint(
            "this name cannot be kept", "use up to 80 ordinary characters", field="name"
        )
    return tidy


def _hash(code: str) -> str:
    plain = "".join(c for c in code.upper() if c.isalnum())
    return hashlib.sha256(f"sumpwright pairing {plain}".encode()).hexdigest()


def _device(row: DeviceRow) -> KeptDevice:
    return KeptDevice(
        row.id, row.name, check_role(row.role), row.paired_at, row.seen_at, row.revoked_at
    )


def _invitation(row: InvitationRow, code: str = "") -> Invitation:
    return Invitation(row.id, check_role(row.role), row.by, row.made_at, row.expires_at, code)

"""Photographs and other files, kept under the sha256 of their bytes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session, defer

from sumpwright.errors import Complaint
from sumpwright.records.body_fields import unwelcome
from sumpwright.records.schema import AttachmentRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store

LARGEST = 25 * 1024 * 1024
"""Bytes that one attachment may have."""

_SIGNATURES: dict[str, tuple[tuple[int, bytes], ...]] = {
    "image/jpeg": ((0, b"\xff\xd8\xff"),),
    "image/png": ((0, b"\x89PNG\r\n\x1a\n"),),
    "image/webp": ((0, b"RIFF"), (8, b"WEBP")),
    "image/heic": ((4, b"ftyp"),),
    "image/heif": ((4, b"ftyp"),),
    "application/pdf": ((0, b"%PDF-"),),
    "application/json": (),
    "text/plain": (),
    "text/csv": (),
    "application/x-sumpwright-log": ((0, b"SWL1"),),
}
"""Media types that are taken, and what their bytes begin with."""


@dataclass(frozen=True)
class Attachment:
    """What is known of a file; its bytes are fetched by :meth:`Attachments.data`."""

    sha256: str
    media_type: str
    name: str
    size: int
    at: datetime
    by: str


class Attachments:
    """The attachments of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add(self, data: bytes, media_type: str, *, name: str = "", by: str = "") -> Attachment:
        """Keep a file; the same bytes twice are one file.

        Parameters
        ----------
        data : bytes
            The file, at most :data:`LARGEST` bytes.
        media_type : str
            One of the types taken, such as ``image/jpeg``.
        name : str
            What it was called; a path in it is dropped.

        Raises
        ------
        Complaint
            When it is empty, too large, of a type not taken, or not what it says it is.
        """
        check_file(data, media_type)
        row = AttachmentRow(
            sha256=hashlib.sha256(data).hexdigest(),
            media_type=media_type,
            name=plain_name(name),
            size=len(data),
            at=datetime.now(UTC),
            by=by,
            data=data,
        )

        def keep(session: Session) -> Attachment:
            known = find_attachment(session, row.sha256)
            if known is not None:
                return known
            session.add(AttachmentRow(**{c: getattr(row, c) for c in _COLUMNS}))
            return _attachment(row)

        return self._store.run(keep)

    def get(self, sha256: str) -> Attachment:
        """Return what is known of a file.

        Raises
        ------
        Complaint
            When there is no such file.
        """
        with self._store.reading() as session:
            found = find_attachment(session, sha256)
        if found is None:
            raise Complaint(f"no file {sha256} is kept", "add it first", field="attachment")
        return found

    def data(self, sha256: str) -> bytes:
        """Return the bytes of a file, checked against their sha256.

        Raises
        ------
        Complaint
            When there is no such file or its bytes were altered.
        """
        with self._store.reading() as session:
            found = session.scalar(select(AttachmentRow.data).where(AttachmentRow.sha256 == sha256))
        if found is None:
            raise Complaint(f"no file {sha256} is kept", "add it first", field="attachment")
        if hashlib.sha256(found).hexdigest() != sha256:
            raise Complaint(f"the file {sha256} was altered", "restore it from a copy")
        return found

    def all(self) -> list[Attachment]:
        """Return what is known of every file, the oldest first."""
        query = (
            select(AttachmentRow)
            .options(defer(AttachmentRow.data))
            .order_by(AttachmentRow.at, AttachmentRow.sha256)
        )
        with self._store.reading() as session:
            return [_attachment(row) for row in session.scalars(query)]


_COLUMNS = ("sha256", "media_type", "name", "size", "at", "by", "data")


def find_attachment(session: Session, sha256: str) -> Attachment | None:
    """Return what is known of a file, or ``None``."""
    row = session.scalar(
        select(AttachmentRow)
        .options(defer(AttachmentRow.data))
        .where(AttachmentRow.sha256 == sha256)
    )
    return _attachment(row) if row is not None else None


def check_file(data: bytes, media_type: str) -> None:
    """Refuse a file that is empty, too large, of a type not taken, or not what it says it is.

    Examples
    --------
    >>> check_file(b"", "image/png")
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: the file is empty; choose another one
    """
    if media_type not in _SIGNATURES:
        raise Complaint(
            f"files of the type '{media_type}' are not taken",
            f"use one of: {', '.join(_SIGNATURES)}",
            field="attachment",
        )
    if not data:
        raise Complaint("the file is empty", "choose another one", field="attachment")
    if len(data) > LARGEST:
        raise Complaint(
            f"the file has {len(data) / 2**20:.1f} MB",
            f"keep it under {LARGEST // 2**20} MB",
            field="attachment",
        )
    for place, sign in _SIGNATURES[media_type]:
        if data[place : place + len(sign)] != sign:
            raise Complaint(
                f"this file is not what it says it is ({media_type})",
                "send the photograph as it came from the camera",
                field="attachment",
            )


def plain_name(name: str) -> str:
    """Return the name of a file without any path or control character in it.

    Examples
    --------
    >>> plain_name("../../etc/vial 3.jpg")
    'vial 3.jpg'
    """
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(c for c in last if not unwelcome(c) and c not in "\r\n\t").strip()[:200]


def _attachment(row: AttachmentRow) -> Attachment:
    return Attachment(row.sha256, row.media_type, row.name, row.size, row.at, row.by)

"""Files on their way in: a body of any size, in a file of its own."""

from __future__ import annotations

import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from sumpwright.errors import Complaint


@asynccontextmanager
async def in_a_file(chunks: AsyncIterator[bytes]) -> AsyncIterator[Path]:
    """Write a body to a file of its own, which is gone afterwards.

    A complaint from inside does not name the file, which its sender never saw.
    """
    with tempfile.TemporaryDirectory(prefix="sumpwright-") as folder:
        path = Path(folder) / "document.json"
        with path.open("wb") as file:
            async for chunk in chunks:
                file.write(chunk)
        try:
            yield path
        except Complaint as complaint:
            where = complaint.where.replace(str(path), "document")
            raise Complaint(complaint.what, complaint.do, where, complaint.field) from complaint

"""A yard behind a server, behind the same door as one in a file."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.records.fluids import Fluids
from sumpwright.records.intake import Report, import_yard
from sumpwright.records.store import Store
from sumpwright.remote.parts import (
    RemoteAttachments,
    RemoteJobs,
    RemoteMachines,
    RemoteReadings,
    RemoteTelling,
)
from sumpwright.remote.tokens import token_for
from sumpwright.remote.wire import Wire, part, tidy_address

T = TypeVar("T")


class RemoteStore(Store):
    """The records of a running server.

    Parameters
    ----------
    address : str
        Such as ``http://127.0.0.1:8420``.
    token : str, optional
        Of the paired device; the one kept for this server if left out.
    """

    def __init__(self, address: str, token: str | None = None) -> None:
        tidy = tidy_address(address)
        self.wire = Wire(tidy, token_for(tidy) if token is None else token)
        self._books: Store | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    @property
    def where(self) -> str:
        """The address of the server."""
        return self.wire.address

    @property
    def fetched(self) -> Store | None:
        """The copy of the books, where one has been fetched and still holds."""
        return self._books

    def books(self) -> Store:
        """Return a copy of the yard's books as they stand, without its files.

        Raises
        ------
        Complaint
            When the server cannot be reached, or lets this device not read.
        """
        if self._books is None:
            self._folder = tempfile.TemporaryDirectory(prefix="sumpwright-")
            sent = Path(self._folder.name) / "books.json"
            with sent.open("wb") as file:
                file.writelines(self.wire.stream("/books"))
            self._books = Store.open(Path(self._folder.name) / "books.db")
            import_yard(self._books, sent)
        return self._books

    def outdate(self) -> None:
        """Drop the copy of the books, because something was kept since."""
        if self._books is not None:
            self._books.close()
        if self._folder is not None:
            self._folder.cleanup()
        self._books = self._folder = None

    @contextmanager
    def reading(self, *, snapshot: bool = False) -> Iterator[Session]:
        """Give a session on the copy of the books."""
        with self.books().reading(snapshot=snapshot) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Refuse: what is kept goes through the server."""
        _no_way()
        yield

    def run(self, work: Callable[[Session], T]) -> T:  # noqa: ARG002
        """Refuse: what is kept goes through the server."""
        _no_way()

    def close(self) -> None:
        """Close the connection and drop the copy."""
        self.outdate()
        self.wire.close()

    @cached_property
    def machines(self) -> RemoteMachines:
        """Machines and the versions of their sheets."""
        return RemoteMachines(self)

    @cached_property
    def jobs(self) -> RemoteJobs:
        """Jobs and their logs."""
        return RemoteJobs(self)

    @cached_property
    def fluids(self) -> Fluids:
        """Fluids, offers and batches, for looking up."""
        return Fluids(self)

    @cached_property
    def readings(self) -> RemoteReadings:
        """Odometer and hour readings."""
        return RemoteReadings(self)

    @cached_property
    def told(self) -> RemoteTelling:
        """What is told of machines outside jobs."""
        return RemoteTelling(self)

    @cached_property
    def attachments(self) -> RemoteAttachments:
        """Photographs and other files."""
        return RemoteAttachments(self)

    def document(self) -> Iterator[bytes]:
        """Give the export of everything, photographs included."""
        return self.wire.stream("/export")

    def record(self, job: str) -> bytes:
        """Return the record of a job as a document."""
        return self.wire.file(f"/jobs/{part(job)}/record.json")

    def take_in(self, path: Path) -> Report:
        """Send an export to be taken in."""
        try:
            with path.open("rb") as file:
                told = self.wire.ask(
                    "POST",
                    "/import",
                    content=iter(lambda: file.read(1 << 20), b""),
                    media_type="application/json",
                )
        except OSError as error:
            raise Complaint(
                f"cannot be read ({error.strerror or error})", "check its name", str(path)
            ) from None
        self.outdate()
        return Report(told["added"], told["known"])

    def take_table(
        self,
        sort: str,
        data: bytes,
        name: str,
        *,
        machine: str,
        system: str,
        by: str,
        sure: bool = False,
    ) -> int:
        """Send a table to be taken in, and return how many rows of it were kept."""
        told: dict[str, Any] = self.wire.ask(
            "POST",
            f"/tables/{sort}",
            content=data,
            params={
                "name": name,
                "machine": machine,
                "system": system,
                "by": by or None,
                "sure": sure,
            },
            media_type="application/octet-stream",
        )
        self.outdate()
        return int(told["kept"])


def _no_way() -> NoReturn:
    raise Complaint("this cannot be done through a server", "run it where the yard's file is")

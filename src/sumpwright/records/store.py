"""Everything that is remembered, behind one door."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, TypeVar

from sqlalchemy.engine import Engine
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.records.database import name_of, open_engine, spoken, writing

if TYPE_CHECKING:
    from sumpwright.records.attachments import Attachments
    from sumpwright.records.devices import Devices
    from sumpwright.records.fluids import Fluids
    from sumpwright.records.jobs import Jobs
    from sumpwright.records.looks import Looks
    from sumpwright.records.machines import Machines
    from sumpwright.records.readings import Readings
    from sumpwright.records.step_sets import StepSets
    from sumpwright.records.telling import Telling
    from sumpwright.records.temperatures import Temperatures


T = TypeVar("T")
ATTEMPTS = 12


class MovedError(Exception):
    """The log of a job does not end where it was read to end."""


def _collided(error: Exception) -> bool:
    if isinstance(error, OperationalError):
        # serialisation failure and deadlock, the two that a server asks to try again
        return getattr(error.orig, "sqlstate", None) in ("40001", "40P01")
    return True


class Store:
    """An open database with one repository per kind of thing.

    Parameters
    ----------
    engine : Engine
        An engine whose tables are up to date; use :meth:`open` to get one.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Store.open(folder + "/yard.db") as store:
    ...     store.machines.all()
    []
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writing = writing(engine)

    @classmethod
    def open(cls, target: str | Path | None = None) -> Store:
        """Open a database by path or URL, making it if it is not there.

        Parameters
        ----------
        target : str or Path, optional
            A path, ``sqlite:///…`` or ``postgresql://…``; when left out, the setting
            ``SUMPWRIGHT_DB``, else a file in the user's data folder.

        Raises
        ------
        Complaint
            When it is of a newer version, of another program, damaged, locked or out of reach.
        """
        return cls(open_engine(target))

    @property
    def where(self) -> str:
        """What the database is called, without its password."""
        return name_of(self.engine.url)

    @contextmanager
    def reading(self, *, snapshot: bool = False) -> Iterator[Session]:
        """Give a session for looking things up; nothing that it changes is kept.

        With ``snapshot`` everything is read as it stood at one moment, on a server too.
        """
        engine = self.engine
        if snapshot and engine.dialect.name == "postgresql":
            engine = engine.execution_options(isolation_level="REPEATABLE READ")
        with spoken(self.where), Session(engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session whose changes are kept together, or not at all."""
        with spoken(self.where), self._transaction() as session:
            yield session

    def run(self, work: Callable[[Session], T]) -> T:
        """Do some work in one transaction, again from the start when another writer came between.

        Parameters
        ----------
        work : callable
            Takes a session; may be called several times and must not keep anything from it.

        Raises
        ------
        Complaint
            When it still collides after many attempts, or the database fails.
        """
        with spoken(self.where):
            for attempt in range(ATTEMPTS):
                try:
                    with self._transaction() as session:
                        return work(session)
                except (IntegrityError, OperationalError, MovedError) as error:
                    last = attempt == ATTEMPTS - 1
                    if last and isinstance(error, MovedError):
                        raise Complaint(
                            "the log of this job does not end where the database says it does",
                            "verify the job: it was altered or damaged",
                            self.where,
                        ) from error
                    if last or not _collided(error):
                        raise
                    time.sleep(random.uniform(0.0, 0.002 * 2 ** min(attempt, 6)))
        raise AssertionError

    @contextmanager
    def _transaction(self) -> Iterator[Session]:
        with Session(self._writing, expire_on_commit=False) as session, session.begin():
            yield session

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.close()

    @cached_property
    def machines(self) -> Machines:
        """Machines and the versions of their sheets."""
        from sumpwright.records.machines import Machines

        return Machines(self)

    @cached_property
    def fluids(self) -> Fluids:
        """Fluids, offers and batches."""
        from sumpwright.records.fluids import Fluids

        return Fluids(self)

    @cached_property
    def jobs(self) -> Jobs:
        """Jobs and their logs."""
        from sumpwright.records.jobs import Jobs

        return Jobs(self)

    @cached_property
    def readings(self) -> Readings:
        """Odometer and hour readings."""
        from sumpwright.records.readings import Readings

        return Readings(self)

    @cached_property
    def attachments(self) -> Attachments:
        """Photographs and other files."""
        from sumpwright.records.attachments import Attachments

        return Attachments(self)

    @cached_property
    def devices(self) -> Devices:
        """Devices let into the yard, and the codes that let them in."""
        from sumpwright.records.devices import Devices

        return Devices(self)

    @cached_property
    def step_sets(self) -> StepSets:
        """What good jobs taught about their steps."""
        from sumpwright.records.step_sets import StepSets

        return StepSets(self)

    @cached_property
    def looks(self) -> Looks:
        """Looks to be taken after jobs."""
        from sumpwright.records.looks import Looks

        return Looks(self)

    @cached_property
    def told(self) -> Telling:
        """What is told of machines outside jobs: past services, drives, reports."""
        from sumpwright.records.telling import Telling

        return Telling(self)

    @cached_property
    def temperatures(self) -> Temperatures:
        """Sources of temperatures, and the logs of jobs while they grow."""
        from sumpwright.records.temperatures import Temperatures

        return Temperatures(self)

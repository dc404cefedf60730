"""Tables. The migrations make them; a test checks that both agree."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    DateTime,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

ID = String(36)
HASH = String(64)
NAME = String(200)


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC; SQLite keeps no zone, so it is put back on reading."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Bring a time to UTC, refusing one without zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without zone")
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Return the time in UTC, aware."""
        if value is None:
            return None
        at: datetime = value
        return at.replace(tzinfo=UTC) if dialect.name == "sqlite" else at.astimezone(UTC)


class Base(DeclarativeBase):
    """Common ground of all tables: constraints have names, so that migrations can alter them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class MachineRow(Base):
    """A machine, whichever version of its sheet is in use."""

    __tablename__ = "machines"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    name: Mapped[str] = mapped_column(NAME)
    name_key: Mapped[str] = mapped_column(String(600), unique=True)
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcTime)
    retired_at: Mapped[datetime | None] = mapped_column(UtcTime)


class SheetRow(Base):
    """One version of a machine sheet: JSON in SI, and the text it came from if there was one."""

    __tablename__ = "sheets"

    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"), primary_key=True)
    version: Mapped[int] = mapped_column(Integer, primary_key=True)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    plain: Mapped[str] = mapped_column(Text)
    source: Mapped[str | None] = mapped_column(Text)


class SystemRow(Base):
    """A wet system of one version of a sheet, for searching."""

    __tablename__ = "systems"
    __table_args__ = (
        ForeignKeyConstraint(["machine_id", "version"], ["sheets.machine_id", "sheets.version"]),
        Index("ix_systems_fluid", "fluid"),
    )

    machine_id: Mapped[str] = mapped_column(ID, primary_key=True)
    version: Mapped[int] = mapped_column(Integer, primary_key=True)
    place: Mapped[int] = mapped_column(Integer, primary_key=True)
    name: Mapped[str] = mapped_column(NAME)
    kind: Mapped[str] = mapped_column(NAME)
    fluid: Mapped[str] = mapped_column(NAME)
    capacity_low: Mapped[float] = mapped_column(Float)
    capacity_high: Mapped[float] = mapped_column(Float)


class FluidRow(Base):
    """A fluid known in the yard."""

    __tablename__ = "fluids"

    name_key: Mapped[str] = mapped_column(String(600), primary_key=True)
    name: Mapped[str] = mapped_column(NAME)
    density_15: Mapped[float | None] = mapped_column(Float)
    viscosity_40: Mapped[float | None] = mapped_column(Float)
    viscosity_100: Mapped[float | None] = mapped_column(Float)
    updated_at: Mapped[datetime] = mapped_column(UtcTime)


class OfferRow(Base):
    """A container for sale."""

    __tablename__ = "offers"
    __table_args__ = (UniqueConstraint("fluid_key", "seller_key", "size"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    fluid_key: Mapped[str] = mapped_column(String(600))
    seller_key: Mapped[str] = mapped_column(String(600))
    fluid: Mapped[str] = mapped_column(NAME)
    seller: Mapped[str] = mapped_column(NAME)
    size: Mapped[float] = mapped_column(Float)
    price: Mapped[float] = mapped_column(Float)
    carriage: Mapped[float] = mapped_column(Float)
    stock: Mapped[int | None] = mapped_column(Integer)
    updated_at: Mapped[datetime] = mapped_column(UtcTime)


class JobRow(Base):
    """A job; ``length`` and ``head`` are where its log ends."""

    __tablename__ = "jobs"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"), index=True)
    version: Mapped[int] = mapped_column(Integer)
    system: Mapped[str] = mapped_column(NAME)
    method: Mapped[str] = mapped_column(NAME)
    opened_at: Mapped[datetime] = mapped_column(UtcTime, index=True)
    closed_at: Mapped[datetime | None] = mapped_column(UtcTime)
    length: Mapped[int] = mapped_column(Integer)
    head: Mapped[str] = mapped_column(HASH)


class EventRow(Base):
    """One entry of a job's log; triggers allow nothing but adding at the end."""

    __tablename__ = "events"
    __table_args__ = (UniqueConstraint("job_id", "seq"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    job_id: Mapped[str] = mapped_column(ID, ForeignKey("jobs.id"))
    seq: Mapped[int] = mapped_column(Integer)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    kind: Mapped[str] = mapped_column(String(40))
    body: Mapped[str] = mapped_column(Text)
    prev: Mapped[str] = mapped_column(HASH)
    hash: Mapped[str] = mapped_column(HASH)


class BatchRow(Base):
    """Fluid put into a system in a job, as its log says."""

    __tablename__ = "batches"
    __table_args__ = (Index("ix_batches_system", "machine_id", "system", "at"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"))
    system: Mapped[str] = mapped_column(NAME)
    fluid: Mapped[str] = mapped_column(NAME)
    lot: Mapped[str] = mapped_column(NAME)
    volume: Mapped[float] = mapped_column(Float)
    price: Mapped[float | None] = mapped_column(Float)
    at: Mapped[datetime] = mapped_column(UtcTime)
    odometer: Mapped[float | None] = mapped_column(Float)
    note: Mapped[str] = mapped_column(Text)
    job_id: Mapped[str | None] = mapped_column(ID, ForeignKey("jobs.id"), index=True)


class ReadingRow(Base):
    """An odometer or hour reading: from a job's log, or entered by itself."""

    __tablename__ = "readings"
    __table_args__ = (Index("ix_readings_machine", "machine_id", "what", "at"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"))
    what: Mapped[str] = mapped_column(NAME)
    value: Mapped[float] = mapped_column(Float)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    note: Mapped[str] = mapped_column(Text)
    job_id: Mapped[str | None] = mapped_column(ID, ForeignKey("jobs.id"), index=True)
    sure: Mapped[bool] = mapped_column(Boolean, default=False)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcTime)


class ToldRow(Base):
    """Something told of a machine outside its jobs: a past service, a drive, a report."""

    __tablename__ = "told"
    __table_args__ = (Index("ix_told_machine", "machine_id", "kind", "at"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"))
    kind: Mapped[str] = mapped_column(String(40))
    system: Mapped[str] = mapped_column(NAME)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    note: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    entered_at: Mapped[datetime] = mapped_column(UtcTime)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcTime)


class JobEffectRow(Base):
    """What a closed job did to the fluid, worked out once for the log that ends in ``head``."""

    __tablename__ = "job_effects"

    job_id: Mapped[str] = mapped_column(ID, ForeignKey("jobs.id"), primary_key=True)
    head: Mapped[str] = mapped_column(HASH)
    by: Mapped[str] = mapped_column(NAME)
    plain: Mapped[str] = mapped_column(Text)


class AttachmentRow(Base):
    """Bytes kept under their sha256."""

    __tablename__ = "attachments"

    sha256: Mapped[str] = mapped_column(HASH, primary_key=True)
    media_type: Mapped[str] = mapped_column(String(100))
    name: Mapped[str] = mapped_column(NAME)
    size: Mapped[int] = mapped_column(Integer)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    data: Mapped[bytes] = mapped_column(LargeBinary)


class DeviceRow(Base):
    """A phone, tablet or laptop that was let into the yard."""

    __tablename__ = "devices"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    name: Mapped[str] = mapped_column(NAME)
    role: Mapped[str] = mapped_column(String(20))
    paired_at: Mapped[datetime] = mapped_column(UtcTime)
    seen_at: Mapped[datetime] = mapped_column(UtcTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcTime)


class InvitationRow(Base):
    """A pairing code, kept as its hash; ``device_id`` is the one device that used it."""

    __tablename__ = "invitations"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    code_hash: Mapped[str] = mapped_column(HASH, unique=True)
    role: Mapped[str] = mapped_column(String(20))
    by: Mapped[str] = mapped_column(NAME)
    made_at: Mapped[datetime] = mapped_column(UtcTime)
    expires_at: Mapped[datetime] = mapped_column(UtcTime)
    device_id: Mapped[str | None] = mapped_column(ID, ForeignKey("devices.id"))


class SecretRow(Base):
    """A key of the server's own, such as the one that signs its cookies; never exported."""

    __tablename__ = "secrets"

    name: Mapped[str] = mapped_column(NAME, primary_key=True)
    value: Mapped[str] = mapped_column(String(200))


class StepSetRow(Base):
    """What a good job taught about its steps, kept for the next machine of its sort."""

    __tablename__ = "step_sets"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    name: Mapped[str] = mapped_column(NAME)
    name_key: Mapped[str] = mapped_column(String(600), unique=True)
    kind: Mapped[str] = mapped_column(NAME)
    method: Mapped[str] = mapped_column(NAME)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    job_id: Mapped[str | None] = mapped_column(ID, ForeignKey("jobs.id"))
    plain: Mapped[str] = mapped_column(Text)


class LookRow(Base):
    """A look to be taken after a job: after the first drive, or after a distance [m]."""

    __tablename__ = "looks"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"))
    job_id: Mapped[str] = mapped_column(ID, ForeignKey("jobs.id"), index=True)
    system: Mapped[str] = mapped_column(NAME)
    distance: Mapped[float | None] = mapped_column(Float)
    odometer: Mapped[float | None] = mapped_column(Float)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)
    done_at: Mapped[datetime | None] = mapped_column(UtcTime)
    done_by: Mapped[str] = mapped_column(NAME)
    note: Mapped[str] = mapped_column(Text)


class SourceRow(Base):
    """A source of temperatures of a machine, as its description; part of no export."""

    __tablename__ = "sources"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    machine_id: Mapped[str] = mapped_column(ID, ForeignKey("machines.id"), index=True)
    name: Mapped[str] = mapped_column(NAME)
    description: Mapped[str] = mapped_column(Text)
    at: Mapped[datetime] = mapped_column(UtcTime)
    by: Mapped[str] = mapped_column(NAME)


class LogBlockRow(Base):
    """A stretch of a job's temperature log, until the whole of it is kept as one file."""

    __tablename__ = "log_blocks"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    job_id: Mapped[str] = mapped_column(ID, ForeignKey("jobs.id"), index=True)
    at: Mapped[datetime] = mapped_column(UtcTime)
    count: Mapped[int] = mapped_column(Integer)
    data: Mapped[bytes] = mapped_column(LargeBinary)

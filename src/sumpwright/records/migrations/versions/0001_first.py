"""First tables, and triggers that let a log only grow.

Revision ID: 0001
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

ID = sa.String(36)
HASH = sa.String(64)
NAME = sa.String(200)
TIME = sa.DateTime(timezone=True)

SQLITE_TRIGGERS = (
    """CREATE TRIGGER events_follow BEFORE INSERT ON events
    WHEN EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
      OR NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM events WHERE job_id = NEW.job_id)
      OR NEW.prev <> coalesce(
           (SELECT hash FROM events WHERE job_id = NEW.job_id ORDER BY seq DESC LIMIT 1), '')
    BEGIN SELECT RAISE(ABORT, 'a log grows only at its end'); END""",
    *(
        f"""CREATE TRIGGER {table}_no_{act} BEFORE {act.upper()} ON {table}
    BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"""
        for table in ("events", "sheets", "attachments")
        for act in ("update", "delete")
    ),
    *(
        f"""CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table}
    WHEN EXISTS (SELECT 1 FROM {table} WHERE {same})
    BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"""
        for table, same in (
            ("sheets", "machine_id = NEW.machine_id AND version = NEW.version"),
            ("attachments", "sha256 = NEW.sha256"),
        )
    ),
)

POSTGRESQL_TRIGGERS = (
    """CREATE FUNCTION sumpwright_events_follow() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      IF NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM events WHERE job_id = NEW.job_id)
         OR NEW.prev <> coalesce(
           (SELECT hash FROM events WHERE job_id = NEW.job_id ORDER BY seq DESC LIMIT 1), '')
      THEN RAISE EXCEPTION 'a log grows only at its end'
        USING ERRCODE = 'integrity_constraint_violation';
      END IF;
      RETURN NEW;
    END $$""",
    """CREATE TRIGGER events_follow BEFORE INSERT ON events
    FOR EACH ROW EXECUTE FUNCTION sumpwright_events_follow()""",
    """CREATE FUNCTION sumpwright_never_changed() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      RAISE EXCEPTION '% are never changed', TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
    END $$""",
    *(
        f"""CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION sumpwright_never_changed()"""
        for table in ("events", "sheets", "attachments")
    ),
)


def upgrade() -> None:
    op.create_table(
        "machines",
        sa.Column("id", ID, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("name_key", sa.String(600), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.Column("retired_at", TIME),
        sa.PrimaryKeyConstraint("id", name="pk_machines"),
        sa.UniqueConstraint("name_key", name="uq_machines_name_key"),
    )
    op.create_table(
        "sheets",
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("plain", sa.Text, nullable=False),
        sa.Column("source", sa.Text),
        sa.PrimaryKeyConstraint("machine_id", "version", name="pk_sheets"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_sheets_machine_id"),
    )
    op.create_table(
        "systems",
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("kind", NAME, nullable=False),
        sa.Column("fluid", NAME, nullable=False),
        sa.Column("capacity_low", sa.Float, nullable=False),
        sa.Column("capacity_high", sa.Float, nullable=False),
        sa.PrimaryKeyConstraint("machine_id", "version", "place", name="pk_systems"),
        sa.ForeignKeyConstraint(
            ["machine_id", "version"],
            ["sheets.machine_id", "sheets.version"],
            name="fk_systems_machine_id",
        ),
    )
    op.create_index("ix_systems_fluid", "systems", ["fluid"])
    op.create_table(
        "fluids",
        sa.Column("name_key", sa.String(600), nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("density_15", sa.Float),
        sa.Column("viscosity_40", sa.Float),
        sa.Column("viscosity_100", sa.Float),
        sa.Column("updated_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("name_key", name="pk_fluids"),
    )
    op.create_table(
        "offers",
        sa.Column("id", ID, nullable=False),
        sa.Column("fluid_key", sa.String(600), nullable=False),
        sa.Column("seller_key", sa.String(600), nullable=False),
        sa.Column("fluid", NAME, nullable=False),
        sa.Column("seller", NAME, nullable=False),
        sa.Column("size", sa.Float, nullable=False),
        sa.Column("price", sa.Float, nullable=False),
        sa.Column("carriage", sa.Float, nullable=False),
        sa.Column("stock", sa.Integer),
        sa.Column("updated_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_offers"),
        sa.UniqueConstraint("fluid_key", "seller_key", "size", name="uq_offers_fluid_key"),
    )
    op.create_table(
        "jobs",
        sa.Column("id", ID, nullable=False),
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("system", NAME, nullable=False),
        sa.Column("method", NAME, nullable=False),
        sa.Column("opened_at", TIME, nullable=False),
        sa.Column("closed_at", TIME),
        sa.Column("length", sa.Integer, nullable=False),
        sa.Column("head", HASH, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_jobs_machine_id"),
    )
    op.create_index("ix_jobs_machine_id", "jobs", ["machine_id"])
    op.create_index("ix_jobs_opened_at", "jobs", ["opened_at"])
    op.create_table(
        "events",
        sa.Column("id", ID, nullable=False),
        sa.Column("job_id", ID, nullable=False),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("prev", HASH, nullable=False),
        sa.Column("hash", HASH, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
        sa.UniqueConstraint("job_id", "seq", name="uq_events_job_id"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_events_job_id"),
    )
    op.create_table(
        "batches",
        sa.Column("id", ID, nullable=False),
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("system", NAME, nullable=False),
        sa.Column("fluid", NAME, nullable=False),
        sa.Column("lot", NAME, nullable=False),
        sa.Column("volume", sa.Float, nullable=False),
        sa.Column("price", sa.Float),
        sa.Column("at", TIME, nullable=False),
        sa.Column("odometer", sa.Float),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("job_id", ID),
        sa.PrimaryKeyConstraint("id", name="pk_batches"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_batches_machine_id"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_batches_job_id"),
    )
    op.create_index("ix_batches_system", "batches", ["machine_id", "system", "at"])
    op.create_index("ix_batches_job_id", "batches", ["job_id"])
    op.create_table(
        "readings",
        sa.Column("id", ID, nullable=False),
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("what", NAME, nullable=False),
        sa.Column("value", sa.Float, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("job_id", ID),
        sa.PrimaryKeyConstraint("id", name="pk_readings"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_readings_machine_id"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_readings_job_id"),
    )
    op.create_index("ix_readings_machine", "readings", ["machine_id", "what", "at"])
    op.create_index("ix_readings_job_id", "readings", ["job_id"])
    op.create_table(
        "attachments",
        sa.Column("sha256", HASH, nullable=False),
        sa.Column("media_type", sa.String(100), nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_attachments"),
    )
    sqlite = op.get_bind().dialect.name == "sqlite"
    for statement in SQLITE_TRIGGERS if sqlite else POSTGRESQL_TRIGGERS:
        op.execute(statement)


def downgrade() -> None:
    raise NotImplementedError("the first tables are not taken away: they hold the logs")

"""What outlives a job: its steps kept for the next machine of its sort, and looks to take later.

Revision ID: 0003
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

ID = sa.String(36)
NAME = sa.String(200)
TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "step_sets",
        sa.Column("id", ID, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("name_key", sa.String(600), nullable=False),
        sa.Column("kind", NAME, nullable=False),
        sa.Column("method", NAME, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("job_id", ID),
        sa.Column("plain", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_step_sets"),
        sa.UniqueConstraint("name_key", name="uq_step_sets_name_key"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_step_sets_job_id"),
    )
    op.create_table(
        "looks",
        sa.Column("id", ID, nullable=False),
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("job_id", ID, nullable=False),
        sa.Column("system", NAME, nullable=False),
        sa.Column("distance", sa.Float()),
        sa.Column("odometer", sa.Float()),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("done_at", TIME),
        sa.Column("done_by", NAME, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_looks"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_looks_machine_id"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_looks_job_id"),
    )
    op.create_index("ix_looks_job_id", "looks", ["job_id"])


def downgrade() -> None:
    op.drop_table("looks")
    op.drop_table("step_sets")

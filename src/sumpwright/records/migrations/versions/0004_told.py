"""What is told of a machine outside its jobs, doubted readings, and what jobs came to.

Revision ID: 0004
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

ID = sa.String(36)
HASH = sa.String(64)
NAME = sa.String(200)
TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "told",
        sa.Column("id", ID, nullable=False),
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("system", NAME, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("entered_at", TIME, nullable=False),
        sa.Column("withdrawn_at", TIME),
        sa.PrimaryKeyConstraint("id", name="pk_told"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_told_machine_id"),
    )
    op.create_index("ix_told_machine", "told", ["machine_id", "kind", "at"])
    op.create_table(
        "job_effects",
        sa.Column("job_id", ID, nullable=False),
        sa.Column("head", HASH, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("plain", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("job_id", name="pk_job_effects"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_job_effects_job_id"),
    )
    op.add_column(
        "readings", sa.Column("sure", sa.Boolean(), nullable=False, server_default=sa.false())
    )
    op.add_column("readings", sa.Column("withdrawn_at", TIME))


def downgrade() -> None:
    op.drop_column("readings", "withdrawn_at")
    op.drop_column("readings", "sure")
    op.drop_table("job_effects")
    op.drop_index("ix_told_machine", "told")
    op.drop_table("told")

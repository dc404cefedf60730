"""Sources of temperature of a machine, and the logs of jobs while they grow.

Revision ID: 0005
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

ID = sa.String(36)
NAME = sa.String(200)
TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "sources",
        sa.Column("id", ID, nullable=False),
        sa.Column("machine_id", ID, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sources"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_sources_machine_id"),
    )
    op.create_index("ix_sources_machine_id", "sources", ["machine_id"])
    op.create_table(
        "log_blocks",
        sa.Column("id", ID, nullable=False),
        sa.Column("job_id", ID, nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_log_blocks"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_log_blocks_job_id"),
    )
    op.create_index("ix_log_blocks_job_id", "log_blocks", ["job_id"])


def downgrade() -> None:
    op.drop_index("ix_log_blocks_job_id", "log_blocks")
    op.drop_table("log_blocks")
    op.drop_index("ix_sources_machine_id", "sources")
    op.drop_table("sources")

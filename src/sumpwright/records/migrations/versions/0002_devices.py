"""Devices that were let into the yard, the codes that let them in, and the server's own keys.

Revision ID: 0002
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

ID = sa.String(36)
HASH = sa.String(64)
NAME = sa.String(200)
ROLE = sa.String(20)
TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "devices",
        sa.Column("id", ID, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("role", ROLE, nullable=False),
        sa.Column("paired_at", TIME, nullable=False),
        sa.Column("seen_at", TIME, nullable=False),
        sa.Column("revoked_at", TIME),
        sa.PrimaryKeyConstraint("id", name="pk_devices"),
    )
    op.create_table(
        "invitations",
        sa.Column("id", ID, nullable=False),
        sa.Column("code_hash", HASH, nullable=False),
        sa.Column("role", ROLE, nullable=False),
        sa.Column("by", NAME, nullable=False),
        sa.Column("made_at", TIME, nullable=False),
        sa.Column("expires_at", TIME, nullable=False),
        sa.Column("device_id", ID),
        sa.PrimaryKeyConstraint("id", name="pk_invitations"),
        sa.UniqueConstraint("code_hash", name="uq_invitations_code_hash"),
        sa.ForeignKeyConstraint(["device_id"], ["devices.id"], name="fk_invitations_device_id"),
    )
    op.create_table(
        "secrets",
        sa.Column("name", NAME, nullable=False),
        sa.Column("value", sa.String(200), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_secrets"),
    )


def downgrade() -> None:
    for table in ("secrets", "invitations", "devices"):
        op.drop_table(table)

"""Alembic migrations, run when a database is opened; ``versions`` holds one file each."""

HEAD = "0005"
"""The newest revision, known here so that an up-to-date database opens without Alembic."""

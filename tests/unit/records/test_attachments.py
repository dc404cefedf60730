from __future__ import annotations

import hashlib

import pytest
import sqlalchemy as sa

from sumpwright.errors import Complaint
from sumpwright.records.attachments import LARGEST
from sumpwright.records.jobs import KeptJob
from sumpwright.records.store import Store

PNG = b"\x89PNG\r\n\x1a\n" + b"invented pixels"


def test_a_file_comes_back_byte_for_byte(store: Store) -> None:
    kept = store.attachments.add(PNG, "image/png", name="C:\\photos\\..\\vial\n3.png", by="Ines")
    assert kept.sha256 == hashlib.sha256(PNG).hexdigest()
    assert (kept.name, kept.size) == ("vial3.png", len(PNG))
    assert store.attachments.data(kept.sha256) == PNG
    assert store.attachments.get(kept.sha256) == kept
    assert store.attachments.all() == [kept]


def test_the_same_bytes_twice_are_one_file(store: Store) -> None:
    first = store.attachments.add(PNG, "image/png", name="a.png")
    assert store.attachments.add(PNG, "image/png", name="b.png") == first
    assert len(store.attachments.all()) == 1


@pytest.mark.parametrize(
    ("data", "media_type", "says"),
    [
        (b"", "image/png", "empty"),
        (b"GIF89a....", "image/png", "not what it says"),
        (PNG, "image/jpeg", "not what it says"),
        (PNG, "image/svg+xml", "are not taken"),
        (PNG, "text/html", "are not taken"),
        (PNG + bytes(LARGEST), "image/png", "under 25 MB"),
    ],
)
def test_a_file_that_is_not_taken(store: Store, data: bytes, media_type: str, says: str) -> None:
    with pytest.raises(Complaint, match=says):
        store.attachments.add(data, media_type)
    assert store.attachments.all() == []


def test_an_unknown_file(store: Store) -> None:
    for ask in (store.attachments.get, store.attachments.data):
        with pytest.raises(Complaint, match="is kept"):
            ask("0" * 64)


def test_an_entry_names_only_files_that_are_there(store: Store, job: KeptJob) -> None:
    sha256 = hashlib.sha256(PNG).hexdigest()
    for kind, body in (
        ("photographed", {"attachment": sha256, "caption": "the plug"}),
        ("sampled", {"vial": "A", "cycle": 1, "attachment": sha256}),
    ):
        with pytest.raises(Complaint, match="add the file first"):
            store.jobs.append(job.id, kind, body)
    store.attachments.add(PNG, "image/png")
    state = store.jobs.append(job.id, "photographed", {"attachment": sha256}).state
    assert [p.attachment for p in state.photographs] == [sha256]


@pytest.mark.parametrize(
    "statement", ["UPDATE attachments SET data = 'x'", "DELETE FROM attachments"]
)
def test_the_database_itself_keeps_files(store: Store, statement: str) -> None:
    kept = store.attachments.add(PNG, "image/png")
    with pytest.raises(Complaint, match="never changed"), store.writing() as session:
        session.execute(sa.text(statement))
    assert store.attachments.data(kept.sha256) == PNG

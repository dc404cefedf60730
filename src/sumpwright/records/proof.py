"""Reading exported documents and verifying them from the file alone."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from sumpwright.errors import Complaint
from sumpwright.records.chain import Problem, events_from_plain
from sumpwright.records.export import RECORD, VERSION, YARD, named_attachments
from sumpwright.records.soundness import ProvenJob, prove_log

WHOLE = "use a file that was written whole"


@dataclass(frozen=True)
class Proof:
    """What came of verifying a file.

    Parameters
    ----------
    path : Path
        The file.
    jobs : tuple of ProvenJob
        Every job in it.
    problems : tuple of str
        What is wrong with the files that it carries.
    """

    path: Path
    jobs: tuple[ProvenJob, ...]
    problems: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems and not any(job.problems for job in self.jobs)

    def lines(self) -> list[str]:
        """Return everything that is wrong, one line each."""
        found = [f"job {job.id}: {problem}" for job in self.jobs for problem in job.problems]
        return [*found, *self.problems]


def read_document(path: str | Path, *formats: str) -> dict[str, Any]:
    """Read an exported document.

    Parameters
    ----------
    path : str or Path
        The file.
    formats : str
        Which documents are wanted.

    Raises
    ------
    Complaint
        When the file is missing, not JSON, another thing, or of a newer version.
    """
    where = str(path)
    try:
        document = json.loads(Path(path).read_bytes(), parse_constant=_no_constant)
    except OSError as error:
        raise Complaint(
            f"the file cannot be read ({error.strerror})", "check its name", where
        ) from error
    except json.JSONDecodeError as error:
        raise Complaint(
            f"the file is not JSON ({error.msg})", WHOLE, f"{where}:{error.lineno}"
        ) from None
    except (UnicodeDecodeError, RecursionError, ValueError) as error:
        raise Complaint(f"the file is not JSON ({error})", WHOLE, where) from None
    if not isinstance(document, dict) or document.get("format") not in (YARD, RECORD):
        raise Complaint("the file is not a Sumpwright document", "name another file", where)
    version = document.get("version")
    if type(version) is not int or version < 1:
        raise Complaint("the document names no version", WHOLE, where)
    if version > VERSION:
        raise Complaint(
            f"the file was written by a newer version of Sumpwright (document version {version}, "
            f"this version knows {VERSION})",
            "update Sumpwright; nothing was touched",
            where,
        )
    if document["format"] not in formats:
        if document["format"] == RECORD:
            raise Complaint(
                "this is the record of one job, not an export of the yard",
                "verify it, or name an export",
                where,
            )
        raise Complaint("this is an export of the yard", "name the record of one job", where)
    return document


def entries(document: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    """Return a list of the document, making sure that it is one of JSON objects.

    Raises
    ------
    Complaint
        When it is not.
    """
    found = document.get(name, [])
    if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
        raise Complaint(f"'{name}' of the file is malformed", WHOLE)
    return found


def attachment_bytes(entry: Mapping[str, Any]) -> bytes:
    """Return the bytes of a file in a document, checked against their sha256.

    Raises
    ------
    Complaint
        When they do not match.
    """
    try:
        data = base64.b64decode(entry["data"], validate=True)
        matches = hashlib.sha256(data).hexdigest() == entry["sha256"]
    except (KeyError, TypeError, ValueError, binascii.Error):
        raise Complaint("a photograph of the file is malformed", WHOLE) from None
    if not matches:
        raise Complaint(f"the photograph {entry['sha256']} was altered", WHOLE)
    return data


def prove_job(about: Mapping[str, Any], plain: Sequence[Mapping[str, Any]]) -> ProvenJob:
    """Verify one job's log: chain, end, contents."""
    id = str(about.get("id", ""))
    head, length = about.get("head"), about.get("length")
    try:
        events = events_from_plain(plain)
    except Complaint as complaint:
        return ProvenJob(id, "", len(plain), (Problem(0, "", str(complaint)),), None)
    return prove_log(
        id,
        about.get("machine"),
        events,
        head=head if isinstance(head, str) else "",
        count=length if type(length) is int else -1,
    )


def verify_file(path: str | Path) -> Proof:
    """Verify the record of a job, or an export of the yard, from the file alone.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Proof
        Every job with what is wrong with it.

    Raises
    ------
    Complaint
        When the file cannot be read as a document at all.
    """
    document = read_document(path, YARD, RECORD)
    if document["format"] == RECORD:
        about = document.get("job")
        pairs = [(about if isinstance(about, dict) else {}, entries(document, "events"))]
    else:
        pairs = [(job, entries(job, "events")) for job in entries(document, "jobs")]
    problems = []
    present = set()
    for entry in entries(document, "attachments"):
        try:
            attachment_bytes(entry)
            present.add(entry["sha256"])
        except Complaint as complaint:
            problems.append(complaint.what)
    jobs = []
    for about, plain in pairs:
        job = prove_job(about, plain)
        jobs.append(job)
        if job.state is not None:
            named = named_attachments(job.state.effective)
            problems += [f"the photograph {n} is missing" for n in named if n not in present]
    return Proof(Path(path), tuple(jobs), tuple(problems))


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON")

"""Files for programs: photographs, exports, imports, verification."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from sumpwright.records.chain import stamp
from sumpwright.records.export import yard_chunks
from sumpwright.records.intake import import_yard
from sumpwright.records.photographs import PICTURES, keep_file
from sumpwright.records.proof import verify_file
from sumpwright.web.deps import DeskDep
from sumpwright.web.errors import found
from sumpwright.web.security import needs
from sumpwright.web.views.uploads import in_a_file

router = APIRouter(tags=["files"])

_JSON_BODY = {
    "requestBody": {
        "required": True,
        "content": {"application/json": {"schema": {"type": "object"}}},
    }
}
_FILE_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            kind: {"schema": {"type": "string", "format": "binary"}}
            for kind in (*PICTURES, "application/pdf", "text/plain", "text/csv")
        },
    }
}


async def body(request: Request) -> bytes:
    """Give a handler the whole body."""
    return await request.body()


BodyDep = Annotated[bytes, Depends(body)]


@router.post("/attachments", status_code=201, openapi_extra=_FILE_BODY)
def add_attachment(
    request: Request,
    content: BodyDep,
    desk: DeskDep,
    name: Annotated[str, Query(max_length=400)] = "",
) -> dict[str, Any]:
    """Keep a file, sent as it is; the same bytes twice are one file.

    Of a photograph only the pixels are kept, as JPEG: not the place, the time and the device
    that a camera writes into it. The answer's `sha256` is what an entry of the log names as
    `attachment`.
    """
    kept = keep_file(desk.store, content, request.headers.get("content-type", ""), name, desk.by)
    return {
        "sha256": kept.sha256,
        "media_type": kept.media_type,
        "name": kept.name,
        "size": kept.size,
        "at": stamp(kept.at),
    }


@router.get("/attachments/{sha256}", response_class=Response)
def attachment(sha256: str, desk: DeskDep) -> Response:
    """The bytes of a file."""
    kept = found(lambda: desk.store.attachments.get(sha256))
    shown = "inline" if kept.media_type in PICTURES else "attachment"
    return Response(
        desk.store.attachments.data(kept.sha256),
        media_type=kept.media_type,
        headers={
            "content-disposition": f'{shown}; filename="{kept.sha256[:12]}"',
            "content-security-policy": "default-src 'none'; sandbox",
            "cache-control": "private, max-age=31536000, immutable",
        },
    )


@router.get(
    "/export",
    response_class=StreamingResponse,
    responses={200: {"content": {"application/json": {}}}},
)
@needs("keep")
def export(desk: DeskDep) -> StreamingResponse:
    """Everything the yard holds, as one document."""
    return StreamingResponse(
        yard_chunks(desk.store),
        media_type="application/json",
        headers={"content-disposition": 'attachment; filename="yard.json"'},
    )


@router.post("/import", openapi_extra=_JSON_BODY)
@needs("keep")
async def take_in(request: Request, desk: DeskDep) -> dict[str, Any]:
    """Take in an export: all of it, or nothing if anything in it is not sound."""
    async with in_a_file(request.stream()) as path:
        report = await run_in_threadpool(import_yard, desk.store, path)
    return {"added": dict(report.added), "known": dict(report.skipped)}


@router.post("/verify", openapi_extra=_JSON_BODY)
@needs("read")
async def verify(request: Request) -> dict[str, Any]:
    """Verify a record or an export from the document alone."""
    async with in_a_file(request.stream()) as path:
        proof = await run_in_threadpool(verify_file, path)
    return {
        "sound": proof.sound,
        "jobs": [
            {
                "id": job.id,
                "length": job.length,
                "head": job.head,
                "sound": not job.problems,
                "problems": [str(problem) for problem in job.problems],
            }
            for job in proof.jobs
        ],
        "problems": list(proof.problems),
    }

"""The whole API against its own description: no server error, no undocumented answer."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import (
    content_type_conformance,
    not_a_server_error,
    response_schema_conformance,
    status_code_conformance,
)

from webkit import Site, all_routes

EXAMPLES = int(os.environ.get("SUMPWRIGHT_FUZZ", "20"))


@pytest.fixture(scope="module")
def fuzzed(yard_db: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    path = tmp_path_factory.mktemp("fuzz") / "yard.db"
    shutil.copy(yard_db, path)
    site = Site(path, names=("testserver",))
    van = site.store.machines.get("Van 1").id
    site.store.jobs.start(van, "gearbox", method="drain-and-refill", target=0.9, confidence=0.9)
    yield site
    site.store.close()


@pytest.fixture(scope="module")
def token(fuzzed: Site) -> str:
    code = fuzzed.store.devices.invite("keeper").code
    answer = fuzzed.device().client.post("/api/pair", json={"code": code, "name": "fuzz"})
    return str(answer.json()["token"])


@pytest.fixture(scope="module")
def described(fuzzed: Site) -> schemathesis.BaseSchema:
    return schemathesis.openapi.from_asgi("/api/openapi.json", fuzzed.app)


@pytest.fixture(scope="module")
def there(fuzzed: Site) -> dict[str, str]:
    kept = fuzzed.store.attachments.add(b"a,b\n", "text/csv", name="log.csv")
    return {
        "machine": "Van 1",
        "job": fuzzed.store.jobs.all()[0].id,
        "sha256": kept.sha256,
    }


CALLS = sorted(
    (path, method)
    for path, methods, _ in all_routes()
    if path.startswith("/api/")
    for method in methods
)


@pytest.mark.parametrize(("path", "method"), CALLS)
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(data=st.data())
def test_no_call_makes_the_server_fail(
    data: st.DataObject,
    described: schemathesis.BaseSchema,
    token: str,
    there: dict[str, str],
    path: str,
    method: str,
) -> None:
    case = data.draw(described[path][method].as_strategy())
    if data.draw(st.integers(0, 3)):
        # Names that are there: what lies behind a 404 is wanted too.
        case.path_parameters |= {k: v for k, v in there.items() if k in case.path_parameters}
    case.call_and_validate(
        headers={"authorization": f"Bearer {token}"},
        checks=[
            not_a_server_error,
            status_code_conformance,
            content_type_conformance,
            response_schema_conformance,
        ],
    )


def test_every_call_of_the_description_is_tried(fuzzed: Site) -> None:
    described = {
        (path, method.upper())
        for path, methods in fuzzed.app.openapi()["paths"].items()
        for method in methods
    }
    assert described == set(CALLS)

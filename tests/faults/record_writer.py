"""A process that writes to a job: waits for a word, then says the id of each entry kept."""

from __future__ import annotations

import sys
from datetime import UTC, datetime

from sumpwright.errors import Complaint
from sumpwright.records.store import Store


def main(target: str, job: str, who: str, ids: list[str]) -> None:
    if not job:
        print("ready", flush=True)
        sys.stdin.readline()
        with Store.open(target) as store:
            print(len(store.machines.all()), flush=True)
        return
    with Store.open(target) as store:
        print("ready", flush=True)
        sys.stdin.readline()
        for place, id in enumerate(ids):
            try:
                store.jobs.append(
                    job,
                    "noted",
                    {"text": f"remark {place} of {who}"},
                    by=who,
                    at=datetime(2025, 3, 1, 9, place // 60, place % 60, tzinfo=UTC),
                    id=id,
                )
            except Complaint as complaint:
                print(f"refused {complaint}", flush=True)
            else:
                print(id, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:])

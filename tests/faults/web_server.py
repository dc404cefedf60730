"""A server that can be killed and started again within milliseconds.

The process puts the application together once and then only forks: each line ``start`` on
its standard input makes a child that serves, on the one socket that listens all the time, and
its process id is the answer. No connection to the database lives across a fork.
"""

from __future__ import annotations

import os
import sys


def main(db: str) -> None:
    import uvicorn

    import sumpwright.planning.plan  # noqa: F401
    from sumpwright.records.store import Store
    from sumpwright.web.app import create_app
    from sumpwright.web.serving import listen
    from sumpwright.web.settings import WebSettings

    sock = listen("127.0.0.1", 0)
    store = Store.open(db)
    app = create_app(WebSettings(db=db, port=sock.getsockname()[1], warm=False), store)
    store.close()
    print(sock.getsockname()[1], flush=True)
    for line in sys.stdin:
        if line.strip() != "start":
            return
        child = os.fork()
        if child == 0:
            config = uvicorn.Config(app, log_config=None, access_log=False)
            uvicorn.Server(config).run(sockets=[sock])
            os._exit(0)
        print(child, flush=True)
        os.waitpid(child, 0)
        print("gone", flush=True)


if __name__ == "__main__":
    main(sys.argv[1])

"""Run every bench module by itself, on one core each, and say which of them failed.

``python -m bench`` runs all; ``python -m bench plan due`` runs those. Each has a process of its
own, so that neither memory nor warm caches nor a crash of one reaches the next.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from time import perf_counter

HERE = Path(__file__).resolve().parent
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
ONE_CORE = dict.fromkeys(THREADS, "1")


def run_one(path: Path) -> bool:
    """Run a module as a script; whether it ended well."""
    print(f"== {path.stem}", flush=True)
    start = perf_counter()
    paths = [str(HERE.parent / "src"), str(HERE.parent), os.environ.get("PYTHONPATH", "")]
    ended = subprocess.run(
        [sys.executable, str(path)],
        env={**os.environ, **ONE_CORE, "PYTHONPATH": os.pathsep.join(filter(None, paths))},
        cwd=HERE.parent,
        check=False,
    )
    verdict = "" if ended.returncode == 0 else f" FAILED with exit code {ended.returncode}"
    print(f"-- {path.stem}: {perf_counter() - start:.1f} s{verdict}\n", flush=True)
    return ended.returncode == 0


def main(names: list[str]) -> int:
    """Run the modules named, or all; 0 when all ended well."""
    found = {p.stem: p for p in sorted(HERE.glob("*.py")) if not p.stem.startswith("__")}
    unknown = [name for name in names if name not in found]
    if unknown:
        print(f"no bench named {', '.join(unknown)}; there are {', '.join(found)}")
        return 2
    failed = [name for name in names or found if not run_one(found[name])]
    if failed:
        print(f"failed: {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

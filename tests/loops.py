"""Runs a coroutine in a thread of its own: a real browser keeps an event loop in this one."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def run(work: Coroutine[Any, Any, T]) -> T:
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()

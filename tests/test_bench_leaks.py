"""A bench that was started with every door and closed leaves nothing behind."""

from __future__ import annotations

import gc
import os
import socket
import threading
from pathlib import Path

from simulators.door import Bench

CYCLES = int(os.environ.get("MENDPROOF_BENCH_CYCLES", "50"))
OPEN_FILES = Path("/proc/self/fd")


def held() -> tuple[int, int]:
    """Threads and open files of this process."""
    gc.collect()
    return threading.active_count(), len(list(OPEN_FILES.iterdir())) if OPEN_FILES.is_dir() else 0


def cycle() -> list[int]:
    with Bench().start("repaired-well") as bench:
        links = [bench.open_door(kind) for kind in Bench().doors()]
    return [int(link.rpartition(":")[2]) for link in links if "127.0.0.1" in link]


def test_starting_and_closing_leaks_no_thread_no_file_and_no_port() -> None:
    cycle()
    before = held()
    for _ in range(CYCLES):
        ports = cycle()
    assert before == held()
    assert ports
    for port in ports:
        with socket.socket() as again:
            again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            again.bind(("127.0.0.1", port))

"""What tests say to a control port."""

from __future__ import annotations

import json
import socket

TOKEN = "a token"  # noqa: S105
SCENARIO = "repaired-well"


def talk(port: int, data: bytes, *, answers: int = 1) -> list[dict[str, object]]:
    """Send bytes and read so many lines of answer; fewer if the port hangs up."""
    with socket.create_connection(("127.0.0.1", port), timeout=5) as sock, sock.makefile("rb") as reader:
        sock.sendall(data)
        lines = [reader.readline() for _ in range(answers)]
    return [json.loads(line) for line in lines if line]


def line(**what: object) -> bytes:
    return json.dumps({"token": TOKEN, **what}).encode() + b"\n"

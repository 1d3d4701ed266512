"""Connections that say nothing keep nobody out (the slow-header attack, CWE-400)."""

from __future__ import annotations

import socket
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from anodewane.web.limits import LIMITS
from made.web_yard import Server, make_yard

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="needs a second loopback address"),
]


def still_open(s: socket.socket) -> bool:
    s.setblocking(False)
    try:
        return s.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


def test_two_hundred_silent_connections_keep_nobody_out(tmp_path: Path) -> None:
    server = Server(make_yard(tmp_path))
    silent = []
    try:
        for n in range(200):
            s = socket.create_connection(("127.0.0.1", server.port), source_address=("127.0.0.2", 0))
            if n % 2:
                s.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n")  # and never the end of it
            silent.append(s)
        time.sleep(0.5)
        assert sum(map(still_open, silent)) <= LIMITS.connections_per_address
        with urllib.request.urlopen(f"{server.base}/in", timeout=5) as answer:
            assert answer.status == 200
        time.sleep(LIMITS.header_s + 1)
        assert not any(map(still_open, silent))
    finally:
        for s in silent:
            s.close()
        assert server.stop() == 0

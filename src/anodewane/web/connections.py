"""Connections of the page's server: a share for each address, and no waiting for a request that never comes.

A neighbour who opens connections and sends nothing would otherwise keep everybody out, as would a phone that
walked out of range.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    from anodewane.web.limits import Limits


def bounded_protocol(limits: Limits) -> type[H11Protocol]:
    """The protocol for `uvicorn.Config(http=...)`, with one count of connections for the whole server."""
    open_by_address: Counter[str] = Counter()

    class Bounded(H11Protocol):
        """Counts its address's connections, and gives up where no whole header comes in time."""

        _address: str | None = None
        _timer: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._address = self.client[0] if self.client else "?"
            open_by_address[self._address] += 1
            if open_by_address[self._address] > limits.connections_per_address:
                transport.abort()
                return
            self._expect_header()

        def connection_lost(self, exc: Exception | None) -> None:
            self._got_header()
            if self._address is not None:
                open_by_address[self._address] -= 1
                if open_by_address[self._address] <= 0:
                    del open_by_address[self._address]
                self._address = None
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            if self._timer is None and self.conn.their_state is h11.IDLE:
                self._expect_header()  # of a further request
            super().data_received(data)
            if self.conn.their_state is not h11.IDLE:
                self._got_header()

        def _expect_header(self) -> None:
            self._timer = self.loop.call_later(limits.header_s, self.transport.abort)

        def _got_header(self) -> None:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None

    return Bounded

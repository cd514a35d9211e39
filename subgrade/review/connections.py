"""Connections that do not get on with it are closed."""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""A request's head must be there by then; on one machine it takes a millisecond."""
SEND_S = 30.0
"""An answer that nobody takes for so long is dropped."""
MOST_CONNECTIONS = 64
"""A browser opens six; further ones get an error, those beyond twice as many are closed."""


class BoundedProtocol(H11Protocol):
    """HTTP with a bound on how long a client may take."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > 2 * MOST_CONNECTIONS:
            transport.abort()
            return
        self._expect(HEAD_S)

    def connection_lost(self, exc: Exception | None) -> None:
        self._expect(None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._expect(None)  # the head is whole
        elif self._late is None:
            self._expect(HEAD_S)

    def pause_writing(self) -> None:
        super().pause_writing()
        self._expect(SEND_S)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._expect(None)

    def _expect(self, seconds: float | None) -> None:
        """Set the clock anew, or stop it."""
        if self._late is not None:
            self._late.cancel()
        self._late = None if seconds is None else self.loop.call_later(seconds, self._close_it)

    def _close_it(self) -> None:
        self._late = None
        if self.transport is not None:
            self.transport.abort()
